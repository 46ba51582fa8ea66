// An answer of the service on the page: verdict, findings, numbers, cautions.

import { action, card, element, list, table } from "./elements.js";
import { clashes, names as roleNames } from "./roles.js";
import { scale } from "./scale.js";
import {
  digitsOf,
  gauged,
  gettext,
  outcomeWord,
  plain,
  quantity,
  shownIn,
  sign,
  WORST_FIRST,
} from "./words.js";

const FINEST = 6;

/** Show the verdict on top: the word, its sign, what it rests on. */
export function showVerdict(box, answer) {
  const binding = answer.findings.filter((each) => !each.advisory);
  const counts = WORST_FIRST.map((outcome) => [
    outcome,
    binding.filter((each) => each.outcome === outcome).length,
  ]);
  const parts = counts
    .filter(([, count]) => count)
    .map(([outcome, count]) => `${count} ${outcomeWord(outcome)}`);
  if (binding.length < answer.findings.length)
    parts.push(gettext("{count} advice only", { count: answer.findings.length - binding.length }));
  const { body, on, stage, overlay } = answer.rules;
  const word = stage === "play" ? gettext("play") : gettext("approval");
  const against = clashes(answer.derived?.holes);
  const key = JSON.stringify([answer.outcome, parts, answer.rules, against]);
  // A screen reader need not hear it again.
  if (box.dataset.key === key && box.dataset.stale !== "true") return;
  box.dataset.key = key;
  box.dataset.stale = "false";
  box.dataset.outcome = answer.outcome;
  box.replaceChildren(
    element(
      "p.verdict-word",
      element("span.sign", { "aria-hidden": "true" }, sign(answer.outcome)),
      outcomeWord(answer.outcome),
    ),
    ...against.map((text) => element("p.clash", text)),
    element("p.verdict-counts", parts.join(" · ")),
    element(
      "p.quiet",
      gettext("By the rules of {body}, {stage}, in force on {on}. Advice, not an approval.", {
        body: [body.toUpperCase(), overlay && overlayTitle(overlay)].filter(Boolean).join(", "),
        stage: word,
        on,
      }),
    ),
  );
}

/** The title of an overlay, where the form has one to choose from. */
const overlayTitle = (name) =>
  document.getElementById("rules.overlay")?.querySelector(`[value="${CSS.escape(name)}"]`)?.textContent ??
  name;

export function findings(answer) {
  const ordered = worstFirst(answer.findings);
  return card(gettext("Findings"), element("ol.findings", ordered.map(finding)));
}

/** Findings, what decides before what is advice only, and the worst of each first. */
export function worstFirst(all) {
  const rank = ({ advisory, outcome }) => (advisory ? WORST_FIRST.length : 0) + WORST_FIRST.indexOf(outcome);
  return [...all].sort((a, b) => rank(a) - rank(b));
}

function finding(each) {
  return element(
    "li.finding",
    { "data-outcome": each.outcome, "data-rule": each.rule, "data-margin": each.margin },
    element(
      "div.finding-head",
      element("span.sign", { "aria-hidden": "true" }, sign(each.outcome)),
      element("span.finding-title", gettext(each.title)),
      element("span.finding-word", outcomeWord(each.outcome)),
      element("span.finding-value", { "data-value": each.value }, shownValue(each)),
    ),
    scale(each),
    element(
      "details.why",
      element("summary.finding-line", line(each)),
      element("p", each.message),
      element("p.quiet", { lang: "en" }, [each.clause, each.source].filter(Boolean).join(", ")),
    ),
  );
}

/** Limits, margin and probability in one line; it unfolds to the reason and the source. */
function line(each) {
  const { min = null, max = null } = each.limit ?? {};
  return [
    boundsText(min, max, each.unit),
    each.margin !== null &&
      gettext("margin {margin}", { margin: gauged(each.margin, each.unit, { signed: true }) }),
    each.probability !== null &&
      gettext("probability of conformity {percent} %", { percent: percent(each.probability) }),
    each.advisory && gettext("advice only"),
  ]
    .filter(Boolean)
    .join(" · ");
}

function percent(probability) {
  if (probability < 0.0005) return `< ${plain(0.1)}`;
  return probability > 0.9995 ? `> ${plain(99.9)}` : plain(100 * probability, 1);
}

/**
 * A value with decimals that suit it: two figures of its uncertainty, or its gauge's; more beside a limit
 * that is not it.
 */
function shownValue(each) {
  const { value, unit, uncertainty } = each;
  let digits = uncertainty ? digitsBy(uncertainty, unit) : digitsOf(unit);
  const limits = [each.limit?.min, each.limit?.max].filter(
    (limit) => typeof limit === "number" && limit !== value,
  );
  const looksLike = (limit) => quantity(limit, unit, { digits }) === quantity(value, unit, { digits });
  while (digits < FINEST && value !== null && limits.some(looksLike)) digits += 1;
  const text = quantity(value, unit, { digits, bare: uncertainty !== null });
  return uncertainty === null ? text : `${text} ± ${quantity(uncertainty, unit, { digits })}`;
}

