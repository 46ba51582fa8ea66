// The two sections of a design, in which its solids are chosen, moved and sized by pointer and by keys.

import { bore } from "./bores.js";
import { path } from "./chart.js";
import { element, svg } from "./elements.js";
import { handlesOf, moved } from "./handles.js";
import { amount, onGrid } from "./quantities.js";
import { inches, middleOf, outline } from "./section.js";
import { gettext, quantity } from "./words.js";

const SIZE = 200;
const ROOM = 238;
const STILL = 4; // pixels before a press becomes a drag
const STEP = 0.02;
const LONG_STEP = 0.1;
const ARROWS = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowDown: [0, -1], ArrowUp: [0, 1] };

export class Board {
  /**
   * `change(index, solid, key)` puts a solid in place of another, `choose(index)` selects one, `done()` ends
   * a drag, `shapeOf(design, solid)` gives the shape of a mesh; `told` is the live region.
   */
  constructor({ holder, told, change, choose, done, shapeOf }) {
    this.told = told;
    this.change = change;
    this.choose = choose;
    this.done = done;
    this.shapeOf = shapeOf;
    this.holes = [];
    this.names = null;
    this.chosen = 0;
    this.drag = null;
    this.pictures = [0, 1].map((across) =>
      svg("svg.chart.section-picture", {
        tabindex: -1,
        viewBox: `-${ROOM} -${ROOM} ${2 * ROOM} ${2 * ROOM}`,
        role: "group",
        "aria-label": across
          ? gettext("Section square to the mark")
          : gettext("Section through pin and mark"),
        "data-across": across,
      }),
    );
    this.note = element("p.quiet", { id: "not-drawn" });
    holder.replaceChildren(element("div.pair", this.pictures), this.note);
    for (const picture of this.pictures) this.listen(picture);
  }

  /** Draw a design, with another laid over it as lines. */
  draw(design, { chosen = 0, over = null } = {}) {
    this.design = design;
    this.chosen = chosen;
    this.over = over;
    this.scale = (2 * SIZE) / (inches(design.diameter) || 8.6);
    const focus = document.activeElement?.closest?.(".section-picture")
      ? document.activeElement.dataset.grip
      : null;
    const across = focus && document.activeElement.closest(".section-picture").dataset.across;
    for (const picture of this.pictures) this.fill(picture, Number(picture.dataset.across));
    if (focus)
      this.pictures[across]
        ?.querySelector(`[data-grip="${CSS.escape(focus)}"]`)
        ?.focus({ preventScroll: true });
    const missing = (design.solids ?? []).filter(
      (solid) => ![0, 1].some((each) => this.outlines(design, solid, each)),
    );
    this.note.textContent = missing.length
      ? gettext("not drawn: {names}", { names: missing.map((each) => each.name).join(", ") })
      : "";
  }

  outlines(design, solid, across) {
    return outline(solid, inches(design.diameter), across, this.shapeOf(design, solid));
  }

  /** The closed lines of a path. */
  line(outlines) {
    return outlines.map((points) => `${path(points.map((each) => this.flat(each)))}Z`).join("");
  }

  flat([u, z]) {
    return [u * this.scale, -z * this.scale];
  }

