// The desk's list: one entry a ball, each kept under a key of its own, so that no tab overwrites another's.

import { ofBrowser } from "./store.js";

const PREFIX = "ballgauge.desk/";
const FORMER = "ballgauge.desk";
const FORMATS = ["ballgauge-desk-1", "ballgauge-desk-2"];
const MOST = 5000;
const RECORD = /^[\w-]+\.[\w-]+\.[\w-]+$/;
const UNDONE = 20;

/** Serials that differ in case or blanks alone are one. */
export const sameSerial = (serial) => (serial ?? "").replaceAll(/\s/g, "").toUpperCase();

/** Whether a ball has what no judgment does without. */
export const isWeighed = ({ request: { ball } }) => (ball.drilled_weight ?? ball.weight) !== undefined;

export class List {
  /**
   * `changed` is called after each change, in this tab or another; `failed` where the browser keeps nothing.
   */
  constructor(changed, failed) {
    this.changed = changed;
    this.failed = failed;
    this.held = new Map();
    this.former = [];
    this.last = 0;
    this.keepsNothing = false;
    this.read();
    window.addEventListener("storage", ({ key, newValue }) => {
      if (key === null) this.read();
      else if (key.startsWith(PREFIX)) this.take(key.slice(PREFIX.length), parsed(newValue));
      else return;
      this.changed();
    });
    window.addEventListener("pageshow", ({ persisted }) => {
      if (!persisted) return;
      this.read();
      this.changed();
    });
  }

  /** Every ball in the order of entry. */
  get entries() {
    return [...this.held.values()].sort((a, b) => a.at - b.at || a.id.localeCompare(b.id));
  }

  get(id) {
    return this.held.get(id);
  }

  /** Balls that can be judged and have neither an answer nor a refusal. */
  get waiting() {
    return this.entries.filter((each) => !each.answer && !each.refused && isWeighed(each));
  }

  /** Whether another ball of the list has this one's serial, and nobody has said that both are right. */
  doubles(entry) {
    const serial = sameSerial(entry.request.ball.serial);
    if (!serial || entry.settled) return [];
    return this.entries.filter(
      (each) => each.id !== entry.id && sameSerial(each.request.ball.serial) === serial,
    );
  }

  add({ player, request, typed, metric }) {
    const id = newId();
    this.put([[id, { id, at: this.now(), player, request, typed, metric, answer: null, refused: null }]]);
    return id;
  }

  /** A time later than that of every ball before. */
  now() {
    this.last = Math.max(Date.now(), this.last + 1);
    return this.last;
  }

  /** Change entries, [id, entry or null] each, as one step that `undo` takes back. */
  change(changes) {
    this.former.push(changes.map(([id]) => [id, this.held.get(id) ?? null]));
    if (this.former.length > UNDONE) this.former.shift();
    this.put(changes);
  }

  /** Write what a service answered, unless the ball was changed or removed meanwhile, in any tab. */
  answer(entry, found) {
    const held = this.held.get(entry.id);
    const now = this.keepsNothing ? held : ofBrowser.parsed(PREFIX + entry.id);
    if (!held || !now || told(now) !== told(entry)) return;
    this.put([[entry.id, { ...now, ...found }]]);
  }

  /**
   * Take the last step back; gives how many balls it touched. A verdict that has come meanwhile is asked
   * anew.
   */
  undo() {
    const step = this.former.pop() ?? [];
    this.put(step);
    return step.length;
  }

  put(changes) {
    for (const [id, entry] of changes) {
      this.take(id, entry);
      const name = PREFIX + id;
      const isKept = entry ? ofBrowser.write(name, JSON.stringify(entry)) : ofBrowser.forget(name);
      if (!isKept) {
        this.keepsNothing = true;
        this.failed();
      }
    }
    this.changed();
  }

  take(id, entry) {
    if (!entry) this.held.delete(id);
    else if (isEntry(entry)) {
      this.held.set(id, entry);
      this.last = Math.max(this.last, entry.at);
    }
  }

  read() {
    this.held.clear();
    const former = ofBrowser.parsed(FORMER);
    if (former) {
      this.put(this.changesOf(former) ?? []);
      ofBrowser.forget(FORMER);
    }
    for (const id of ofBrowser.names(PREFIX)) this.take(id, ofBrowser.parsed(PREFIX + id));
  }

  /** The list as a file. */
  get file() {
    return { format: FORMATS[1], entries: this.entries };
  }

  /**
   * What a file adds, as changes; null where it is no list of this page. A ball that is here already is not
   * added again; one that differs from the same ball here counts as a ball of its own. No verdict is taken
   * from a file: each ball is judged anew.
   */
  changesOf(file) {
    const isList =
      FORMATS.includes(file?.format) && Array.isArray(file.entries) && file.entries.length <= MOST;
    if (!isList || !file.entries.every(isEntry)) return null;
    const here = new Set(this.entries.map(told));
    return file.entries
      .filter((each) => !here.has(told(each)))
      .map((each) => {
        const at = typeof each.at === "number" ? each.at : this.now();
        const id = this.idOf(each.id);
        const { player, request, typed, metric, settled } = each;
        const record = RECORD.test(each.record?.record) ? each.record : undefined;
        return [id, { id, at, player, request, typed, metric, settled, record, answer: null, refused: null }];
      });
  }

  /** The file's own id where it is free. */
  idOf(id) {
    const free = typeof id === "string" && /^\w{1,40}$/.test(id) && !this.held.has(id);
    return free ? id : newId();
  }
}

const newId = () =>
  Array.from(crypto.getRandomValues(new Uint32Array(3)), (each) => each.toString(36)).join("");

/** Whether something is a ball of a list; what is drawn of it is drawn as text only. */
function isEntry(each) {
  const { player, request, typed } = each ?? {};
  return (
    typeof player === "string" &&
    isObject(request?.ball) &&
    [request.ball.serial, request.ball.name].every(
      (text) => text === undefined || typeof text === "string",
    ) &&
    [request.measured_balance, request.holes_seen].every((part) => part === undefined || isObject(part)) &&
    (typed === undefined ||
      (Array.isArray(typed) &&
        typed.every(
          (pair) =>
            Array.isArray(pair) && pair.length === 2 && pair.every((text) => typeof text === "string"),
        )))
  );
}

/** What a ball is told by: two entries of one text are one ball. */
const told = ({ player, request }) => JSON.stringify([player, sorted(request)]);

const sorted = (value) =>
  isObject(value)
    ? Object.keys(value)
        .sort()
        .map((name) => [name, sorted(value[name])])
    : value;

const isObject = (value) => value !== null && typeof value === "object" && !Array.isArray(value);

function parsed(text) {
  try {
    return JSON.parse(text);
  } catch {
    return null;
  }
}
