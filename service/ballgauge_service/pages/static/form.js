// The form: what is typed, as a request, as the state in the address, and back.

import { units } from "./words.js";

const NUMBER = /^[+-]?(\d+\.?\d*|\.\d+)$/;
const FRACTION = /^[+-]?(\d+[ -]+)?\d+\/\d+$/;
const SPREAD = /^(.*?)\s*(?:±|\+-|\+\/-)\s*([\d.,]+)\s*(.*)$/;

export class Form {
  /** `changed` is called after every change of the form. */
  constructor(form, changed) {
    this.form = form;
    this.changed = changed;
    this.holes = document.getElementById("holes");
    form.addEventListener("input", () => this.changed());
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
    if (units.metric) state.set("units", "metric");
    return state;
  }

  /** Fill the form from a state. */
  restore(state) {
    this.holes?.replaceChildren();
    const count = 1 + Math.max(-1, ...[...state.keys()].map((name) => Number(/^drilling\.holes\.(\d+)\./.exec(name)?.[1] ?? -1)));
    if (this.holes) for (let index = 0; index < Math.min(count, 24); index += 1) this.addHole();
    for (const input of this.inputs()) {
      const value = state.get(input.name) ?? input.dataset.default ?? "";
      if (input.dataset.control === "flag") input.checked = value === "true";
      else input.value = value;
      delete input.dataset.before;
    }
    if (this.holes) this.number();
    this.unfold();
  }

  /** Open what holds something, so that no value is out of sight. */
  unfold() {
    for (const fold of this.form.querySelectorAll("details")) {
      const used = [...fold.querySelectorAll("[data-control]")].some((input) => text(input) !== (input.dataset.default ?? ""));
      if (used) fold.open = true;
    }
  }

  /** The request that the form stands for. */
  request() {
    const request = {};
    for (const input of this.inputs()) {
      const value = said(input);
      if (value !== undefined) place(request, input.name.split("."), value);
    }
    return request;
  }

  set(name, value) {
    const input = this.form.elements[name];
    if (input) input.value = value;
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
    hole.addEventListener("input", () => this.nameHole(hole));
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
          if (value) each.setAttribute(attribute, value.replaceAll(/drilling\.holes\.(\*|\d+)\./g, `drilling.holes.${index}.`));
        }
      }
      this.nameHole(hole);
    });
  }

  nameHole(hole) {
    const role = hole.querySelector("select");
    const index = [...this.holes.children].indexOf(hole) + 1;
    const word = role.value ? role.selectedOptions[0].textContent : role.labels[0].textContent;
    hole.querySelector(".hole-name").textContent = `${index} · ${word}`;
  }

  /** Show the refusal's errors at their fields; gives those that have no field here. */
  showErrors(errors) {
    const left = [];
    const byName = new Map();
    for (const error of errors) {
      const name = error.pointer.slice(1).replaceAll("/", ".").replaceAll("~1", "/").replaceAll("~0", "~");
      const input = this.nearest(name);
      if (input) byName.set(input.name, [...(byName.get(input.name) ?? []), error.detail]);
      left.push({ ...error, input });
    }
    for (const input of this.inputs()) {
      const found = byName.get(input.name);
      const box = document.getElementById(`${input.id}-error`);
      input.setAttribute("aria-invalid", found ? "true" : "false");
      box.hidden = !found;
      box.textContent = found ? found.join("; ") : "";
    }
    return left;
  }

  nearest(name) {
    const found = this.form.elements[name];
    if (found?.dataset?.control) return found;
    const below = this.inputs().find((input) => input.name.startsWith(`${name}.`));
    if (below) return below;
    const above = name.split(".").slice(0, -1).join(".");
    return above ? this.nearest(above) : null;
  }

  /** Write every plain number in the unit now shown; one that was not touched comes back as it was typed. */
  convert() {
    for (const input of this.inputs()) {
      const size = Number(input.dataset.size ?? 1);
      const value = input.value?.trim();
      if (input.dataset.control !== "number" || size === 1) continue;
      if (!NUMBER.test(value)) {
        // A fraction or a spread without a unit keeps the one it was typed in, by name.
        if (FRACTION.test(value) || SPREAD.exec(value)?.[3] === "") input.value = `${value} ${units.metric ? input.dataset.unit : input.dataset.metric}`;
        continue;
      }
      const [typed, shown] = (input.dataset.before ?? "|").split("|");
      input.dataset.before = `${value}|`;
      if (shown === value) {
        input.value = typed;
        delete input.dataset.before;
        continue;
      }
      input.value = String(Number((units.metric ? Number(value) * size : Number(value) / size).toPrecision(7)));
      input.dataset.before = `${value}|${input.value}`;
    }
    this.changed();
  }
}

function text(input) {
  return input.dataset.control === "flag" ? String(input.checked) : input.value;
}

/** What an input asks for, as JSON; undefined where it asks for nothing. */
function said(input) {
  const value = text(input).trim();
  if (value === (input.dataset.default ?? "") && !input.dataset.always) return undefined;
  if (value === "") return undefined;
  switch (input.dataset.control) {
    case "flag":
    case "check":
      return value === "true";
    case "number":
      return number(value, input);
    default:
      return value;
  }
}

/** Read a typed quantity: a bare number is in the unit shown, all else goes to the service as it is. */
function number(typed, input) {
  const value = typed.replaceAll("−", "-").replace(/^([+-]?\d+),(\d+)/, "$1.$2");
  const unit = units.metric ? input.dataset.metric : input.dataset.unit;
  const isTrade = unit === input.dataset.unit;
  const spread = SPREAD.exec(value);
  if (spread && NUMBER.test(spread[1])) {
    const own = spread[3] || (isTrade ? "" : unit);
    return { value: Number(spread[1]), uncertainty: Number(spread[2].replace(",", ".")), ...(own ? { unit: own } : {}) };
  }
  if (NUMBER.test(value)) return isTrade ? Number(value) : `${value} ${unit}`;
  if (FRACTION.test(value) && unit) return `${value} ${unit}`;
  return value;
}

function place(request, path, value) {
  let node = request;
  path.forEach((step, index) => {
    const key = /^\d+$/.test(step) ? Number(step) : step;
    if (index === path.length - 1) node[key] = value;
    else node = node[key] ??= /^\d+$/.test(path[index + 1]) ? [] : {};
  });
}

/** Turn a request into a state, for the examples. */
export function stateOf(request, path = "", state = new Map()) {
  for (const [name, value] of Object.entries(request)) {
    const here = path ? `${path}.${name}` : name;
    if (value !== null && typeof value === "object" && !("value" in value)) stateOf(value, here, state);
    else state.set(here, written(value));
  }
  return state;
}

function written(value) {
  if (value === null || typeof value !== "object") return String(value);
  const spread = "uncertainty" in value ? ` ± ${value.uncertainty}` : "";
  return `${value.value}${spread}${value.unit ? ` ${value.unit}` : ""}`;
}
