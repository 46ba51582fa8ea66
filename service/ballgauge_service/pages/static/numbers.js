// Numbers as people type them.

const NUMBER = /^[-+]?(\d+\.?\d*|\.\d+)$/;
export const HAS_UNIT = /[\p{L}#°%"″]/u;
// Ends in a sign, in a whole number that a fraction follows, or in the first letter of a unit.
const UNFINISHED = /([/⁄.,±+\-−–\s]|\d[ -]+\d+|[\d\s](?![gsD])\p{L})$/u;
const FULL_WIDTH = /[！-～\u3000]/gu;

/** A typed text as a western keyboard has it: nothing about it, no full-width letters or digits. */
export const plainText = (text) => text.replaceAll(FULL_WIDTH, (each) => each.normalize("NFKC")).trim();

/** The same with a number's own minus sign and decimal mark. */
export const plainNumber = (text) =>
  plainText(text)
    .replaceAll("−", "-")
    .replace(/^([-+]?\d*),(\d+)/, "$1.$2");

/** The number that a typed text is; null where it is anything else. */
export function numberOf(text) {
  const plain = plainNumber(text);
  return NUMBER.test(plain) ? Number(plain) : null;
}

/** A typed number as it is sent: what is none goes as it was typed, to be refused by name. */
export const numberOrText = (text) => numberOf(text) ?? text;

/** Whether a text may be the beginning of a quantity, such as `2 1/` or `-`. */
export const isUnfinished = (text) => UNFINISHED.test(text.trimStart());
