// Undo and redo of a form: what stood in it before, step by step.

import { at, element } from "./elements.js";
import { History } from "./history.js";
import { gettext } from "./words.js";

export class Undo {
  /**
   * `read()` gives the form's state as a map, `write(state)` puts one back, `say(name)` a field's name for
   * people, `owns(target)` whether keys pressed there are for it; `names` are the ids of its buttons.
   */
  constructor({ read, write, say, owns = isOfForm, names = ["undo", "redo"] }) {
    this.read = read;
    this.write = write;
    this.say = say;
    this.owns = owns;
    this.names = names;
    this.steps = null;
    this.held = null;
    const [undo, redo] = names.map(at);
    undo.addEventListener("click", () => this.go(-1));
    redo.addEventListener("click", () => this.go(1));
    document.addEventListener("keydown", (event) => this.pressed(event));
    document.addEventListener("focusout", () => this.steps?.close());
    this.told = element("span.hidden", { role: "status" });
    undo.parentElement.append(this.told);
  }

  /** Begin anew: what stood in the form before was another thing. */
  reset() {
    this.steps = null;
  }

  /** The next change is a step of its own. */
  close() {
    this.held = null;
    this.steps?.close();
  }

  /**
   * The form has changed. Changes with one `key` after one another are one step, as are those while `held` is
   * set.
   */
  note(key = null) {
    const state = this.read();
    if (!this.steps) this.steps = new History(state, text);
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
    const values = changed
      .slice(0, 3)
      .map((name) => `${this.say(name)}: ${(to.get(name) || empty).slice(0, 80)}`);
    this.told.textContent = [way < 0 ? gettext("Undone.") : gettext("Done again."), ...values].join(" ");
  }

  mark() {
    const [undo, redo] = this.names.map(at);
    undo.setAttribute("aria-disabled", String(!this.steps.canUndo));
    redo.setAttribute("aria-disabled", String(!this.steps.canRedo));
  }

  pressed(event) {
    if (!(event.ctrlKey || event.metaKey) || event.altKey) return;
    const way = { z: event.shiftKey ? 1 : -1, y: 1 }[event.key.toLowerCase()];
    if (!way || !this.owns(event.target)) return;
    event.preventDefault();
    this.go(way);
  }
}

/** A text outside the form, such as the player's name, has the browser's own undo. */
const isOfForm = (target) => !target.matches?.("textarea, input:not([data-control])");

/** A state as text; where one looks on is no step of its own. */
const text = (state) => JSON.stringify([...state].filter(([name]) => name !== "view"));
