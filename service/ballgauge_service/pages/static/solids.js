// The list of a design's parts: added, ordered and removed by buttons, each with the fields of its shape.

import { action, element, select } from "./elements.js";
import { except, replaced } from "./history.js";
import { amount } from "./quantities.js";
import { gettext, quantity } from "./words.js";

const SLIDER = [0.3, 4.5];
const PROFILE = [
  [-1.5, 1],
  [0, 1.4],
  [1.5, 0.8],
]; // a first profile (ours)
const TURNS = { axis: { axis: [0, 1, 0], angle: 0 }, z: { z: [0, 0, 1] } };

const turnOf = (solid) => (solid.rotation ? (solid.rotation.axis ? "axis" : "z") : "");

/** Every place of a request that names solids, changed by `change(names)`. */
function named(request, change) {
  const list = (holder, member) =>
    holder?.[member] ? { ...holder, [member]: change(holder[member]) } : holder;
  const moving = (job) =>
    job && {
      ...list(job, "clear_of"),
      ...(job.parameters && {
        parameters: job.parameters.map((each) => list(each, "solids")).filter((each) => each.solids.length),
      }),
    };
  const next = { ...request };
  for (const job of ["solve", "family"]) if (request[job]) next[job] = moving(request[job]);
  if (request.set) {
    next.set = {
      ...moving(request.set),
      variants: (request.set.variants ?? []).map((each) => list(list(each, "leave_out"), "clear_of")),
    };
  }
  return next;
}

/** The request with another name of a solid, wherever it is named. */
export function renamed(request, index, name) {
  const before = request.design.solids[index].name;
  const next = replaced(request, ["design", "solids", index, "name"], name ?? "");
  if (!name || !before) return next;
  return named(next, (names) => names.map((each) => (each === before ? name : each)));
}

/** The request without a solid. */
export function without(request, index) {
  const { name } = request.design.solids[index];
  const design = { ...request.design, solids: except(request.design.solids, index) };
  const changes = [...(request.set?.variants ?? []), ...(request.family?.changes ?? [])];
  const left = [
    ...design.solids,
    ...changes.flatMap(({ replace = [], add = [] }) => [...replace, ...add]),
  ].map((each) => each.mesh);
  if (design.meshes) design.meshes = design.meshes.filter((mesh) => left.includes(mesh.name));
  if (!design.meshes?.length) delete design.meshes;
  return named({ ...request, design }, (names) => names.filter((each) => each !== name));
}

/** The design of a set's variant. */
export function variantDesign(request, at) {
  const { leave_out: out = [], replace = [], add = [] } = request.set.variants[at];
  const solids = request.design.solids
    .filter((each) => !out.includes(each.name))
    .map((each) => replace.find((other) => other.name === each.name) ?? each);
  return { ...request.design, solids: [...solids, ...add] };
}

export class Solids {
  /**
   * `contract` tells each shape's fields; `choose(index)` selects a part; `meshNote(at)` tells of a mesh's
   * file.
   */
  constructor({ editor, contract, choose, remove, meshNote }) {
    this.editor = editor;
    this.meshNote = meshNote;
    this.contract = contract;
    this.choose = choose;
    this.list = document.getElementById("solids");
    this.shape = document.getElementById("shape");
    this.shape.replaceChildren(
      ...Object.entries(contract.titles)
        .filter(([name]) => name !== "mesh")
        .map(([name, text]) => element("option", { value: name }, text)),
    );
    document.getElementById("add-solid").addEventListener("click", () => this.addPart());
    this.removed = remove;
    this.built = "";
  }

  get solids() {
    return this.editor.request.design?.solids ?? [];
  }

  /** A new solid of a shape: the contract's own examples as its numbers, on top of all others. */
  addPart() {
    const shape = this.shape.value;
    const solid = { name: this.freeName(this.contract.titles[shape]), shape };
    for (const spec of this.contract.shapes[shape]) {
      if (spec.required && spec.control === "text") solid[spec.name] = Number(spec.example);
    }
    if (shape === "sphere") solid.diameter = 2;
    if (shape === "profile") solid.points = PROFILE;
    const solids = [...this.solids, solid];
    this.editor.set(["design", "solids"], solids);
    this.choose(solids.length - 1);
    document.getElementById(`design.solids.${solids.length - 1}.name`)?.select();
  }

