// The ball as a drawing that turns: one SVG, redrawn from the points of a scene. Marks can be dragged or moved by keys.

import { svg } from "./elements.js";

const SIZE = 100;
const HALF = 114;
const SLOW_FRAME = 33;
const SLOW_FRAMES = 8;

export class Ball {
  /**
   * `moved(id, point, done)` is called while a mark is dragged, `nudged(id, right, up)` when arrow keys move it,
   * `turned(view)` when the ball has been turned.
   */
  constructor(root, { moved, nudged, turned }) {
    this.root = root;
    this.moved = moved;
    this.nudged = nudged;
    this.turned = turned;
    this.view = { yaw: 0, pitch: 0, zoom: 1 };
    this.through = true;
    this.marks = new Map();
    this.layers = Object.fromEntries(["back", "inside", "front", "marks"].map((name) => [name, svg("g", { class: `layer-${name}` })]));
    root.append(svg("circle", { class: "body", r: SIZE }), this.layers.back, this.layers.inside, this.layers.front,
      svg("circle", { class: "rim", r: SIZE }), this.layers.marks);
    this.listen();
  }

  /** Show a scene: {lines: [{points, kind}], solids: [{mouth, bottom, ...}], marks: [{id, point, label, shape, draggable}]}. */
  show(scene) {
    this.scene = scene;
    this.lines = scene.lines.map((line) => this.path(line.kind, line.inside));
    this.layers.back.replaceChildren(...this.lines.map((line) => line.back));
    this.layers.front.replaceChildren(...this.lines.map((line) => line.front));
    this.layers.inside.replaceChildren(...scene.shells.map((shell) => svg("circle", { class: "shell", r: SIZE * shell })));
    this.keepMarks(scene.marks);
    this.draw();
  }

  path(kind) {
    return { back: svg("path", { class: `line back ${kind}` }), front: svg("path", { class: `line ${kind}` }) };
  }

  /** Marks keep their elements, and with them the keyboard's focus, from scene to scene. */
  keepMarks(marks) {
    const wanted = new Set(marks.map((mark) => mark.id));
    for (const [id, made] of this.marks) {
      if (!wanted.has(id)) {
        made.remove();
        this.marks.delete(id);
      }
    }
    for (const mark of marks) {
      if (!this.marks.has(mark.id)) {
        const made = svg("g", { class: `mark ${mark.shape}`, "data-mark": mark.id },
          svg("circle", { class: "grasp", r: 11 }), svg("path", { class: "shape", d: SHAPES[mark.shape] }), svg("text", { x: 8, y: -6 }));
        this.marks.set(mark.id, made);
        this.layers.marks.append(made);
      }
      const made = this.marks.get(mark.id);
      made.querySelector("text").textContent = mark.short;
      if (mark.draggable) {
        made.setAttribute("tabindex", "0");
        made.setAttribute("role", "button");
        made.setAttribute("aria-label", mark.label);
      }
    }
  }

  /** Turn so that the unit vector faces the reader. */
  face(p) {
    this.turn((180 / Math.PI) * Math.atan2(-p[0], p[2]), (180 / Math.PI) * Math.asin(Math.min(1, Math.max(-1, p[1]))));
  }

  turn(yaw, pitch) {
    this.view.yaw = ((yaw + 540) % 360) - 180;
    this.view.pitch = Math.min(90, Math.max(-90, pitch));
    this.draw();
    this.turned(this.view);
  }

  zoom(factor) {
    this.view.zoom = Math.min(4, Math.max(0.8, this.view.zoom * factor));
    const half = HALF / this.view.zoom;
    this.root.setAttribute("viewBox", `${-half} ${-half} ${2 * half} ${2 * half}`);
    this.turned(this.view);
  }

  draw() {
    if (!this.scene) return;
    const look = rotation(this.view);
    this.scene.lines.forEach((line, index) => {
      const [front, back] = pieces(line.points.map((p) => apply(look, p)), line.inside);
      this.lines[index].front.setAttribute("d", front);
      this.lines[index].back.setAttribute("d", this.through || line.inside === undefined ? back : "");
    });
    this.layers.inside.style.display = this.through ? "" : "none";
    this.layers.back.style.display = this.through ? "" : "none";
    for (const mark of this.scene.marks) {
      const [x, y, z] = apply(look, mark.point);
      const made = this.marks.get(mark.id);
      made.setAttribute("transform", `translate(${(SIZE * x).toFixed(2)} ${(-SIZE * y).toFixed(2)})`);
      made.classList.toggle("behind", z < -0.001);
      made.style.display = z < -0.001 && !this.through ? "none" : "";
    }
  }

