// Fields made from the contract: name, words, unit, range and help of each come from the page, once.

import { element } from "./elements.js";
import { isUnfinished } from "./numbers.js";
import { shown, typed } from "./quantities.js";
import { gettext, plain, units } from "./words.js";

const short = (value) => plain(Number(value.toPrecision(6)), 6);

/** A field at a path of the request; `change(path, value, unfinished)` hears what is typed. */
export class Field {
  constructor(spec, path, change) {
    this.spec = spec;
    this.path = path;
    this.change = change;
    this.id = path.join(".");
    this.input = this.control();
    this.problem = element("p.error", { id: `${this.id}-error`, hidden: true });
    const hint = element("p.hint", { id: `${this.id}-hint` }, this.help());
    const label =
      spec.control === "flag"
        ? element("label.tick", { for: this.id }, this.input, spec.label)
        : element("label", { for: this.id }, `${spec.label} `, this.unit());
    this.node = element(
      "div.field",
      { "data-field": this.id },
      label,
      spec.control === "flag" ? null : this.input,
      hint,
      this.problem,
    );
    this.input.addEventListener(this.isText ? "input" : "change", () => this.take());
    if (this.isText)
      this.input.addEventListener("change", () => this.change(this.path, this.value(), false, true));
  }

  get isText() {
    return ["text", "line", "list"].includes(this.spec.control);
  }

  control() {
    const { spec, id } = this;
    const told = { id, name: id, "aria-describedby": `${id}-hint ${id}-error` };
    if (spec.control === "choice" || spec.control === "check") {
      const words =
        spec.control === "check"
          ? [
              ["true", gettext("yes")],
              ["false", gettext("no")],
            ]
          : spec.words;
      return element(
        "select",
        told,
        spec.default ? null : element("option", { value: "" }, "–"),
        words.map(([value, text]) => element("option", { value }, text)),
      );
    }
    if (spec.control === "flag") return element("input", { type: "checkbox", ...told });
    return element("input", {
      type: "text",
      autocomplete: "off",
      spellcheck: "false",
      maxlength: spec.control === "list" ? 400 : 64,
      ...told,
    });
  }

  unit() {
    const { unit, metric } = this.spec;
    return unit
      ? element(
          "span.unit",
          { "data-trade": unit, "data-metric": metric ?? unit },
          units.metric ? (metric ?? unit) : unit,
        )
      : null;
  }

  help() {
    const { spec } = this;
    const range =
      spec.control === "text" && spec.least !== undefined && spec.most !== undefined
        ? gettext("From {least} to {most} {unit}.", {
            least: short(spec.least),
            most: short(spec.most),
            unit: spec.unit ?? "",
          })
        : "";
    const assumed = spec.assumed ? gettext("Default: {assumed}.", { assumed: spec.assumed }) : "";
    return [spec.description, assumed, range].filter(Boolean).join(" ");
  }

  value() {
    const { input, spec } = this;
    if (spec.control === "flag") return input.checked;
    if (spec.control === "check") return input.value ? input.value === "true" : undefined;
    if (spec.control === "text") return typed(input.value, spec);
    if (spec.control === "list") {
      const all = input.value.split(/;|,\s+/).map((text) => typed(text, spec));
      const said = all.filter((each) => each !== undefined);
      return said.length ? said : undefined;
    }
    return input.value.trim() || undefined;
  }

  take() {
    this.change(
      this.path,
      this.value(),
      ["text", "list"].includes(this.spec.control) && isUnfinished(this.input.value),
      false,
    );
  }

  /** Show a request's value; what is being typed here stays as it is typed. */
  fill(value, source = null) {
    if (source === this.id && document.activeElement === this.input) return;
    const { input, spec } = this;
    if (spec.control === "flag") input.checked = value ?? spec.default === "true";
    else if (spec.control === "text") input.value = shown(value, spec);
    else if (spec.control === "list")
      input.value = [value ?? []]
        .flat()
        .map((each) => shown(each, spec))
        .join("; ");
    else input.value = value ?? spec.default ?? "";
  }

  /** Show an error, or none. */
  tell(words) {
    this.problem.hidden = !words;
    this.problem.textContent = words ?? "";
    this.input.setAttribute("aria-invalid", String(Boolean(words)));
  }
}
