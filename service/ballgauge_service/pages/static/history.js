// What was done to a value, to be undone and done again. Values are never changed, only replaced.

const MOST = 200;

export class History {
  /** `text(value)` writes a value; values written alike are the same. */
  constructor(value, text = JSON.stringify) {
    this.text = text;
    this.reset(value);
  }

  /** Begin anew. */
  reset(value) {
    this.values = [value];
    this.at = 0;
    this.key = null;
  }

  get now() {
    return this.values[this.at];
  }

  isNow(value) {
    return this.text(value) === this.text(this.now);
  }

  get canUndo() {
    return this.at > 0;
  }

  get canRedo() {
    return this.at < this.values.length - 1;
  }

  /**
   * Put a new value; one with the key of the last, such as the same field's, takes its place. One that
   * changes nothing is no step, so that every step undone shows another value.
   */
  put(value, key = null) {
    if (this.isNow(value)) return;
    if (key !== null && key === this.key && this.canUndo) this.at -= 1;
    if (this.isNow(value)) {
      this.values.length = this.at + 1;
      this.key = null;
      return;
    }
    this.values = [...this.values.slice(0, this.at + 1), value].slice(-MOST);
    this.at = this.values.length - 1;
    this.key = key;
  }

  /** The next value begins a step of its own. */
  close() {
    this.key = null;
  }

  /** Go one step back (-1) or forth (1); false at the ends. */
  step(way) {
    if (way < 0 ? !this.canUndo : !this.canRedo) return false;
    this.at += way;
    this.key = null;
    return true;
  }
}

const isPlace = (key) => typeof key === "number";

/** The value at a path, undefined where there is none. */
export const found = (value, path) => path.reduce((inner, key) => inner?.[key], value);

/** A list without what stands at a place. */
export const except = (list, at) => list.filter((_, index) => index !== at);

/** A list; undefined, which takes it out of a request, where it is empty. */
export const some = (list) => (list.length ? list : undefined);

/** A copy with another value at a path; undefined takes a member out. A missing triple begins at zeros. */
export function replaced(value, path, now) {
  const [key, ...rest] = path;
  if (key === undefined) return now;
  const holder = typeof value === "object" && value !== null ? value : isPlace(key) ? [0, 0, 0] : {};
  const inner = replaced(holder[key], rest, now);
  const copy = Array.isArray(holder) ? [...holder] : { ...holder };
  if (inner === undefined && isPlace(key)) copy[key] = 0;
  else if (inner === undefined) delete copy[key];
  else copy[key] = inner;
  return copy;
}