  fill(picture, across) {
    const { design, over } = this;
    const solids = design.solids ?? [];
    const outlines = solids.map((solid) => this.outlines(design, solid, across));
    const bodies = outlines.map(
      (points, index) =>
        points &&
        svg(
          "path",
          {
            class: `solid solid-${solids[index].role ?? "other"}${index === this.chosen ? " chosen" : ""}`,
            d: this.line(points),
            "fill-rule": "evenodd",
            tabindex: 0,
            role: "button",
            "data-grip": `solid ${index}`,
            "data-index": index,
            "aria-label": this.words(solids[index]),
            "aria-pressed": String(index === this.chosen),
          },
          svg("title", solids[index].name),
        ),
    );
    const laid = (over?.solids ?? [])
      .map((solid) => this.outlines(over, solid, across))
      .filter(Boolean)
      .map((points) => svg("path.laid-over", { d: this.line(points) }));
    const labels = outlines.map((points, index) => {
      if (!points) return null;
      const [x, y] = this.flat(points.flat().reduce((low, each) => (each[1] < low[1] ? each : low)));
      return svg("text.number", { x: x + 5, y: y - 5 }, String(index + 1));
    });
    const grips =
      solids[this.chosen] && this.chosen > 0 && outlines[this.chosen]
        ? handlesOf(solids[this.chosen], across)
        : [];
    picture.replaceChildren(
      ...[
        ...bodies,
        svg("g.bores", { "clip-path": `url(#ball-${across})` }),
        svg("clipPath", { id: `ball-${across}` }, svg("circle", { r: SIZE })),
        ...laid,
        svg("path.axis-mark", { d: `M0 -${SIZE + 12}V${SIZE + 6}M-${SIZE + 6} 0H${SIZE + 12}` }),
        ...labels,
        svg("text", { x: 6, y: -SIZE - 12 }, gettext("pin")),
        svg(
          "text",
          // Along the outline, where a word of any length has room.
          { transform: `translate(${SIZE + 18} 0) rotate(90)`, "text-anchor": "middle" },
          across ? gettext("across") : gettext("mark"),
        ),
        svg("path.mass-center"),
        ...grips.map((grip) => this.grip(grip)),
      ].filter(Boolean),
    );
  }

  /** Draw the holes: whole where the plane cuts them, dashed where they lie before and behind it. */
  drill(holes) {
    const key = JSON.stringify([holes, this.scale]);
    for (const picture of this.pictures) {
      const group = picture.querySelector(".bores");
      if (group.dataset.key === key) continue;
      group.dataset.key = key;
      const lines = holes.flatMap(({ hole, size }) => {
        const { seen, cut } = bore(hole, size, Number(picture.dataset.across));
        return [
          svg("path.bore-beside", { d: this.line([seen]) }),
          cut && svg("path.bore-cut", { d: this.line([cut]) }),
        ];
      });
      group.replaceChildren(...lines.filter(Boolean));
    }
  }

  /** Mark the center of mass, or take the mark away. */
  mark(center) {
    for (const picture of this.pictures) {
      const across = Number(picture.dataset.across);
      const [x, y] = center ? this.flat([across ? center.y : center.x, center.z]) : [0, 0];
      picture
        .querySelector(".mass-center")
        .setAttribute("d", center ? `M${x - 6} ${y}H${x + 6}M${x} ${y - 6}V${y + 6}` : "");
    }
  }

  grip(grip) {
    const [x, y] = this.flat(grip.at);
    const solid = this.design.solids[this.chosen];
    const label = gettext("{field} of {name}", { field: this.fieldWords(grip.field), name: solid.name });
    return svg(
      "g.grip",
      {
        tabindex: 0,
        role: "slider",
        "data-grip": grip.field,
        transform: `translate(${x} ${y})`,
        "aria-label": label,
        "aria-valuemin": 0,
        "aria-valuemax": 9.5,
        "aria-valuenow": grip.size.toFixed(4),
        "aria-valuetext": quantity(grip.size, "in"),
      },
      svg("circle.grasp", { r: 14 }),
      svg("circle.shape", { r: 5.5 }),
    );
  }

  fieldWords(field) {
    return this.names?.[field] ?? gettext("point {number}", { number: Number(field.split(".")[1]) + 1 });
  }

  words(solid) {
    const [x, y, z] = middleOf(solid);
    return gettext("{name}: to the mark {x}, across {y}, to the pin {z}", {
      name: solid.name,
      x: quantity(x, "in"),
      y: quantity(y, "in"),
      z: quantity(z, "in"),
    });
  }

