// The form: what is typed, as a request, as the state in the address, and back.

import { tellAt } from "./problem.js";
import { HAS_UNIT, isUnfinished, numberOf, plainText } from "./numbers.js";
import { names } from "./roles.js";
import { gettext, units } from "./words.js";

const DIGITS = 7;

export class Form {
  /**
   * `changed` is called after every change of the form, with whether a field holds what cannot be meant yet.
   */
  constructor(form, changed) {
    this.form = form;
    this.changed = changed;
    this.holes = document.getElementById("holes");
    form.addEventListener("input", ({ target }) => {
      this.typing = target;
      this.tellDay();
      this.changed(target.dataset.control === "number" && isUnfinished(target.value));
    });
    form.addEventListener("focusout", () => {
      this.typing = null;
    });
    form.addEventListener("submit", (event) => event.preventDefault());
    document.addEventListener("units", () => this.convert());
    document.getElementById("add-hole")?.addEventListener("click", () => {
      const hole = this.addHole();
      hole.querySelector("select").focus();
      this.changed();
    });
  }

  inputs() {
    return [...this.form.querySelectorAll("[data-control]")];
  }

  /** The state: every field that is not at its default, by name. */
  state() {
    const state = new Map();
    for (const input of this.inputs()) {
      const value = text(input);
      if (value !== (input.dataset.default ?? "")) state.set(input.name, value);
    }
    if (state.size) state.set("units", units.metric ? "metric" : "trade");
    return state;
  }

  /** Fill the form from a state. */
  restore(state) {
    this.holes?.replaceChildren();
    const count =
      1 +
      Math.max(
        -1,
        ...[...state.keys()].map((name) => Number(/^drilling\.holes\.(\d+)\./.exec(name)?.[1] ?? -1)),
      );
    if (this.holes) for (let index = 0; index < Math.min(count, 24); index += 1) this.addHole();
    for (const input of this.inputs()) {
      const value = state.get(input.name) ?? input.dataset.default ?? "";
      if (input.dataset.control === "flag") input.checked = value === "true";
      else input.value = value;
    }
    if (this.holes) this.number();
    this.unfold();
    this.tellDay();
  }

  /** Open what holds something, so that no value is out of sight. */
  unfold() {
    for (const fold of this.form.querySelectorAll("details")) {
      const used = [...fold.querySelectorAll("[data-control]")].some(
        (input) => text(input) !== (input.dataset.default ?? ""),
      );
      if (used) fold.open = true;
    }
  }

  /**
   * The request that the form stands for.
   *
   * @returns {any}
   */
  request() {
    const request = {};
    for (const input of this.inputs()) {
      const value = said(input);
      if (value !== undefined) place(request, input.name.split("."), value);
    }
    return request;
  }

  /** What is asked for without a field of this page, by its name: as a title and a text. */
  beside() {
    return this.inputs()
      .filter((input) => input.type === "hidden" && input.value)
      .map((input) => {
        const value = said(input);
        const told =
          input.name === "design"
            ? value.name || gettext("without a name")
            : (value?.constructor === Object ? Object.values(value) : [value]).join("; ");
        return [input.name, input.dataset.label, told];
      });
  }

  set(name, value) {
    const input = this.form.elements[name];
    if (input) input.value = value;
    this.tellDay();
  }

  /** What a field is called, with its hole where it belongs to one. */
  titleOf(name) {
    const input = this.form.elements[name];
    const label =
      input?.dataset.label ||
      input?.labels?.[0]?.firstChild?.textContent.trim() ||
      input?.labels?.[0]?.textContent.trim();
    const hole = input?.closest(".hole")?.querySelector(".hole-name").textContent;
    return [hole, label ?? name].filter(Boolean).join(", ");
  }

  addHole() {
    const hole = document.getElementById("hole").content.firstElementChild.cloneNode(true);
    hole.querySelector(".remove-hole").addEventListener("click", () => {
      const next = hole.nextElementSibling ?? hole.previousElementSibling;
      hole.remove();
      this.number();
      (next?.querySelector("select") ?? document.getElementById("add-hole")).focus();
      this.changed();
    });
    hole.addEventListener("input", () => this.nameHoles());
    this.holes.append(hole);
    this.number();
    return hole;
  }

  /** Give each hole's fields the names of their place in the request. */
  number() {
    [...this.holes.children].forEach((hole, index) => {
      for (const each of hole.querySelectorAll("[id],[for],[name],[data-field],[aria-describedby]")) {
        for (const attribute of ["id", "for", "name", "data-field", "aria-describedby"]) {
          const value = each.getAttribute(attribute);
          if (value)
            each.setAttribute(
              attribute,
              value.replaceAll(/drilling\.holes\.(\*|\d+)\./g, `drilling.holes.${index}.`),
            );
        }
      }
    });
    this.nameHoles();
  }

  nameHoles() {
    const holes = [...this.holes.children];
    const named = names(holes.map((hole) => hole.querySelector("select").value));
    holes.forEach((hole, index) => {
      hole.querySelector(".hole-name").textContent = named[index];
    });
  }

