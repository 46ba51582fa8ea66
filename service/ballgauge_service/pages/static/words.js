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

const MARK = new Intl.NumberFormat(document.documentElement.lang).formatToParts(1.5).find((part) => part.type === "decimal").value;

/** Write a number with at most `digits` decimals, a real minus sign and the language's decimal mark. */
export function plain(value, digits = 4) {
  if (value === null || value === undefined) return "–";
  const tiny = value !== 0 && Math.abs(value) < 0.5 * 10 ** -digits;
  const text = tiny ? value.toExponential(1) : value.toFixed(digits).replace(/\.?0+$/, "");
  return text.replace("-", "−").replace(".", MARK);
}

/** Write a value of the interface in the unit shown. */
export function quantity(value, unit, { signed = false, bare = false } = {}) {
  if (value === null || value === undefined) return "–";
  if (unit === "date") return new Date(value * 86400000).toISOString().slice(0, 10);
  const [number, name] = shownIn(value, unit);
  const text = (signed && number > 0 ? "+" : "") + plain(number);
  return name && !bare ? `${text} ${name}` : text;
}

const SIGNS = {
  conforming: "✓", nonconforming: "✕", inconclusive: "?", not_assessed: "–",
  genuine: "✓", altered: "✕", unknown_key: "?", refused: "!", waiting: "…", unweighed: "…",
};

export const WORST_FIRST = ["nonconforming", "inconclusive", "not_assessed", "conforming"];

/** Give the sign of an outcome, which says without color what the color says. */
export const sign = (outcome) => SIGNS[outcome] ?? "";

export function outcomeWord(outcome) {
  return {
    conforming: gettext("conforming"), nonconforming: gettext("nonconforming"),
    inconclusive: gettext("inconclusive"), not_assessed: gettext("not assessed"),
  }[outcome] ?? outcome;
}
