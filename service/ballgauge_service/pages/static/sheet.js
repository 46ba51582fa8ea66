// The sheet that a page prints: the ball, its owner, layout, grip, holes and verdict, in the order one
// drills.

import * as calls from "./calls.js";
import { at, element, list, table } from "./elements.js";
import { figures } from "./figures.js";
import { tried } from "./record.js";
import { worstFirst } from "./results.js";
import { gauged, gettext, outcomeWord, sign, units } from "./words.js";

const HOLE_FIELDS = [
  "diameter",
  "depth",
  "pitch_forward",
  "pitch_lateral",
  "at.right",
  "at.up",
  "slug_density",
];
const SECTIONS = ["layout", "grip", "ball", "balance"];

/**
 * Keep the sheet of a page as its form and its verdict stand; `ball`: its drawing, null where there is none.
 */
export function keepSheet(form, state, ball = null) {
  const write = () => at("sheet").replaceChildren(...sheet(form, state, ball));
  window.addEventListener("beforeprint", write);
  at("print").addEventListener("click", () => {
    write();
    window.print();
  });
  for (const button of document.querySelectorAll("[data-paper]"))
    button.addEventListener("click", () =>
      state.act(({ request }, signal) => take(request, button.dataset.paper, signal)),
    );
}

/** The driller's sheet as the service prints it. */
function take(check, paper, signal) {
  const told = at("sheet-told");
  const language = document.documentElement.lang;
  const asked = { check, owner: owner(), language, units: units.metric ? "metric" : "trade", paper };
  return tried(
    async () => {
      const ask = () => calls.postForFile("/v1/drillings/sheets", asked, signal);
      const say = (words) => told.replaceChildren(element("p", words));
      const href = URL.createObjectURL(await calls.insist(ask, say, signal));
      told.replaceChildren();
      element("a", { download: "drilling-sheet.pdf", href }).click();
    },
    signal,
    (refused) => told.replaceChildren(...refused),
  );
}

const owner = () => at("player").value.trim() || at("ball-keeper").value.trim();

function sheet(form, state, ball) {
  const current = state.name === "current" ? state.answered : null;
  const values = (name) => form.form.elements[name]?.value ?? "";
  const day = current?.answer.rules.on ?? "";
  const facts = [
    [gettext("Owner"), owner() || blank()],
    [gettext("Ball"), values("ball.name") || blank()],
    [gettext("Serial"), values("ball.serial") || blank()],
    [gettext("Day"), day || blank()],
    ...form.beside().map(([, title, value]) => [title, value]),
    ...(ball ? [[gettext("Drilled by"), blank()]] : []),
  ];
  return [
    element(
      "header",
      element("h2", ball ? gettext("Drilling sheet") : gettext("Check of a ball")),
      element(
        "p.sheet-verdict",
        current ? verdict(current.answer) : gettext("No verdict: what is typed was not judged."),
      ),
    ),
    element("dl.sheet-facts", facts.map(entry)),
    current ? element("dl.sheet-facts", figures(current.answer)) : null,
    element(
      "div.sheet-body",
      element(
        "div",
        SECTIONS.map((key) => section(form, key)),
        holes(form, current?.answer),
      ),
      ball && current ? picture(ball) : null,
    ),
    ball ? steps() : null,
    current ? findings(current.answer) : null,
    current ? cautions(current.answer) : null,
    element("p", gettext("Advice from the numbers above. Only the governing body decides and approves.")),
  ].filter(Boolean);
}

const part = (title, ...inner) => element("section", element("h3", title), ...inner);
const blank = () => element("span.blank");
/** @param {any[]} fact */
const entry = ([name, value]) => element("div", element("dt", name), element("dd", value));

function verdict(answer) {
  const { body, on, stage } = answer.rules;
  const word = stage === "play" ? gettext("play") : gettext("approval");
  return `${sign(answer.outcome)} ${outcomeWord(answer.outcome)} · ${body.toUpperCase()}, ${word}, ${on}`;
}

