// The bench: a form on one side, the service's answer on the other.

import * as address from "./address.js";
import { keepBalls } from "./balls.js";
import * as calls from "./calls.js";
import { action, element } from "./elements.js";
import { Form, stateOf } from "./form.js";
import { copy, useUnitsOf } from "./frame.js";
import { clearProblem, reveal, showProblem } from "./problem.js";
import { offerPhone } from "./phone.js";
import { offer } from "./record.js";
import * as results from "./results.js";
import { PAUSE, PageState } from "./state.js";
import { Undo } from "./undo.js";
import { gettext } from "./words.js";

export { clearProblem, showProblem };

const PATH = "/v1/checks";

/**
 * Run a page that checks what its form says: gives form, state and undo. `shown` is called with each answer
 * and its request, `moved` with each state of the page; `begins` tells whether a request holds enough to ask
 * for.
 *
 * @param {Record<string, any>} given
 */
export function run({
  shown = () => {},
  moved = () => {},
  begins = () => true,
  cards = results.numbers,
  take = null,
}) {
  const verdict = document.getElementById("verdict");
  const box = document.getElementById("results");
  const form = new Form(document.getElementById("form"), changed);
  const state = new PageState({
    form,
    read,
    ask: (request, signal) => calls.post(PATH, request, signal),
    show,
    moved,
  });
  const signing = offer(state);
  const undo = new Undo({ read: () => form.state(), write: restore, say: (name) => form.titleOf(name) });
  const putAway = offerPhone(() => {
    sayDay();
    changed();
  });
  let clean = "";

  function read() {
    const request = form.request();
    const isBegun =
      request.design || ((request.ball || request.drilling || request.measured_balance) && begins(request));
    return isBegun ? { ball: {}, ...request } : null;
  }

  function show(answer, request) {
    results.showVerdict(verdict, answer);
    box.replaceChildren(
      ...[
        results.findings(answer),
        results.remedies(answer, take && ((remedy) => state.act(() => take(form, remedy)))),
        ...cards(answer),
        ...results.notes(answer, { title, go }),
      ].filter(Boolean),
    );
    calls.show(PATH, request, "check(request).outcome");
    signing(request);
    document.getElementById("compared").replaceChildren();
    shown(answer, request, form);
  }

  /** `unfinished`: what is being typed cannot be meant yet; it is judged when its field is left. */
  function changed(unfinished = false) {
    const kept = form.state();
    tellBeside();
    address.write(kept);
    address.carry(kept, form.request());
    undo.note(form.typing?.id);
    putAway();
    state.edited(unfinished ? null : PAUSE);
  }

  /** Say what is judged without a field of its own, each with a button that takes it away. */
  function tellBeside() {
    const told = form.beside();
    const box = document.getElementById("beside");
    const key = JSON.stringify(told);
    if (box.dataset.key === key) return;
    box.dataset.key = key;
    box.hidden = told.length === 0;
    box.replaceChildren(
      ...told.map(([name, title, value]) =>
        element(
          "p",
          { "data-beside": name },
          name === "design"
            ? gettext("The layers of this design are drilled and judged, in place of box numbers: {name}.", {
                name: value,
              })
            : gettext("Judged too, though it has no field here: {name}, {value}.", { name: title, value }),
          " ",
          action(gettext("Take it away"), () => {
            form.set(name, "");
            changed();
            document.getElementById("share").focus({ preventScroll: true });
          }),
        ),
      ),
    );
  }

  /** Whoever opens the address later reads this verdict. */
  function sayDay() {
    form.set("rules.on", form.request().rules.on);
  }

  const inputAt = (pointer) => form.nearest(pointer.slice(1).replaceAll("/", "."));

  function title(pointer) {
    const input = inputAt(pointer);
    return input ? form.titleOf(input.name) : pointer.slice(1).replaceAll("/", " · ").replaceAll("_", " ");
  }

  function go(pointer) {
    const input = inputAt(pointer);
    if (input) reveal(input);
  }

  form.form.addEventListener("change", () => state.left());
  document.addEventListener("units", () => state.redraw());
  document.getElementById("example").addEventListener("change", (event) => {
    const examples = JSON.parse(document.getElementById("examples").textContent);
    const example = examples[event.target.value];
    event.target.value = "";
    if (example) replace(new Map([...stateOf(example), ["units", "trade"]]));
  });
  document.getElementById("clear").addEventListener("click", () => replace(new Map()));
  document.getElementById("share").addEventListener("click", (event) => {
    sayDay();
    changed();
    copy(location.href, event.target);
  });
  address.changed(restore);

  /**
   * Put another ball in the form; the browser's Back brings the former one. Gives false where the person
   * keeps it.
   */
  function replace(kept) {
    const isTyped = form.state().size > 0 && String([...form.state()]) !== clean;
    if (
      isTyped &&
      kept.size &&
      !window.confirm(gettext("Put another ball in the place of the one typed here?"))
    )
      return false;
    address.push(kept);
    form.typing = null; // another ball is a step of its own
    undo.close();
    restore(kept);
    return true;
  }

  function restore(kept) {
    useUnitsOf(kept);
    form.restore(kept);
    changed();
    state.settle();
    clean = String([...form.state()]);
  }

  const first = address.read();
  restore(first);
  const open = keepBalls({ form, state, replace });
  if (first.has("opened")) open(first.get("opened"));
  return { form, state, undo };
}
