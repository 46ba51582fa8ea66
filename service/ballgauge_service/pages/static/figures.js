// What leads on a page of a drilling: the worst margin and the balance beside the outcome; the rest folds.

import { element } from "./elements.js";
import { uncertain } from "./results.js";
import { gettext, plain, shownIn, WORST_FIRST } from "./words.js";

const open = new Set();
const NO_BREAK = "\u00a0";

/** The worst margin and the balance, as list entries beside the verdict. */
export function figures(answer) {
  const worst = worstOf(answer.findings);
  const { measured, predicted } = answer.derived.balance ?? {};
  const ways = [
    ["top", gettext("top")],
    ["side", gettext("side")],
    ["finger", gettext("finger")],
  ];
  const readings = ways
    .map(([way, word]) => [word, (measured?.[way] ?? null) === null ? predicted : measured, way])
    .filter(([, found, way]) => (found?.[way] ?? null) !== null)
    .map(([word, found, way]) => [
      word,
      uncertain(found[way], found.uncertainty?.[way], "oz", { signed: true, bare: true }),
    ]);
  const said = readings.map((each) => each.join(" ").replaceAll(" ", NO_BREAK)).join(" · ");
  return [
    worst &&
      figure(gettext("Worst margin"), amount(worst.margin, worst.unit), gettext(worst.title), worst.outcome),
    readings.length > 0 &&
      figure(
        gettext("Balance"),
        `${said} ${shownIn(1, "oz")[1]}`,
        measured ? gettext("measured, else predicted") : gettext("predicted"),
        "",
      ),
  ].filter(Boolean);
}

/** A value with its sign and the digits that can be read at a glance. */
function amount(value, unit) {
  const [number, name] = shownIn(value, unit === "date" ? "d" : unit);
  return `${number > 0 ? "+" : ""}${plain(Number(number.toPrecision(3)))} ${name}`.trim();
}

/**
 * The finding that is nearest to its limit, or farthest beyond it, as a share of what is allowed (ours). A
 * count that is right has no margin worth a word.
 */
function worstOf(findings) {
  const isCount = ({ unit }) => !unit || unit === "1" || unit === "date";
  const known = findings.filter(
    (each) =>
      !each.advisory &&
      each.margin !== null &&
      each.outcome !== "not_assessed" &&
      !(isCount(each) && each.outcome === "conforming"),
  );
  const share = ({ margin, limit }) =>
    margin /
    (limit.min !== null && limit.max !== null
      ? limit.max - limit.min
      : Math.abs(limit.max ?? limit.min) || 1);
  const rank = (each) => WORST_FIRST.indexOf(each.outcome);
  return known.filter((each) => each.limit).sort((a, b) => rank(a) - rank(b) || share(a) - share(b))[0];
}

function figure(title, value, told, outcome) {
  return element(
    "div.figure",
    { "data-outcome": outcome || null },
    element("dt", title),
    element("dd", element("span.figure-value", value), element("span.quiet", ` ${told}`)),
  );
}

/**
 * Fold the cards of the results, but what mends the ball; `more` cards come first. What was opened stays
 * open.
 */
export function fold(box, more) {
  const remedies = box.querySelector(".remedies")?.closest(".card");
  if (remedies) box.prepend(remedies);
  for (const card of [...more.filter(Boolean), ...box.querySelectorAll(".card")]) {
    if (card === remedies) continue;
    const title = card.querySelector("h2");
    const details = element(
      "details.card",
      { open: open.has(title.textContent) },
      element("summary", title),
      ...[...card.childNodes].filter((node) => node !== title),
    );
    details.addEventListener("toggle", () =>
      details.open ? open.add(title.textContent) : open.delete(title.textContent),
    );
    if (card.isConnected) card.replaceWith(details);
    else box.append(details);
  }
}