  /** The unit vector under a place of the drawing; beyond the rim, the nearest point on it. */
  under(event) {
    const box = this.root.getBoundingClientRect();
    const scale = (2 * HALF / this.view.zoom) / Math.min(box.width, box.height) / SIZE;
    const x = (event.clientX - box.left - box.width / 2) * scale;
    const y = -(event.clientY - box.top - box.height / 2) * scale;
    const far = Math.hypot(x, y);
    const seen = far < 1 ? [x, y, Math.sqrt(1 - far * far)] : [x / far, y / far, 0];
    const look = rotation(this.view);
    return [0, 1, 2].map((column) => look[0][column] * seen[0] + look[1][column] * seen[1] + look[2][column] * seen[2]);
  }

  listen() {
    let drag = null;
    this.root.addEventListener("pointerdown", (event) => {
      const mark = event.target.closest("[data-mark]");
      const draggable = mark?.hasAttribute("tabindex") && !mark.classList.contains("behind");
      drag = { mark: draggable ? mark.dataset.mark : null, x: event.clientX, y: event.clientY, ...this.view };
      this.root.setPointerCapture(event.pointerId);
    });
    this.root.addEventListener("pointermove", (event) => {
      if (!drag) return;
      if (drag.mark) this.moved(drag.mark, this.under(event), false);
      else this.smoothly(drag.yaw + (event.clientX - drag.x) * 0.45, drag.pitch + (event.clientY - drag.y) * 0.45);
    });
    for (const end of ["pointerup", "pointercancel"]) {
      this.root.addEventListener(end, (event) => {
        if (drag?.mark && end === "pointerup") this.moved(drag.mark, this.under(event), true);
        drag = null;
        this.root.classList.remove("coarse");
      });
    }
    this.root.addEventListener("keydown", (event) => this.key(event));
  }

  key(event) {
    const steps = { ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, 1], ArrowDown: [0, -1] };
    const step = steps[event.key];
    const mark = event.target.closest("[data-mark]");
    if (step && mark) this.nudged(mark.dataset.mark, step[0], step[1], event.shiftKey);
    else if (step) this.turn(this.view.yaw + 10 * step[0], this.view.pitch - 10 * step[1]);
    else if (event.key === "+" || event.key === "=") this.zoom(1.2);
    else if (event.key === "-") this.zoom(1 / 1.2);
    else return;
    event.preventDefault();
  }

  /** Turn with the next frame; where frames come too slowly, leave out what is behind until the turn ends. */
  smoothly(yaw, pitch) {
    this.next = [yaw, pitch];
    if (this.frame) return;
    const asked = performance.now();
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.turn(...this.next);
      this.slow = performance.now() - asked > SLOW_FRAME ? (this.slow ?? 0) + 1 : 0;
      if (this.slow > SLOW_FRAMES) this.root.classList.add("coarse");
    });
  }
}

const SHAPES = {
  dot: "M-4 0A4 4 0 1 0 4 0A4 4 0 1 0-4 0Z",
  cross: "M-6 0H6M0-6V6",
  triangle: "M0-6L5.500 4.500H-5.500Z",
  square: "M-4-4H4V4H-4Z",
  diamond: "M0-6L6 0L0 6L-6 0Z",
  open: "M-4 0A4 4 0 1 0 4 0A4 4 0 1 0-4 0Z",
  hole: "M-2 0H2M0-2V2",
};

function rotation({ yaw, pitch }) {
  const [a, b] = [(yaw * Math.PI) / 180, (pitch * Math.PI) / 180];
  const [ca, sa, cb, sb] = [Math.cos(a), Math.sin(a), Math.cos(b), Math.sin(b)];
  return [[ca, 0, sa], [sb * sa, cb, -sb * ca], [-cb * sa, sb, cb * ca]];
}

const apply = (m, p) => m.map((row) => row[0] * p[0] + row[1] * p[1] + row[2] * p[2]);

/** The parts of a line in front and behind, as path data; a line inside the ball is drawn whole, as behind. */
function pieces(points, inside) {
  const parts = ["", ""];
  let last = -1;
  points.forEach(([x, y, z], index) => {
    const part = inside || z < 0 ? 1 : 0;
    const place = `${(SIZE * x).toFixed(1)} ${(-SIZE * y).toFixed(1)}`;
    if (part === last) parts[part] += `L${place}`;
    else {
      if (index && last >= 0) parts[last] += `L${place}`;
      parts[part] += `M${place}`;
    }
    last = part;
  });
  return parts;
}
