// A quantity between a field and a request: what was typed, what is asked for, what is drawn.

import { numberOf, plainNumber } from "./numbers.js";
import { units } from "./words.js";

const FRACTION = /^([-+])?(?:(\d+)[ -]+)?(\d+)\/(\d+)$/;
const TEXT = /^([-+]?(?:\d+\.?\d*|\.\d+|(?:\d+[ -]+)?\d+\/\d+))\s*(\D*)$/;
const DIGITS = 7;

/** Units that a picture can read, in the unit that a bare number has. */
const SIZES = {
  in: { in: 1, inch: 1, inches: 1, '"': 1, mm: 1 / 25.4, cm: 1 / 2.54, m: 1 / 0.0254 },
  "g/mL": { "g/mL": 1, "g/ml": 1, "g/cm3": 1, "g/cm³": 1, "kg/m3": 1e-3, "kg/m³": 1e-3 },
  deg: { deg: 1, "°": 1, rad: 180 / Math.PI },
};

/** The value of a request for a typed text: a bare number is in the unit shown, all else goes as it is. */
export function typed(text, spec) {
  const value = plainNumber(text);
  if (value === "") return undefined;
  const metric = units.metric && spec.metric && spec.metric !== spec.unit;
  const number = numberOf(value);
  if (number !== null) return metric ? `${number} ${spec.metric}` : number;
  if (FRACTION.test(value)) {
    if (metric) return `${value} ${spec.metric}`;
    return spec.unit ? `${value} ${spec.unit}` : value;
  }
  return value;
}

/** The text of a request's value: a bare number in the unit shown, a text as it was typed. */
export function shown(value, spec) {
  if (value === undefined || value === null) return "";
  if (typeof value === "object") {
    const spread = value.uncertainty === undefined ? "" : ` ± ${value.uncertainty}`;
    return `${value.value ?? ""}${spread}${value.unit ? ` ${value.unit}` : ""}`;
  }
  if (typeof value !== "number") return String(value);
  if (!units.metric || !spec.metric || spec.metric === spec.unit) return String(value);
  return String(Number((value * (spec.metric_size ?? 1)).toPrecision(DIGITS)));
}

/** A request's value as a number in `unit`, such as "in"; NaN where a picture cannot read it. */
export function amount(value, unit, fallback = Number.NaN) {
  if (value === undefined || value === null) return fallback;
  if (typeof value === "number") return value;
  const sizes = SIZES[unit] ?? { [unit]: 1 };
  if (typeof value === "object") return Number(value.value) * (sizes[value.unit ?? unit] ?? Number.NaN);
  const [, number, name] = TEXT.exec(plainNumber(String(value))) ?? [];
  if (number === undefined) return Number.NaN;
  return sizeOf(number) * (sizes[name.trim() || unit] ?? Number.NaN);
}

function sizeOf(text) {
  const fraction = FRACTION.exec(text);
  if (!fraction) return Number(text);
  const [, sign, whole, over, under] = fraction;
  return (sign === "-" ? -1 : 1) * (Number(whole ?? 0) + Number(over) / Number(under));
}

/** A length [in] as a request's value, on the grid of the units shown: 0.01 in or 0.1 mm. */
export function onGrid(length) {
  return units.metric ? `${Number((length * 25.4).toFixed(1))} mm` : Number(length.toFixed(2));
}
