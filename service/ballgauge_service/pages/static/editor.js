// A request as JSON in an editor, with its main numbers as fields beside it; the answer is asked for by a button.

import * as address from "./address.js";
import { clearProblem, showProblem } from "./bench.js";
import * as calls from "./calls.js";
import { element } from "./elements.js";
import { copy } from "./frame.js";
import { gettext } from "./words.js";

const LONGEST_STATE = 6000;

const at = (id) => document.getElementById(id);

/** Run a page about one request; `show` draws an answer beside its request. */
export function run({ path, method, show, adapt = (request) => request }) {
  const examples = JSON.parse(at("examples").textContent);
  const text = at("request");
  const fields = [...document.querySelectorAll("[data-path]")];
  let last = null;

  function read() {
    let request = null;
    let told = "";
    try {
      request = JSON.parse(text.value);
      if (request === null || typeof request !== "object" || Array.isArray(request)) throw new Error(gettext("The request must be an object."));
    } catch (error) {
      request = null;
      told = error.message;
    }
    at("request-error").hidden = request !== null;
    at("request-error").textContent = told;
    text.setAttribute("aria-invalid", String(request === null));
    return request;
  }

  function write(request) {
    text.value = JSON.stringify(request, null, 1);
    fill();
  }

  function fill() {
    const request = read();
    for (const field of fields) if (request) field.value = plainText(found(request, field.dataset.path.split(".")));
  }

  function take(field) {
    const request = read();
    if (!request) return;
    const names = field.dataset.path.split(".");
    const lastName = names.pop();
    const holder = names.reduce((inner, name) => (typeof inner[name] === "object" && inner[name] !== null ? inner[name] : (inner[name] = {})), request);
    const typed = field.value.trim();
    if (typed) holder[lastName] = /^[-+−]?\d*\.?\d+$/.test(typed) ? Number(typed.replace("−", "-")) : typed;
    else delete holder[lastName];
    text.value = JSON.stringify(request, null, 1);
    keep();
  }

  function state() {
    const request = read();
    const compact = request && JSON.stringify(request);
    const name = Object.keys(examples).find((each) => JSON.stringify(examples[each]) === compact);
    if (name) return new Map([["start", name]]);
    return new Map(compact && compact.length <= LONGEST_STATE ? [["request", compact]] : []);
  }

  const keep = () => address.write(state());

  const ask = calls.newestOnly(async () => {
    const given = read();
    if (!given) return text.focus();
    at("ask").setAttribute("aria-busy", "true");
    at("waiting").textContent = gettext("Waiting for the service…");
    at("results").classList.add("stale");
    try {
      const request = adapt(given);
      last = { request, answer: await calls.post(path, request) };
      clearProblem(null);
      draw();
      calls.show(path, request, method);
      document.documentElement.dataset.answered = String(Number(document.documentElement.dataset.answered ?? 0) + 1);
    } catch (error) {
      showProblem(null, placed(error));
    } finally {
      at("ask").removeAttribute("aria-busy");
      at("waiting").textContent = "";
    }
  });

  function draw() {
    at("results").classList.remove("stale");
    at("results").replaceChildren(...show(last.answer, last.request).filter(Boolean));
  }

  function restore() {
    const kept = address.read();
    try {
      write(kept.has("request") ? JSON.parse(kept.get("request")) : examples[kept.get("start")] ?? Object.values(examples)[0]);
    } catch {
      write(Object.values(examples)[0]);
    }
    if (examples[kept.get("start")]) at("start").value = kept.get("start");
    if (kept.has("request") || kept.has("start")) ask();
  }

  at("start").addEventListener("change", (event) => {
    write(examples[event.target.value]);
    keep();
  });
  text.addEventListener("input", () => {
    fill();
    keep();
  });
  at("second")?.addEventListener("click", () => {
    const request = read();
    if (!request) return;
    write({ ...request, compare: { ...request.compare, design: structuredClone(request.design) } });
    keep();
    text.focus();
  });
  for (const field of fields) field.addEventListener("change", () => take(field));
  at("form").addEventListener("submit", (event) => {
    event.preventDefault();
    ask();
  });
  at("share").addEventListener("click", (event) => {
    address.put(state());
    copy(location.href, event.target);
  });
  document.addEventListener("units", () => last && draw());
  window.addEventListener("hashchange", () => location.hash.startsWith("#content") || restore());
  restore();
}

const found = (request, names) => names.reduce((inner, name) => inner?.[name], request);

function plainText(value) {
  if (value === undefined || value === null) return "";
  return typeof value === "object" ? [value.value, value.unit].filter((each) => each !== undefined).join(" ") : String(value);
}

/** The refusal with each error's place in front of its words. */
function placed(error) {
  if (!error.problem?.errors) return error;
  const errors = error.problem.errors.map((each) => ({ ...each, detail: `${each.pointer}: ${each.detail}` }));
  return { problem: { ...error.problem, errors } };
}

/** A part of the page with a picture and words under it. */
export function figure(picture, words, kind = "whole") {
  return element("figure", { class: kind }, picture, element("figcaption", { text: words }));
}
