// The rows of the desk: a ball's readings, outcome and worst margin, on screen, on paper and as CSV.

import { isWeighed } from "./desk_list.js";
import { action, element } from "./elements.js";
import { gettext, outcomeWord, quantity, sign } from "./words.js";

const COUNT = "1";
const TITLES = 3;
const BAD = ["nonconforming", "inconclusive"];

const titles = JSON.parse(document.getElementById("titles").textContent);

/** A rule in the page's words; the list may have been judged in another language. */
const titleOf = ({ rule, title }) => titles[rule] ?? title;

/** What the list keeps of an answer. */
export function brief({ outcome, rules: { body, on, overlay }, findings }) {
  const binding = findings.filter((each) => !each.advisory);
  const short = ({ rule, title, value, margin, unit }) => ({ rule, title, value, margin, unit });
  const measured = binding.filter((each) => typeof each.margin === "number" && each.unit !== COUNT);
  const worst = measured.sort((a, b) => share(a) - share(b))[0];
  return {
    outcome,
    rules: { body, on, overlay },
    bad: binding.filter((each) => BAD.includes(each.outcome)).map(short),
    open: binding.filter((each) => each.outcome === "not_assessed").map(short),
    met: binding.filter((each) => each.outcome === "conforming").length,
    worst: worst ? short(worst) : null,
  };
}

/** A margin as a share of the way between the limits, so that margins of different units have an order. */
function share({ margin, limit }) {
  const { min = null, max = null } = limit ?? {};
  const size = min !== null && max !== null ? (max - min) / 2 : Math.abs(max ?? min ?? 0);
  return margin / (size || 1);
}

/** Whether a ball waits, needs correction, or has its outcome: the word by which rows are counted. */
export function stateOf(entry) {
  if (entry.answer) return entry.answer.outcome;
  if (entry.refused) return "refused";
  return isWeighed(entry) ? "waiting" : "unweighed";
}

export function stateWord(state) {
  const words = {
    waiting: gettext("waiting"),
    refused: gettext("to correct"),
    unweighed: gettext("not weighed yet"),
  };
  return words[state] ?? outcomeWord(state);
}

export function rests(entry) {
  if (entry.refused) return entry.refused.join("; ");
  if (!entry.answer)
    return isWeighed(entry) ? gettext("waiting for the service") : gettext("its readings are still to come");
  const { bad, open, met } = entry.answer;
  if (bad.length) return bad.map((each) => `${titleOf(each)} ${quantity(each.value, each.unit)}`).join("; ");
  if (!open.length) return gettext("every rule judged is met");
  const titles = open.slice(0, TITLES).map(titleOf).join(", ");
  const told =
    open.length > TITLES
      ? gettext("{count} rules not assessed: {titles} …", { count: open.length, titles })
      : gettext("{count} rules not assessed: {titles}", { count: open.length, titles });
  const inside = gettext("what was measured is inside");
  return met ? `${inside}; ${told}` : told;
}

export function worst({ answer }) {
  const found = answer?.worst;
  if (!found) return "";
  const margin = quantity(found.margin, found.unit, { signed: true });
  return `${gettext("margin {margin}", { margin })} · ${titleOf(found)}`;
}

/** A reading as it was typed, its unit beside it. */
export function reading(value, unit) {
  if (value === undefined) return "";
  if (typeof value === "number") return quantity(value, unit);
  if (typeof value === "string") return value;
  return `${value.value} ± ${value.uncertainty ?? 0} ${value.unit ?? unit}`;
}

export function readings({ request }) {
  const { ball, measured_balance: balance } = request;
  return [
    [gettext("weight"), reading(ball.drilled_weight ?? ball.weight, "lb")],
    [gettext("circumference"), reading(ball.circumference, "in")],
    [gettext("top"), reading(balance?.top, "oz")],
    [gettext("side"), reading(balance?.side, "oz")],
    [gettext("finger"), reading(balance?.finger, "oz")],
  ]
    .filter(([, text]) => text)
    .map(([word, text]) => `${word} ${text}`)
    .join(" · ");
}

/**
 * A row of the list. `told` are sentences beside the ball, `questions` and `acts` are [id, words, name,
 * call].
 */