/** The decimals of an uncertainty's two first figures. */
const digitsBy = (uncertainty, unit) =>
  Math.max(0, Math.min(FINEST, 1 - Math.floor(Math.log10(shownIn(uncertainty, unit)[0]))));

/** A number with its standard uncertainty, where there is one, and the decimals that it leaves. */
export function uncertain(value, uncertainty, unit, { signed = false, bare = false } = {}) {
  if (value === null || !uncertainty) return gauged(value, unit, { signed, bare });
  const digits = digitsBy(uncertainty, unit);
  const text = quantity(value, unit, { signed, digits, bare: true });
  return `${text} ± ${quantity(uncertainty, unit, { digits, bare })}`;
}

/** How much of the uncertainties beside the numbers is that of box numbers. */
const modelled = (found) =>
  found?.model_uncertainty
    ? element(
        "p.quiet",
        gettext(
          "± is the standard uncertainty; most of it may be that box numbers do not tell what is inside.",
        ),
      )
    : null;

/** Limits in words. */
export function boundsText(min, max, unit) {
  // A limit is a number of the rules: it is whole in the unit they give it in.
  const shown = (limit, bare = false) =>
    quantity(limit, unit, { bare, digits: shownIn(1, unit)[0] === 1 ? FINEST : digitsOf(unit) });
  if (min !== null && max !== null)
    return gettext("from {min} to {max}", { min: shown(min, true), max: shown(max) });
  if (min !== null) return gettext("at least {min}", { min: shown(min) });
  if (max !== null) return gettext("at most {max}", { max: shown(max) });
  return gettext("no limit known");
}

/** Cards of everything computed that is not a finding. */
export function numbers(answer) {
  const { derived } = answer;
  return [
    balance(derived.balance),
    drilled(derived.drilled),
    layout(derived.layout),
    holes(derived.holes),
    made(derived.ball, answer.units),
  ].filter(Boolean);
}

const ROWS = ["predicted", "measured", "half_differences"];

export function balance(found) {
  const rows = ROWS.filter((name) => found?.[name]);
  if (!rows.length) return null;
  const words = {
    predicted: gettext("predicted"),
    measured: gettext("measured"),
    half_differences: gettext("half against half"),
  };
  const cells = rows.map((name) => [
    words[name],
    ...["top", "side", "finger"].map((way) =>
      uncertain(found[name][way], found[name].uncertainty?.[way], "oz", { signed: true }),
    ),
  ]);
  const told = [];
  if (found.arm !== null) {
    const arm = gauged(found.arm, "in");
    told.push(
      found.arm_given
        ? gettext("Arm of the balance {arm}, as given.", { arm })
        : gettext("Arm of the balance {arm}, assumed.", { arm }),
    );
  }
  if (found.largest_imbalance !== null)
    told.push(
      gettext("Largest imbalance in any direction {value}.", {
        value: gauged(found.largest_imbalance, "oz"),
      }),
    );
  return card(
    gettext("Balance"),
    table(
      gettext("Readings"),
      [gettext("reading"), gettext("top"), gettext("side"), gettext("finger")],
      cells,
    ),
    modelled(found.predicted),
    element("p.quiet", told.join(" ")),
  );
}

function drilled(found) {
  if (!found || found.weight === null) return null;
  const names = [
    ["weight", "lb", gettext("weight")],
    ["rg", "in", gettext("RG, low axis")],
    ["rg_intermediate", "in", gettext("RG, intermediate axis")],
    ["rg_high", "in", gettext("RG, high axis")],
    ["differential", "in", gettext("differential")],
    ["intermediate_differential", "in", gettext("intermediate differential")],
    ["asymmetry_ratio", "1", gettext("asymmetry ratio")],
  ];
  const rows = names
    .filter(([name]) => found[name] !== null && found[name] !== undefined)
    .map(([name, unit, word]) => [
      word,
      uncertain(found[name], found.uncertainty?.[name], unit),
      gauged(found.change?.[name], name === "weight" ? "oz" : unit, { signed: true }),
    ]);
  return card(
    gettext("Drilled ball"),
    table(gettext("After drilling"), [gettext("quantity"), gettext("drilled"), gettext("change")], rows),
    modelled(found),
  );
}

