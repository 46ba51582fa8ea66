// The ball as a drawing that turns: one SVG, redrawn from the points of a scene. Marks are moved by handles
// or keys.

import { svg } from "./elements.js";
import { label } from "./labels.js";
import { carried } from "./sphere.js";

const SIZE = 100;
const HALF = 114;
const SLOW_FRAME = 33;
const SLOW_FRAMES = 8;
/** Pixels that a pointer moves before it drags (ours), and the width of a target for fingers (WCAG 2.5.5). */
const DRAG = 4;
const TARGET = 44;
const LETTER = 12.5;

export class Ball {
  /**
   * `moved(id, point, done)` is called while a mark is dragged, `nudged(id, right, up, big)` when arrow keys
   * move it, `turned(view)` when the ball has been turned.
   */
  constructor(root, { moved, nudged, turned }) {
    this.root = root;
    this.moved = moved;
    this.nudged = nudged;
    this.turned = turned;
    this.through = true;
    this.marks = new Map();
    this.words = [];
    this.view = { yaw: 0, pitch: 0, zoom: 1 };
    this.layers = Object.fromEntries(
      ["back", "inside", "front", "marks", "words"].map((name) => [
        name,
        svg("g", { class: `layer-${name}` }),
      ]),
    );
    const { back, inside, front, marks, words } = this.layers;
    root.append(
      svg(
        "g.ball-drawing",
        { id: "ball-drawing" },
        svg("circle.body", { r: SIZE }),
        back,
        inside,
        front,
        svg("circle.rim", { r: SIZE }),
        marks,
      ),
      words,
    );
    this.listen();
    this.box = root.getBoundingClientRect();
    new ResizeObserver(() => {
      this.box = root.getBoundingClientRect();
      this.draw();
    }).observe(root);
  }

  /**
   * Show a scene: {lines: [{points, kind, inside}], shells, words: [{point, text, kind, reach}],
   * marks: [{id, point, place, short, label, shape, movable}]}. A mark is moved by its `point`, and stands
   * for its `place`.
   */
  show(scene) {
    this.scene = scene;
    this.lines = scene.lines.map((line) => this.path(line.kind));
    this.layers.back.replaceChildren(...this.lines.map((line) => line.back));
    this.layers.front.replaceChildren(...this.lines.map((line) => line.front));
    this.layers.inside.replaceChildren(
      ...scene.shells.map((shell) => svg("circle.shell", { r: SIZE * shell })),
    );
    this.keepMarks(scene.marks);
    this.words = scene.words.map((word) =>
      svg("text", { class: `word ${word.kind}`, "aria-hidden": "true" }, word.text),
    );
    this.leads = scene.words.map(() => svg("path.lead-line"));
    this.layers.words.replaceChildren(...this.leads, ...this.words);
    this.draw();
  }