  freeName(word) {
    const names = new Set(this.solids.map((each) => each.name));
    if (!names.has(word)) return word;
    let number = 2;
    while (names.has(`${word} ${number}`)) number += 1;
    return `${word} ${number}`;
  }

  draw(chosen, source) {
    const structure = JSON.stringify([
      chosen,
      this.solids.map((each) => [each.shape, turnOf(each), each.points?.length, each.role, each.mesh]),
      this.editor.request.design?.meshes?.map((each) => each.file),
    ]);
    if (structure !== this.built) this.build(chosen, structure);
    this.solids.forEach((solid, index) => {
      const row = this.list.children[index];
      row.querySelector(".part-name").textContent = `${index + 1} · ${solid.name ?? ""}`;
      const slider = row.querySelector("input[type=range]");
      const density = amount(solid.density, "g/mL", 1);
      if (source !== slider.id && Number.isFinite(density)) {
        slider.max = Math.max(SLIDER[1], density);
        slider.min = Math.min(SLIDER[0], density);
        slider.value = density;
      }
      slider.setAttribute("aria-label", gettext("Density of {name}", { name: solid.name }));
      row.querySelector("output").textContent = Number.isFinite(density)
        ? quantity(Number(density.toFixed(2)), "g/mL")
        : "–";
    });
  }

  build(chosen, structure) {
    this.built = structure;
    const focus = document.activeElement?.id;
    this.editor.drop("design.solids.");
    this.list.replaceChildren(...this.solids.map((solid, index) => this.row(solid, index, index === chosen)));
    if (focus && !document.activeElement?.id) document.getElementById(focus)?.focus({ preventScroll: true });
  }

  row(solid, index, open) {
    const path = ["design", "solids", index];
    const slider = element("input", {
      type: "range",
      id: `slide-${index}`,
      min: SLIDER[0],
      max: SLIDER[1],
      step: 0.01,
    });
    slider.addEventListener("input", () => {
      const key = `slide-${index}`;
      this.editor.set([...path, "density"], Number(slider.value), { key, source: key });
    });
    slider.addEventListener("change", () => this.editor.history.close());
    const button = (id, sign, words, act, off) =>
      action(sign, act, {
        class: "small",
        id: `${id}-${index}`,
        disabled: off,
        "aria-label": gettext("{does}: {name}", { does: words, name: solid.name }),
        title: words,
      });
    return element(
      "li",
      { class: `part solid-${solid.role ?? "other"}`, "data-index": index },
      element(
        "div.part-head",
        element("span.swatch", { "aria-hidden": "true" }),
        element("button.link.part-name", {
          type: "button",
          id: `part-${index}`,
          "aria-expanded": String(open),
          onclick: () => this.choose(open ? -1 : index),
        }),
        element("span.quiet.part-shape", this.contract.titles[solid.shape] ?? solid.shape),
        element("span.part-density", slider, element("output", { for: slider.id })),
        element(
          "span.part-tools",
          button("up", "↑", gettext("Further down in the ball"), () => this.move(index, -1), index < 2),
          button(
            "down",
            "↓",
            gettext("Further up in the ball"),
            () => this.move(index, 1),
            index === 0 || index === this.solids.length - 1,
          ),
          button(
            "remove",
            "✕",
            gettext("Remove this part"),
            () => this.remove(index),
            this.solids.length === 1,
          ),
        ),
      ),
      open ? this.fields(solid, index, path) : null,
    );
  }

