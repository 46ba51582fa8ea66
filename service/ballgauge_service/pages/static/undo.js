// Undo and redo of a form: what stood in it before, step by step.

import { element } from "./elements.js";
import { History } from "./history.js";
import { gettext } from "./words.js";

const at = (id) => document.getElementById(id);

export class Undo {
  /**
   * `read()` gives the form's state as a map, `write(state)` puts one back, `say(name)` a field's name for
   * people.
   */
  constructor({ read, write, say }) {
    Object.assign(this, { read, write, say, steps: null, held: null });
    at("undo").addEventListener("click", () => this.go(-1));
    at("redo").addEventListener("click", () => this.go(1));
    document.addEventListener("keydown", (event) => this.pressed(event));
    document.addEventListener("focusout", () => this.steps?.close());
    this.told = element("span", { class: "hidden", role: "status" });
    at("undo").parentElement.append(this.told);
  }

  /**
   * The form has changed. Changes with one `key` after one another are one step, as are those while `held` is
   * set.
   */
  note(key = null) {
    const state = this.read();
    if (!this.steps) this.steps = new History(state);
    else if (text(state) === text(this.steps.now)) return;
    else this.steps.put(state, this.held ?? key);
    this.mark();
  }

  /** Go back, or forward again, by a step. */
  go(way) {
    const from = this.steps?.now;
    if (!this.steps?.step(way)) return;
    const to = this.steps.now;
    const focus = document.activeElement?.id;
    this.write(to);
    (at(focus) ?? document.body).focus({ preventScroll: true });
    this.mark();
    const changed = [...new Set([...from.keys(), ...to.keys()])].filter(
      (name) => from.get(name) !== to.get(name),
    );
    const empty = gettext("empty");
    const values = changed.slice(0, 3).map((name) => `${this.say(name)}: ${to.get(name) || empty}`);
    this.told.textContent = [way < 0 ? gettext("Undone.") : gettext("Done again."), ...values].join(" ");
  }

  mark() {
    for (const [id, can] of [
      ["undo", this.steps.canUndo],
      ["redo", this.steps.canRedo],
    ])
      at(id).setAttribute("aria-disabled", String(!can));
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