  /** Show the refusal's errors at their fields; gives those that have no field here. */
  showErrors(errors) {
    const left = [];
    const found = new Map();
    for (const error of errors) {
      const name = error.pointer.slice(1).replaceAll("/", ".").replaceAll("~1", "/").replaceAll("~0", "~");
      const input = this.nearest(name);
      if (input?.type === "hidden") {
        left.push({ ...error, input: null, detail: `${error.pointer}: ${error.detail}` });
        continue;
      }
      if (input) found.set(input, [...(found.get(input) ?? []), error.detail]);
      left.push({ ...error, input });
    }
    const shown = this.inputs().filter(({ type }) => type !== "hidden");
    tellAt(shown, found);
    return left;
  }

  /** Whether all of a refusal's errors are at the field that is being typed in. */
  isTyping(error) {
    const errors = error.problem?.errors ?? [];
    return (
      Boolean(this.typing) &&
      errors.length > 0 &&
      errors.every(({ pointer }) => this.nearest(pointer.slice(1).replaceAll("/", ".")) === this.typing)
    );
  }

  nearest(name) {
    const found = this.form.elements[name];
    if (found?.dataset?.control) return found;
    const below = this.inputs().find((input) => input.type !== "hidden" && input.name.startsWith(`${name}.`));
    if (below) return below;
    const above = name.split(".").slice(0, -1).join(".");
    return above ? this.nearest(above) : null;
  }

  /**
   * Show what was typed in the unit now shown: a plain number that can be written exactly there is converted,
   * and everything else keeps the unit it was typed in, by name. So nothing comes to mean another quantity.
   */
  convert() {
    for (const input of this.inputs()) {
      const { unit, metric, size } = input.dataset;
      if (input.dataset.control !== "number" || unit === metric || !input.value.trim()) continue;
      const [before, after] = units.metric ? [unit, metric] : [metric, unit];
      const typed = input.value.trim();
      if (typed.endsWith(` ${after}`) && !HAS_UNIT.test(typed.slice(0, -after.length)))
        input.value = typed.slice(0, -after.length).trim();
      else if (!HAS_UNIT.test(typed))
        input.value = exact(typed, units.metric ? 1 / size : Number(size)) ?? `${typed} ${before}`;
    }
    this.changed();
  }

  /** Say which day is meant where none was chosen. */
  tellDay() {
    const input = this.form.elements["rules.on"];
    const told = input && this.form.querySelector(".day-told");
    if (told) told.textContent = input.value ? "" : gettext("today, {day}", { day: today() });
  }
}

/** Today by the device's clock, as an ISO date. */
export const today = () => new Date().toLocaleDateString("sv-SE");

/** A plain number in a unit that is `size` of its own unit; null where that is not exact in a few digits. */
function exact(typed, size) {
  const number = numberOf(typed);
  if (number === null) return null;
  const found = Number((number / size).toPrecision(DIGITS));
  return Number((found * size).toPrecision(14)) === number ? String(found) : null;
}

function text(input) {
  return input.dataset.control === "flag" ? String(input.checked) : input.value;
}

/** What an input asks for, as JSON; undefined where it asks for nothing. */
function said(input) {
  const value = text(input).trim();
  if (input.name === "rules.on" && !value) return today();
  if (value === (input.dataset.default ?? "") && !input.dataset.always) return undefined;
  if (value === "") return undefined;
  switch (input.dataset.control) {
    case "flag":
    case "check":
      return value === "true";
    case "number":
      return number(value, input);
    case "json":
      return parsed(value);
    default:
      return value;
  }
}

/** A part of a request kept as text; a text that is none is left for the service to refuse. */
function parsed(kept) {
  try {
    return JSON.parse(kept);
  } catch {
    return kept;
  }
}

/**
 * A typed quantity as it is sent: a number in the trade unit, or the text with the unit shown where it names
 * none.
 */
function number(given, input) {
  const typed = plainText(given);
  const unit = units.metric ? input.dataset.metric : input.dataset.unit;
  const plain = numberOf(typed);
  if (plain !== null && unit === input.dataset.unit) return plain;
  return HAS_UNIT.test(typed) || !unit ? typed : `${typed} ${unit}`;
}

function place(request, path, value) {
  let node = request;
  path.forEach((step, index) => {
    const key = /^\d+$/.test(step) ? Number(step) : step;
    if (index === path.length - 1) node[key] = value;
    else node = node[key] ??= /^\d+$/.test(path[index + 1]) ? [] : {};
  });
}

/** Turn a request into a state, for the examples and files. */
export function stateOf(request, path = "", state = new Map()) {
  for (const [name, value] of Object.entries(request)) {
    const here = path ? `${path}.${name}` : name;
    if (document.getElementById(here)?.dataset.control === "json") state.set(here, JSON.stringify(value));
    else if (value !== null && typeof value === "object" && !("value" in value)) stateOf(value, here, state);
    else state.set(here, written(value));
  }
  return state;
}

function written(value) {
  if (value === null || typeof value !== "object") return String(value);
  const spread = "uncertainty" in value ? ` ± ${value.uncertainty}` : "";
  return `${value.value}${spread}${value.unit ? ` ${value.unit}` : ""}`;
}