  fields(solid, index, path) {
    const specs = (this.contract.shapes[solid.shape] ?? []).filter((spec) =>
      this.isShown(spec, solid, index),
    );
    const made = specs.map((spec) =>
      this.field(spec, [
        ...path,
        ...spec.name.split(".").map((each) => (/^\d+$/.test(each) ? Number(each) : each)),
      ]),
    );
    const turn = select(
      {
        id: `turn-${index}`,
        onchange: ({ target }) => this.editor.set([...path, "rotation"], TURNS[target.value]),
      },
      [
        ["", gettext("not turned")],
        ["axis", gettext("about an axis")],
        ["z", gettext("its axis z points to")],
      ],
      turnOf(solid),
    );
    const isTurned = index > 0 && solid.shape !== "sphere";
    return element(
      "div.grid.part-fields",
      made.map((each) => each.node),
      solid.points ? this.points(solid, path) : null,
      solid.shape === "mesh" ? this.mesh(solid) : null,
      isTurned ? element("div.field", element("label", { for: turn.id }, gettext("Turned")), turn) : null,
    );
  }

  /** The unit of a solid's mesh, and what is told of its file. */
  mesh(solid) {
    const at = (this.editor.request.design.meshes ?? []).findIndex((each) => each.name === solid.mesh);
    if (at < 0) return null;
    const label = gettext("One unit of the file is");
    const spec = { control: "choice", label, words: this.contract.mesh.units.map((each) => [each, each]) };
    return [this.field(spec, ["design", "meshes", at, "unit"]).node, this.meshNote(at)];
  }

  isShown({ name }, solid, index) {
    if (name === "shape" || name === "mesh") return false;
    if (index === 0 && (name === "diameter" || name.startsWith("position"))) return false; // the design's own
    if (!name.startsWith("rotation")) return true;
    const turn = turnOf(solid);
    return turn === "axis"
      ? /axis|angle/.test(name)
      : turn === "z" && (name.startsWith("rotation.z") || Boolean(solid.rotation.x));
  }

  field(spec, path) {
    const index = path[2];
    const take = (where, value, unfinished, left) => {
      const { request } = this.editor;
      if (where.at(-1) === "name" && value !== request.design.solids[index].name) {
        const key = where.join(".");
        this.editor.put(renamed(request, index, value), { key, source: key });
      } else this.editor.take(where, value, unfinished, left);
    };
    return this.editor.field(spec, path, take);
  }

  points(solid, path) {
    const { unit, metric, metric_size: size } = this.contract.parameters.height;
    const spec = { control: "text", unit, metric, metric_size: size, least: -9.5, most: 9.5 };
    const rows = solid.points.map((_, at) =>
      element(
        "li.point",
        [
          gettext("Height of point {number}", { number: at + 1 }),
          gettext("Radius of point {number}", { number: at + 1 }),
        ].map(
          (label, part) =>
            this.field({ ...spec, label, description: label }, [...path, "points", at, part]).node,
        ),
        action("✕", () => this.setPoints(path, (points) => except(points, at)), {
          class: "small",
          disabled: solid.points.length === 2,
          "aria-label": gettext("Remove point {number}", { number: at + 1 }),
        }),
      ),
    );
    const more = action(gettext("Add a point"), () =>
      this.setPoints(path, (points) => {
        const [height, radius] = points.at(-1).map((each) => amount(each, "in", 0));
        return [...points, [Number((height + 0.3).toFixed(3)), radius]];
      }),
    );
    return element("div.points", element("ol", rows), more);
  }

  setPoints(path, change) {
    this.editor.set([...path, "points"], change(this.solids[path[2]].points));
  }

  move(index, way) {
    const solids = [...this.solids];
    [solids[index], solids[index + way]] = [solids[index + way], solids[index]];
    this.editor.set(["design", "solids"], solids);
    this.choose(index + way);
    document.getElementById(`part-${index + way}`)?.focus();
  }

  remove(index) {
    const { name } = this.solids[index];
    this.editor.put(without(this.editor.request, index));
    const next = Math.min(index, this.solids.length - 1);
    this.choose(next);
    document.getElementById(`part-${next}`)?.focus();
    this.removed(name);
  }
}
