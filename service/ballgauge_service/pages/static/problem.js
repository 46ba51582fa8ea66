// What keeps a page from its answer, in words: a refusal with its errors at their fields, or a call that
// failed.

import { element } from "./elements.js";
import { gettext } from "./words.js";

const INVALID = 422;

/** Show an error: a refusal's own errors at their fields and, with links, in the box on top. */
export function showProblem(form, error) {
  const box = document.getElementById("problem");
  const problem = error.problem ?? { detail: error.message };
  const left = form?.showErrors(problem.errors ?? []) ?? problem.errors ?? [];
  const items = left.map((each) =>
    element(
      "li",
      each.input
        ? element(
            "a",
            {
              href: `#${each.input.id}`,
              onclick: (event) => {
                event.preventDefault();
                reveal(each.input);
              },
            },
            (each.input.labels[0]?.textContent ?? each.input.ariaLabel).trim(),
          )
        : null,
      element("span", `${each.input ? " " : ""}${each.detail}`),
    ),
  );
  const whole = element(
    "li",
    { lang: error.problem ? "en" : null },
    problem.detail ?? problem.title ?? String(error),
  );
  box.querySelector("h2").textContent =
    problem.status === INVALID ? gettext("Please correct") : gettext("This was not done");
  box.querySelector("ul").replaceChildren(...(items.length ? items : [whole]));
  box.hidden = false;
}

export function clearProblem(form) {
  const box = document.getElementById("problem");
  if (box) box.hidden = true;
  form?.showErrors([]);
}

/** Tell at each input what is wrong with it, or nothing: `found` has the errors' words by input. */
export function tellAt(inputs, found) {
  for (const input of inputs) {
    const words = found.get(input)?.join("; ") ?? "";
    input.setAttribute("aria-invalid", String(Boolean(words)));
    const id = `${input.id}-error`;
    let box = document.getElementById(id);
    if (words && !box) {
      box = element("p.error", { id });
      input.after(box);
      input.setAttribute("aria-describedby", id);
    }
    if (box) Object.assign(box, { hidden: !words, textContent: words });
  }
}

/** Unfold what holds a field, and go there. */
export function reveal(input) {
  for (let fold = input.closest("details"); fold; fold = fold.parentElement.closest("details"))
    fold.open = true;
  input.focus();
}

// No failure stays silent: what nothing else has caught is said too.
window.addEventListener("unhandledrejection", ({ reason }) => {
  if (document.getElementById("problem"))
    showProblem(null, reason instanceof Error ? reason : new Error(String(reason)));
});