function layout(found) {
  if (!found) return null;
  const names = [
    ["pin_to_pap", gettext("pin to PAP")],
    ["pap_to_psa", gettext("PAP to PSA")],
    ["pin_to_psa", gettext("pin to PSA")],
    ["pin_to_val", gettext("pin to VAL")],
    ["pin_to_grip_centre", gettext("pin to grip center")],
  ];
  const rows = names
    .filter(([name]) => found[name] !== null)
    .map(([name, word]) => [word, gauged(found[name], "in")]);
  if (found.flare_potential !== null)
    rows.push([gettext("flare potential, 0 to 1"), gauged(found.flare_potential, "1")]);
  return rows.length
    ? card(
        gettext("Layout on the ball"),
        table(gettext("Arcs"), [gettext("arc"), gettext("length")], rows),
        otherWays(found),
      )
    : null;
}

/** The same layout by angles and by the places of its marks, folded. */
function otherWays(found) {
  const angles = [
    ["drilling_angle", gettext("drilling angle")],
    ["val_angle", gettext("VAL angle")],
  ].map(([name, word]) => [word, found[name] === null ? null : gauged(found[name], "°")]);
  const sides = { true: gettext("below"), false: gettext("above") };
  const places = [
    ["pap", gettext("place of the PAP")],
    ["pin", gettext("place of the pin")],
    ["psa", gettext("place of the PSA")],
    ["cg_mark", gettext("place of the CG mark")],
  ].map(([name, word]) => [word, found[name] && placed(found[name])]);
  const arcs = [
    [gettext("pin to CG"), found.pin_to_cg === null ? null : gauged(found.pin_to_cg, "in")],
    [gettext("pin above or below the PAP"), sides[found.pin_below] ?? null],
  ];
  const rows = [...angles, ...arcs, ...places].filter(([, text]) => text !== null);
  if (!rows.length) return null;
  return element(
    "details.more",
    { id: "other-ways" },
    element("summary", gettext("The same layout in other ways")),
    table(gettext("Angles and places"), [gettext("quantity"), gettext("value")], rows),
    element("p.quiet", gettext("Places are arcs from the grip center: to the bowler's right, and up.")),
  );
}

const placed = ({ right, up }) =>
  `${gauged(right, "in", { signed: true, bare: true })}; ${gauged(up, "in", { signed: true })}`;

function holes(found) {
  if (!found?.length) return null;
  const named = roleNames(found.map((hole) => hole.role));
  const rows = found.map((hole, index) => [
    named[index],
    gauged(hole.volume, "in³"),
    gauged(hole.net_weight, "oz"),
    gauged(hole.bottom_to_centre, "in"),
  ]);
  return card(
    gettext("Holes, one by one"),
    table(
      gettext("What each hole takes"),
      [gettext("hole"), gettext("volume"), gettext("weight"), gettext("bottom to center")],
      rows,
    ),
  );
}

function made(found, units) {
  if (!found) return null;
  const words = {
    mean_density: gettext("mean density"),
    asymmetry_ratio: gettext("asymmetry ratio"),
    rg_intermediate: gettext("RG, intermediate axis"),
    rg_high: gettext("RG, high axis"),
    inner_density: gettext("inner density"),
  };
  const rows = Object.entries(words)
    .filter(([name]) => typeof found[name] === "number")
    .map(([name, word]) => [word, gauged(found[name], units[name])]);
  return rows.length
    ? card(
        gettext("Ball as made"),
        table(gettext("Before drilling"), [gettext("quantity"), gettext("value")], rows),
      )
    : null;
}

export function remedies(answer, take) {
  const found = answer.derived.remedies ?? [];
  if (!found.length) return null;
  return card(
    gettext("How to fix it"),
    element(
      "ul.remedies",
      found.map((each) =>
        element(
          "li",
          element("p", each.message),
          take && (each.holes?.length || each.layout)
            ? action(each.layout ? gettext("Shift the grip") : gettext("Use these depths"), () => take(each))
            : null,
        ),
      ),
    ),
  );
}

/** Cautions, what is missing and what is assumed; `title(pointer)` is a field's name, `go` goes there. */
export function notes(answer, { title, go }) {
  const made = [];
  const rules = Object.fromEntries(answer.findings.map((each) => [each.rule, gettext(each.title)]));
  if (answer.cautions.length)
    made.push(card(gettext("Cautions"), list(answer.cautions.map((each) => each.message))));
  if (answer.missing.length) {
    made.push(
      card(
        gettext("What is missing"),
        element(
          "ul",
          answer.missing.map((each) =>
            element(
              "li",
              action(title(each.field), () => go(each.field), { class: "link" }),
              ` ${each.needed_for.map((rule) => rules[rule] ?? rule.replaceAll("_", " ")).join(", ")}`,
            ),
          ),
        ),
      ),
    );
  }
  if (answer.assumptions.length) made.push(card(gettext("Assumptions"), list(answer.assumptions)));
  return made;
}
