// Translated texts, and numbers as people read them.

const known = JSON.parse(document.getElementById("words").textContent);

/** Give the page's language of `text`, with {name} replaced by `values.name`. */
export function gettext(text, values = {}) {
  return (known[text] ?? text).replace(/\{(\w+)\}/g, (whole, name) => values[name] ?? whole);
}

const METRIC = JSON.parse(document.getElementById("metric").textContent);

export const units = { metric: false };

/** Give `value` in the unit shown, and that unit's name. */
export function shownIn(value, unit) {
  const other = units.metric ? METRIC[unit] : undefined;
  return other ? [value * other[1], other[0]] : [value, unit === "1" || !unit ? "" : unit];
}

const MARK = new Intl.NumberFormat(document.documentElement.lang)
  .formatToParts(1.5)
  .find((part) => part.type === "decimal").value;

// Decimals that the trade's gauges give (common practice, no source); of other units MOST are shown.
const GAUGE = { lb: 2, kg: 3, oz: 2, g: 1, in: 3, mm: 2, ft: 1, "°": 1, "°/ft": 2, mph: 1, s: 2, mL: 1 };
const MOST = 4;

/** The decimals by which a gauge of this unit tells values apart, of a value in the unit shown. */
export const digitsOf = (unit) => GAUGE[shownIn(1, unit)[1]] ?? MOST;

/**
 * Write a number with at most `digits` decimals, a real minus sign and the language's decimal mark; one that
 * they would make 0 has more.
 */
export function plain(value, digits = MOST) {
  if (value === null || value === undefined) return "–";
  const tiny = value !== 0 && Math.abs(value) < 0.5 * 10 ** -digits;
  if (tiny && digits < MOST) return plain(value, MOST);
  const text = tiny ? value.toExponential(1) : value.toFixed(digits).replace(/\.0+$|(\.\d*?)0+$/, "$1");
  return text.replace("-", "−").replace(".", MARK);
}

/** Write a value of the interface in the unit shown, with at most `digits` decimals; between days, days. */
export function quantity(value, unit, { signed = false, bare = false, digits = MOST } = {}) {
  if (value === null || value === undefined) return "–";
  if (unit === "date" && signed) return quantity(value, "d", { signed, bare, digits });
  if (unit === "date") return new Date(value * 86400000).toISOString().slice(0, 10);
  const [number, name] = shownIn(value, unit);
  const text = (signed && number > 0 ? "+" : "") + plain(number, digits);
  return name && !bare ? `${text} ${name}` : text;
}

/** Write a value with the decimals of its gauge. */
export const gauged = (value, unit, options = {}) =>
  quantity(value, unit, { digits: digitsOf(unit), ...options });

const SIGNS = {
  conforming: "✓",
  nonconforming: "✕",
  inconclusive: "?",
  not_assessed: "–",
  genuine: "✓",
  altered: "✕",
  unknown_key: "?",
  refused: "!",
  waiting: "…",
  unweighed: "…",
};

export const WORST_FIRST = ["nonconforming", "inconclusive", "not_assessed", "conforming"];

/** Give the sign of an outcome, which says without color what the color says. */
export const sign = (outcome) => SIGNS[outcome] ?? "";

export function outcomeWord(outcome) {
  return (
    {
      conforming: gettext("conforming"),
      nonconforming: gettext("nonconforming"),
      inconclusive: gettext("inconclusive"),
      not_assessed: gettext("not assessed"),
    }[outcome] ?? outcome
  );
}