  /** Where a pointer is, in inches. */
  place(picture, event) {
    const box = picture.getBoundingClientRect();
    const perPixel = (2 * ROOM) / box.width / this.scale;
    return [
      (event.clientX - box.left - box.width / 2) * perPixel,
      -(event.clientY - box.top - box.height / 2) * perPixel,
    ];
  }

  listen(picture) {
    const across = Number(picture.dataset.across);
    picture.addEventListener("pointerdown", (event) => {
      const grip = event.target.closest("[data-grip]");
      if (!grip || event.button || document.getElementById("board").disabled) return;
      event.preventDefault();
      if (grip.dataset.index) this.choose(Number(grip.dataset.index));
      const name = grip.dataset.grip;
      const solid = this.design.solids[this.chosen];
      const from = this.place(picture, event);
      const held = name.startsWith("solid")
        ? [middleOf(solid)[across], middleOf(solid)[2]]
        : handlesOf(solid, across).find((each) => each.field === name).at;
      this.drag = { name, across, solid, from, held, start: [event.clientX, event.clientY], moves: false };
      picture.setPointerCapture(event.pointerId);
      picture.querySelector(`[data-grip="${CSS.escape(name)}"]`)?.focus({ preventScroll: true });
    });
    picture.addEventListener("pointermove", (event) => {
      const { drag } = this;
      if (!drag || drag.across !== across) return;
      drag.moves ||= Math.hypot(event.clientX - drag.start[0], event.clientY - drag.start[1]) >= STILL;
      if (!drag.moves || (drag.name.startsWith("solid") && this.chosen === 0)) return;
      const to = this.place(picture, event).map((each, index) => drag.held[index] + each - drag.from[index]);
      this.set(drag.name, drag.solid, across, to);
    });
    const end = () => {
      if (this.drag?.moves) this.end();
      this.drag = null;
    };
    picture.addEventListener("pointerup", end);
    picture.addEventListener("pointercancel", end);
    picture.addEventListener("keydown", (event) => {
      const grip = event.target.closest("[data-grip]");
      if (grip) this.key(event, grip, across);
    });
  }

  key(event, grip, across) {
    const way = ARROWS[event.key];
    const { grip: name, index } = grip.dataset;
    const chooses = index !== undefined && (way || event.key === "Enter" || event.key === " ");
    if (!(way || chooses) || document.getElementById("board").disabled) return;
    event.preventDefault();
    if (chooses && Number(index) !== this.chosen) this.choose(Number(index));
    if (!way) return;
    if (name.startsWith("solid") && this.chosen === 0) return;
    const solid = this.design.solids[this.chosen];
    const step = event.shiftKey ? LONG_STEP : STEP;
    const handle = handlesOf(solid, across).find((each) => each.field === name);
    const from = handle ? handle.at : [middleOf(solid)[across], middleOf(solid)[2]];
    this.set(
      name,
      solid,
      across,
      from.map((each, index) => each + way[index] * step),
      false,
    );
    this.end();
  }

  set(name, solid, across, to, snaps = true) {
    const handle = handlesOf(solid, across).find((each) => each.field === name);
    const next = handle ? handle.set(to, onGrid) : moved(solid, across, to, onGrid, snaps);
    this.change(this.chosen, next, `drag ${this.chosen} ${name}`);
  }

  /** Say what was moved, with its new value. */
  end() {
    const solid = this.design.solids[this.chosen];
    const name = this.drag?.name ?? document.activeElement?.dataset?.grip ?? "";
    const field = name.startsWith("solid") ? null : name;
    const value = field?.startsWith("points") ? solid.points[field.split(".")[1]] : field && [solid[field]];
    this.told.textContent = field
      ? gettext("{field} of {name}: {value}", {
          field: this.fieldWords(field),
          name: solid.name,
          value: value.map((each) => quantity(amount(each, "in"), "in")).join(", "),
        })
      : this.words(solid);
    this.done();
  }
}
