// Undo and redo of a form: what stood in it before, step by step.

import { element } from "./elements.js";
import { gettext } from "./words.js";

const MOST = 200;
const at = (id) => document.getElementById(id);

export class Undo {
  /** `read()` gives the form's state as a map, `write(state)` puts one back, `say(name)` a field's name for people. */
  constructor({ read, write, say }) {
    Object.assign(this, { read, write, say, steps: [], place: -1, key: null, held: null });
    at("undo").addEventListener("click", () => this.go(-1));
    at("redo").addEventListener("click", () => this.go(1));
    document.addEventListener("keydown", (event) => this.pressed(event));
    document.addEventListener("focusout", () => { this.key = null; });
    this.told = element("span", { class: "hidden", role: "status" });
    at("undo").parentElement.append(this.told);
  }

  /** The form has changed. Changes with one `key` after one another are one step, as are those while `held` is set. */
  note(key = null) {
    const state = this.read();
    const isOne = (this.held ?? key) !== null && (this.held ?? key) === this.key;
    if (this.place >= 0 && text(state) === text(this.steps[this.place])) return;
    this.steps.length = this.place + 1;
    if (isOne && this.place > 0) this.steps.pop();
    this.steps.push(state);
    if (this.steps.length > MOST) this.steps.shift();
    this.place = this.steps.length - 1;
    this.key = this.held ?? key;
    this.mark();
  }

  /** Go back, or forward again, by a step. */
  go(way) {
    const [from, to] = [this.steps[this.place], this.steps[this.place + way]];
    if (!to) return;
    this.place += way;
    this.key = null;
    const focus = document.activeElement?.id;
    this.write(to);
    (at(focus) ?? document.body).focus({ preventScroll: true });
    this.mark();
    const changed = [...new Set([...from.keys(), ...to.keys()])].filter((name) => from.get(name) !== to.get(name));
    const empty = gettext("empty");
    const values = changed.slice(0, 3).map((name) => `${this.say(name)}: ${to.get(name) || empty}`);
    this.told.textContent = [way < 0 ? gettext("Undone.") : gettext("Done again."), ...values].join(" ");
  }

  mark() {
    for (const [id, place] of [["undo", this.place - 1], ["redo", this.place + 1]]) at(id).setAttribute("aria-disabled", String(!this.steps[place]));
  }

  pressed(event) {
    if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
    const way = { z: event.shiftKey ? 1 : -1, y: 1 }[event.key.toLowerCase()];
    // A text outside the form, such as the player's name, has the browser's own undo.
    if (!way || event.target.matches?.("textarea, input:not([data-control])")) return;
    event.preventDefault();
    this.go(way);
  }
}

/** A state as text; where one looks on is no step of its own. */
const text = (state) => JSON.stringify([...state].filter(([name]) => name !== "view"));