/** What stands in a field, with its unit where none was typed; empty where nothing does. */
function typed(input) {
  if (
    !input?.value ||
    (input.dataset.control === "flag" && input.checked === (input.dataset.default === "true"))
  )
    return "";
  if (input.dataset.control === "flag") return input.checked ? gettext("yes") : gettext("no");
  if (input.tagName === "SELECT") return input.selectedOptions[0].textContent;
  const unit = units.metric ? input.dataset.metric : input.dataset.unit;
  return unit && !/[\p{L}°"″]/u.test(input.value) ? `${input.value} ${unit}` : input.value;
}

function section(form, key) {
  const box = form.form.querySelector(`[data-section="${key}"]`);
  const inputs = box ? [...box.querySelectorAll("[data-control]")] : [];
  const facts = inputs
    .filter((input) => !/ball\.(name|serial)$/.test(input.name))
    .map((input) => [form.titleOf(input.name), typed(input)])
    .filter(([, value]) => value);
  if (!facts.length) return null;
  return part(box.querySelector("legend").textContent, element("dl.sheet-facts", facts.map(entry)));
}

/** One row a hole, in the order they stand in the form: the order they are drilled in. */
function holes(form, answer) {
  const found = form.holes ? [...form.holes.children] : [];
  if (!found.length) return null;
  const title = (name) =>
    found[0].querySelector(`[name$=".${name}"]`).labels[0].firstChild.textContent.trim();
  const used = HOLE_FIELDS.filter((name) =>
    found.some((hole) => typed(hole.querySelector(`[name$=".${name}"]`))),
  );
  const weights = answer?.derived.holes ?? [];
  const rows = found.map((hole, index) => [
    hole.querySelector(".hole-name").textContent,
    ...used.map((name) => typed(hole.querySelector(`[name$=".${name}"]`)) || "–"),
    ...(weights.length ? [gauged(weights[index]?.net_weight, "oz")] : []),
  ]);
  const heads = [gettext("hole"), ...used.map(title), ...(weights.length ? [gettext("weight")] : [])];
  return part(
    gettext("Holes"),
    table(
      gettext(
        "Pitches: forward is toward the grip center, lateral to " +
          "the bowler's right; a minus is reverse, left.",
      ),
      heads,
      rows,
    ),
  );
}

function picture(ball) {
  const drawn = ball.root.cloneNode(true);
  for (const each of [drawn, ...drawn.querySelectorAll("[id], [tabindex]")]) {
    each.removeAttribute("id");
    each.removeAttribute("tabindex");
  }
  return drawn;
}

/** The order in which a ball is drilled: common practice, no source. */
function steps() {
  const texts = [
    gettext("Weigh the ball, and read top, side and finger weight undrilled."),
    gettext(
      "Mark the axis point, the pin's place and the grip center by the layout; check the arcs with the tape.",
    ),
    gettext("Mark center line and spans, and each hole's center."),
    gettext("Set the pitches, drill to the depths, one hole after the other; bevel the edges."),
    gettext("Read the balance again, and compare it with what was predicted here."),
  ];
  return part(
    gettext("In this order"),
    element(
      "ol.sheet-steps",
      texts.map((text) => element("li", element("span.tick-box"), text)),
    ),
  );
}

function findings(answer) {
  return part(
    gettext("Findings"),
    element(
      "ul.sheet-findings",
      worstFirst(answer.findings).map((each) => element("li", foundInWords(each))),
    ),
  );
}

function foundInWords({ outcome, title, value, margin, unit }) {
  const parts = [`${sign(outcome)} ${gettext(title)}: ${outcomeWord(outcome)}`];
  if (value !== null) parts.push(`, ${gauged(value, unit)}`);
  if (margin !== null) parts.push(` (${gauged(margin, unit, { signed: true })})`);
  return parts.join("");
}

const cautions = (answer) => part(gettext("Cautions"), list(answer.cautions.map((each) => each.message)));