  path(kind) {
    return {
      back: svg("path", { class: `line back ${kind}` }),
      front: svg("path", { class: `line ${kind}` }),
    };
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
        const made = svg(
          "g",
          { class: `mark ${mark.shape}`, "data-mark": mark.id },
          svg("circle.grasp"),
          svg("path.shape", { d: SHAPES[mark.shape] }),
        );
        this.marks.set(mark.id, made);
        this.layers.marks.append(made);
      }
      const made = this.marks.get(mark.id);
      made.setAttribute("role", mark.movable ? "button" : "img");
      made.setAttribute("aria-label", mark.label);
      if (mark.movable) made.setAttribute("tabindex", "0");
    }
  }

  /** Turn so that the unit vector faces the reader. */
  face(p) {
    this.turn(
      (180 / Math.PI) * Math.atan2(-p[0], p[2]),
      (180 / Math.PI) * Math.asin(Math.min(1, Math.max(-1, p[1]))),
    );
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
    this.draw();
    this.turned(this.view);
  }

  /** Pixels of the screen in a unit of the drawing. */
  scale() {
    return (Math.min(this.box.width, this.box.height) || 1) / ((2 * HALF) / this.view.zoom);
  }

  draw() {
    if (!this.scene) return;
    const look = rotation(this.view);
    this.scene.lines.forEach((line, index) => {
      const [front, back] = pieces(
        line.points.map((p) => apply(look, p)),
        line.inside,
      );
      this.lines[index].front.setAttribute("d", front);
      this.lines[index].back.setAttribute("d", this.through || line.inside === undefined ? back : "");
    });
    this.layers.inside.style.display = this.through ? "" : "none";
    this.layers.back.style.display = this.through ? "" : "none";
    const pixels = this.scale();
    const places = this.scene.marks.map((mark) => this.drawMark(mark, apply(look, mark.point), pixels));
    this.drawWords(look, places, pixels);
  }

  drawMark(mark, [x, y, z], pixels) {
    const made = this.marks.get(mark.id);
    made.setAttribute("transform", `translate(${(SIZE * x).toFixed(2)} ${(-SIZE * y).toFixed(2)})`);
    made.classList.toggle("behind", z < -0.001);
    made.style.display = z < -0.001 && !this.through ? "none" : "";
    const sized = Math.min(1.4, Math.max(0.7, 2 / pixels));
    made.querySelector(".shape").setAttribute("transform", `scale(${sized.toFixed(2)})`);
    this.drawGrasp(made.querySelector(".grasp"), mark, [x, y], TARGET / 2 / pixels);
    return { x: SIZE * x, y: -SIZE * y, reach: 5 * sized };
  }

  /**
   * The place where a mark is grasped; that of a handle leaves its hole free, in which a drag turns the ball.
   */
  drawGrasp(grasp, mark, [x, y], reach) {
    grasp.setAttribute("r", reach.toFixed(1));
    if (!mark.place) return;
    const [right, up] = apply(rotation(this.view), mark.place);
    const [outX, outY] = [SIZE * (x - right), SIZE * (up - y)];
    const far = Math.hypot(outX, outY) || 1;
    const aside = Math.max(0, reach - 0.7 * far) / far;
    grasp.setAttribute("cx", (aside * outX).toFixed(1));
    grasp.setAttribute("cy", (aside * outY).toFixed(1));
  }

  /** Labels go where they hide nothing and are whole; one behind the ball, or without room, is left out. */
  drawWords(look, marks, pixels) {
    const letter = LETTER / pixels;
    const half = HALF / this.view.zoom;
    const wanted = this.scene.words.map((word, index) => {
      const [x, y, z] = apply(look, word.point);
      return {
        index,
        x: SIZE * x,
        y: -SIZE * y,
        seen: z > 0.02,
        reach: SIZE * (word.reach ?? 0),
        text: word.text,
      };
    });
    const { box } = this;
    const [wide, high] = [
      half * Math.max(1, box.width / box.height || 1),
      half * Math.max(1, box.height / box.width || 1),
    ];
    const mouths = this.scene.words
      .filter((word) => word.reach)
      .map((word) => {
        const [x, y] = apply(look, word.point);
        return { x: SIZE * x, y: -SIZE * y, reach: 0.9 * SIZE * word.reach };
      });
    const placed = label(
      wanted.filter((word) => word.seen),
      [...marks, ...mouths],
      letter,
      { wide, high, rim: SIZE },
    );
    this.words.forEach((made, index) => {
      const place = placed.get(index);
      made.style.display = this.leads[index].style.display = place ? "" : "none";
      if (!place) return;
      made.setAttribute("font-size", letter.toFixed(2));
      made.setAttribute("x", place.x.toFixed(1));
      made.setAttribute("y", place.y.toFixed(1));
      this.leads[index].setAttribute("d", place.lead);
    });
  }

  /** The unit vector under a place of the window; beyond the rim, the nearest point on it. */
  under({ x: left, y: top }) {
    const at = new DOMPoint(left, top).matrixTransform(this.root.getScreenCTM().inverse());
    const [x, y] = [at.x / SIZE, -at.y / SIZE];
    const far = Math.hypot(x, y);
    const seen = far < 1 ? [x, y, Math.sqrt(1 - far * far)] : [x / far, y / far, 0];
    const look = rotation(this.view);
    return [0, 1, 2].map(
      (column) => look[0][column] * seen[0] + look[1][column] * seen[1] + look[2][column] * seen[2],
    );
  }

  /**
   * A pointer drags after it has moved `DRAG` pixels: before, it is a click, which moves nothing. Two pinch.
   */
  listen() {
    const pointers = new Map();
    let drag = null;
    const apart = () => {
      const [a, b] = [...pointers.values()];
      return Math.hypot(a.x - b.x, a.y - b.y) || 1;
    };
    this.root.addEventListener("pointerdown", (event) => {
      pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (pointers.size === 2) {
        drag?.point && this.moved(drag.id, drag.point, true);
        drag = { pinch: apart() };
      } else if (pointers.size === 1) drag = this.start(event);
      this.root.setPointerCapture(event.pointerId);
    });
    this.root.addEventListener("pointermove", (event) => {
      if (!pointers.has(event.pointerId)) return;
      pointers.set(event.pointerId, { x: event.clientX, y: event.clientY });
      if (drag?.pinch && pointers.size === 2) {
        this.zoom(apart() / drag.pinch);
        drag.pinch = apart();
      } else if (drag && !drag.pinch) this.drag(drag, event);
    });
    for (const end of ["pointerup", "pointercancel"]) {
      this.root.addEventListener(end, (event) => {
        pointers.delete(event.pointerId);
        if (drag?.point) this.moved(drag.id, drag.point, true);
        drag = null;
        this.root.classList.remove("coarse");
      });
    }
    this.root.addEventListener("keydown", (event) => this.key(event));
  }

  start(event) {
    const mark = event.target.closest("[data-mark]");
    const isMovable = mark?.hasAttribute("tabindex") && !mark.classList.contains("behind");
    const found = isMovable ? this.scene.marks.find((each) => each.id === mark.dataset.mark) : null;
    const at = { x: event.clientX, y: event.clientY };
    return {
      id: found?.id,
      place: found?.place ?? found?.point,
      from: this.under(at),
      at,
      view: { ...this.view },
      begun: false,
      point: null,
    };
  }

  drag(drag, event) {
    const [right, down] = [event.clientX - drag.at.x, event.clientY - drag.at.y];
    drag.begun ||= Math.hypot(right, down) >= DRAG;
    if (!drag.begun) return;
    if (drag.id) {
      drag.point = carried(drag.place, drag.from, this.under({ x: event.clientX, y: event.clientY }));
      this.moved(drag.id, drag.point, false);
    } else this.smoothly(drag.view.yaw + right * 0.45, drag.view.pitch + down * 0.45);
  }

  key(event) {
    if (event.ctrlKey || event.metaKey || event.altKey) return;
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

  /** Whether a point is turned away from the reader. */
  isBehind(p) {
    return apply(rotation(this.view), p)[2] < 0;
  }

  /** Turn with the next frame; where frames come too slowly, leave out what is behind until the turn ends. */
  smoothly(yaw, pitch) {
    this.next = [yaw, pitch];
    if (this.frame) return;
    const asked = performance.now();
    this.frame = requestAnimationFrame(() => {
      this.frame = 0;
      this.turn(...this.next);
      this.slow =
        performance.now() - asked > SLOW_FRAME ? (this.slow ?? 0) + 1 : Math.max(0, (this.slow ?? 0) - 1);
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
  grip: "M-5 0H5M0-5V5M-3 0A3 3 0 1 0 3 0A3 3 0 1 0-3 0Z",
  handle: "M-5 0H5M0-5V5M-5 0L-3-2M-5 0L-3 2M5 0L3-2M5 0L3 2M0-5L-2-3M0-5L2-3M0 5L-2 3M0 5L2 3",
};

function rotation({ yaw, pitch }) {
  const [a, b] = [(yaw * Math.PI) / 180, (pitch * Math.PI) / 180];
  const [ca, sa, cb, sb] = [Math.cos(a), Math.sin(a), Math.cos(b), Math.sin(b)];
  return [
    [ca, 0, sa],
    [sb * sa, cb, -sb * ca],
    [-cb * sa, sb, cb * ca],
  ];
}

const apply = (m, p) => m.map((row) => row[0] * p[0] + row[1] * p[1] + row[2] * p[2]);

/**
 * The parts of a line in front and behind, as path data; a line inside the ball is drawn whole, as behind.
 */
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
