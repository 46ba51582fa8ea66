// The bench: a form on one side, the service's answer on the other.

import * as address from "./address.js";
import * as calls from "./calls.js";
import { element } from "./elements.js";
import { Form, stateOf } from "./form.js";
import { copy } from "./frame.js";
import * as results from "./results.js";
import { gettext } from "./words.js";

const PATH = "/v1/checks";
const PATIENCE = 500;

/** Run a page that checks what its form says. `shown` is called with each answer and its request. */
export function run({ shown = () => {}, cards = results.numbers, take = null }) {
  const verdict = document.getElementById("verdict");
  const box = document.getElementById("results");
  const form = new Form(document.getElementById("form"), changed);
  let last = null;

  const ask = calls.newestOnly(async (request) => {
    const slow = setTimeout(waiting, PATIENCE);
    try {
      last = { request, answer: await calls.post(PATH, request) };
      accept(last);
    } catch (error) {
      refuse(error);
    } finally {
      clearTimeout(slow);
    }
  });

  function waiting() {
    results.markStale(verdict, box, true);
    if (!verdict.dataset.key) verdict.replaceChildren(element("p", { class: "quiet", text: gettext("Waiting for the service…") }));
  }

  function accept({ request, answer }) {
    clearProblem(form);
    results.showVerdict(verdict, answer);
    results.markStale(verdict, box, false);
    box.replaceChildren(...[results.findings(answer), results.remedies(answer, take && ((remedy) => take(form, remedy))),
      ...cards(answer), ...results.notes(answer, go)].filter(Boolean));
    calls.show(PATH, request, "check(request).outcome");
    shown(answer, request, form);
    document.documentElement.dataset.answered = String(Number(document.documentElement.dataset.answered ?? 0) + 1);
  }

  function refuse(error) {
    showProblem(form, error);
    results.markStale(verdict, box, true);
  }

  function changed() {
    address.write(form.state());
    const request = form.request();
    if (request.ball || request.drilling || request.measured_balance) ask({ ball: {}, ...request });
    else {
      clearProblem(form);
      box.replaceChildren();
    }
  }

  function go(pointer) {
    const input = form.nearest(pointer.slice(1).replaceAll("/", "."));
    if (!input) return;
    for (let fold = input.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
    input.focus();
  }

  document.getElementById("example").addEventListener("change", (event) => {
    const examples = JSON.parse(document.getElementById("examples").textContent);
    const example = examples[event.target.value];
    event.target.value = "";
    if (!example) return;
    restore(stateOf(example));
  });
  document.getElementById("clear").addEventListener("click", () => restore(new Map()));
  document.getElementById("share").addEventListener("click", (event) => {
    address.put(form.state());
    copy(location.href, event.target);
  });
  window.addEventListener("hashchange", () => {
    if (!location.hash.startsWith("#content")) restore(address.read());
  });

  function restore(state) {
    form.restore(state);
    changed();
  }

  restore(address.read());
  return form;
}

/** Show a refusal: its errors at their fields and, with links, in the box on top. */
export function showProblem(form, error) {
  const box = document.getElementById("problem");
  const problem = error.problem ?? { detail: gettext("The service gives no answer.") };
  const left = form?.showErrors(problem.errors ?? []) ?? problem.errors ?? [];
  const items = left.map((each) => element("li", {},
    each.input ? element("a", { href: `#${each.input.id}`, text: each.input.labels[0].textContent.trim(), onclick: (event) => {
      event.preventDefault();
      for (let fold = each.input.closest("details"); fold; fold = fold.parentElement.closest("details")) fold.open = true;
      each.input.focus();
    } }) : null,
    element("span", { lang: "en", text: `${each.input ? " " : ""}${each.detail}` })));
  box.querySelector("ul").replaceChildren(...(items.length ? items : [element("li", { lang: "en", text: problem.detail })]));
  box.hidden = false;
}

export function clearProblem(form) {
  document.getElementById("problem").hidden = true;
  form?.showErrors([]);
}