export function row(entry, number, told, questions, acts) {
  const button =
    (kind) =>
    ([act, text, name, call]) =>
      action(text, call, { class: kind, "data-act": act, "aria-label": name });
  const { ball } = entry.request;
  const state = stateOf(entry);
  return element(
    "tr",
    { "data-id": entry.id, "data-outcome": state },
    element("td.row-number", number),
    element("td.row-player", entry.player),
    element(
      "td.row-ball",
      element("strong", ball.serial ?? ""),
      " ",
      element("span", ball.name ?? ""),
      told.map((text) => element("p.row-told", text)),
      questions.length ? element("p.row-asks", questions.map(button(""))) : null,
    ),
    element("td.row-readings", readings(entry)),
    element(
      "td.row-outcome",
      element(
        "span.row-word",
        element("span.sign", { "aria-hidden": "true" }, sign(state)),
        stateWord(state),
      ),
      element("p.row-rests", rests(entry)),
    ),
    element("td.row-margin", worst(entry)),
    element("td.row-acts", acts.map(button("link"))),
  );
}

/** The sheets to print: a table for each player. */
export function sheets(entries) {
  if (!entries.length) return [element("p", gettext("There are no balls in the list."))];
  const byPlayer = new Map();
  for (const [index, entry] of entries.entries())
    byPlayer.set(entry.player, [...(byPlayer.get(entry.player) ?? []), [index + 1, entry]]);
  const heads = [
    gettext("No."),
    gettext("Serial number"),
    gettext("Maker and model"),
    gettext("Readings"),
    gettext("Verdict"),
    gettext("Worst margin"),
    gettext("What it rests on"),
  ];
  const cells = ([number, entry]) => [
    number,
    entry.request.ball.serial ?? "",
    entry.request.ball.name ?? "",
    readings(entry),
    stateWord(stateOf(entry)),
    worst(entry),
    rests(entry),
  ];
  return [...byPlayer]
    .sort(([a], [b]) => a.localeCompare(b))
    .map(([name, found]) => {
      const { rules } = found.map(([, entry]) => entry.answer).find(Boolean) ?? {};
      const by = rules
        ? gettext("By the rules of {body}, in force on {on}. Advice, not an approval.", {
            body: [rules.body.toUpperCase(), rules.overlay].filter(Boolean).join(" "),
            on: rules.on,
          })
        : gettext("Advice, not an approval.");
      return element(
        "section.sheet-player",
        element("h2", name || gettext("Without a name")),
        element(
          "table.words",
          element("caption", by),
          element(
            "thead",
            element(
              "tr",
              heads.map((text) => element("th", { scope: "col" }, text)),
            ),
          ),
          element(
            "tbody",
            found.map((each) =>
              element(
                "tr",
                cells(each).map((text) => element("td", text)),
              ),
            ),
          ),
        ),
      );
    });
}

/**
 * One cell of CSV (RFC 4180). A text that a spreadsheet would run as a formula is written with a ' before it.
 */
function cell(value) {
  const safe = typeof value === "string" && /^[=+\-@\t\r]/.test(value) ? `'${value}` : String(value ?? "");
  return ['"', ",", "\r", "\n"].some((mark) => safe.includes(mark))
    ? `"${safe.replaceAll('"', '""')}"`
    : safe;
}

export function csv(entries) {
  const amount = (value) => (typeof value === "number" ? value : reading(value, ""));
  const head = [
    "number",
    "player",
    "serial",
    "name",
    "weight",
    "top",
    "side",
    "finger",
    "outcome",
    "rules",
    "on",
    "rests_on",
    "worst_rule",
    "worst_margin",
    "worst_unit",
  ];
  const rows = entries.map((entry, index) => {
    const { ball, measured_balance: balance = {} } = entry.request;
    const { rules, worst: least } = entry.answer ?? {};
    return [
      index + 1,
      entry.player,
      ball.serial,
      ball.name,
      amount(ball.drilled_weight ?? ball.weight),
      amount(balance.top),
      amount(balance.side),
      amount(balance.finger),
      stateOf(entry),
      rules?.body,
      rules?.on,
      rests(entry),
      least?.title,
      least?.margin,
      least?.unit,
    ];
  });
  return [head, ...rows].map((each) => `${each.map(cell).join(",")}\r\n`).join("");
}
