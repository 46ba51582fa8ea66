// A view of the design that turns, drawn by WebGL: parts in colors, holes as tubes, by pointer or keys.

import { element } from "./elements.js";
import { axesOf, inDesign, inches, profileOf } from "./section.js";
import { gettext } from "./words.js";

const SIDES = 48;
const COLORS = [
  [0.62, 0.66, 0.7],
  [0.9, 0.78, 0.42],
  [0.24, 0.5, 0.8],
  [0.87, 0.5, 0.2],
  [0.75, 0.28, 0.4],
  [0.45, 0.65, 0.35],
  [0.5, 0.4, 0.7],
  [0.3, 0.65, 0.65],
]; // by the part's place (ours)
const HOLE = [0.1, 0.1, 0.12];
const THIN = { cover: 0.16, outer_core: 0.22 }; // how much is seen of what lies around the core (ours)
const STEP = Math.PI / 18;
const VERTEX = `#version 300 es
in vec3 place; uniform mat3 turn; uniform vec3 scale; out vec3 at;
void main() { at = turn * place; gl_Position = vec4(at * scale, 1.0); }`;
const FRAGMENT = `#version 300 es
precision highp float; in vec3 at; uniform vec4 color; out vec4 seen;
void main() { vec3 n = normalize(cross(dFdx(at), dFdy(at)));
  float light = 0.45 + 0.55 * abs(dot(n, normalize(vec3(0.3, 0.5, 0.8))));
  seen = vec4(color.rgb * light * color.a, color.a); }`;

/** Triangles of a grid of points, as one list of numbers; `at(across, up)` with both from 0 to 1. */
function grid(at, rows = SIDES / 2) {
  const points = [];
  for (let row = 0; row < rows; row++)
    for (let side = 0; side < SIDES; side++) {
      const [a, b] = [side / SIDES, (side + 1) / SIDES];
      const [low, high] = [row / rows, (row + 1) / rows];
      points.push(
        ...at(a, low),
        ...at(b, low),
        ...at(b, high),
        ...at(a, low),
        ...at(b, high),
        ...at(a, high),
      );
    }
  return points;
}

const onBall = (across, up) => {
  const [flat, rise] = [2 * Math.PI * across, Math.PI * (up - 0.5)];
  return [Math.cos(rise) * Math.cos(flat), Math.cos(rise) * Math.sin(flat), Math.sin(rise)];
};

/** Triangles of a solid about its own middle, or null where it is half written. */
function own(solid, diameter) {
  if (solid.shape === "sphere") {
    const radius = inches(solid.diameter, diameter) / 2;
    return grid((...at) => onBall(...at).map((each) => radius * each));
  }
  const halves = ["length_x", "length_y", "length_z"].map((name) => inches(solid[name]) / 2);
  if (solid.shape === "ellipsoid")
    return grid((...at) => onBall(...at).map((each, axis) => halves[axis] * each));
  if (solid.shape === "rounded_box") {
    const round = inches(solid.rounding ?? 0);
    // A little off the axes, where a flat face would have no corner of its own.
    return grid((across, up) =>
      onBall(across + 0.5 / SIDES, up).map(
        (each, axis) => Math.sign(each) * (halves[axis] - round) + round * each,
      ),
    );
  }
  const line = profileOf(solid);
  if (!line) return null;
  const outline = [[line[0][0], 0], ...line, [line.at(-1)[0], 0]];
  const rows = outline.length - 1;
  return grid((across, up) => {
    const [height, radius] = outline[Math.round(up * rows)];
    return [radius * Math.cos(2 * Math.PI * across), radius * Math.sin(2 * Math.PI * across), height];
  }, rows);
}

/** Triangles of a solid in the design's frame; `shape` is a mesh's own. */
function placed(solid, diameter, shape) {
  if (solid.shape === "mesh") return shape?.placed(solid) ?? null;
  const points = own(solid, diameter);
  if (!points?.every(Number.isFinite)) return null;
  const found = inDesign(points, solid);
  return found.every(Number.isFinite) ? found : null;
}

/** The tube of a hole, open at its mouth. */
function tube({ mouth, bottom }, radius) {
  const [from, to] = [mouth, bottom].map(({ x, y, z }) => [x, y, z]);
  const along = to.map((each, axis) => each - from[axis]);
  const [x, y] = axesOf({ z: along });
  return new Float32Array(
    grid((across, up) => {
      const [reach, wide] = up > 0.75 ? [1, 0] : [Math.min(2 * up, 1), radius];
      const [c, s] = [wide * Math.cos(2 * Math.PI * across), wide * Math.sin(2 * Math.PI * across)];
      return from.map((each, axis) => each + reach * along[axis] + c * x[axis] + s * y[axis]);
    }, 3),
  );
}

export class Turning {
  /** `shapeOf(design, solid)` gives the shape of a mesh. */
  constructor({ holder, shapeOf }) {
    this.anew();
    this.holder = holder;
    this.shapeOf = shapeOf;
    this.gl = null;
    this.program = null;
    this.design = { solids: [] };
    this.holes = [];
    this.canvas = element("canvas", { id: "turning", tabindex: "0", role: "img" });
    this.pen = this.canvas.getContext("2d");
    this.legend = element("ul.legend", { "aria-label": gettext("Colors of the parts") });
    this.told = element("p.quiet");
    holder.append(this.canvas, this.told, this.legend);
    this.listen();
    this.begin();
  }

  anew() {
    this.turn = 0.6;
    this.tilt = -1.2;
    this.near = 1;
  }

  /**
   * Take up WebGL, where the browser has it by now. It draws out of sight, and its picture is copied: a
   * canvas of WebGL that lies partly under something is cut at the wrong end by some browsers, and a lost one
   * is blank.
   */
  begin() {
    if (!this.gl) {
      this.gl = element("canvas").getContext("webgl2");
      if (this.gl) this.hear(this.gl.canvas);
    }
    if (this.gl && !this.gl.isContextLost()) this.prepare();
    this.say();
  }

  /** A browser short of memory or of a graphics process takes a picture away, and gives it back later. */
  hear(source) {
    source.addEventListener("webglcontextlost", (event) => {
      event.preventDefault();
      this.program = null;
      this.say();
    });
    source.addEventListener("webglcontextrestored", () => {
      this.begin();
      this.draw();
    });
  }

  say() {
    const { gl } = this;
    this.canvas.hidden = !gl;
    this.told.textContent = !gl
      ? gettext("This browser has no WebGL: the sections above show the same parts.")
      : this.program
        ? gettext("Drag to turn; with keys: arrows turn, + and − come nearer and go away, Home begins anew.")
        : gettext("The browser has taken the picture away, and draws it again when it can.");
  }

  listen() {
    const { canvas, holder } = this;
    holder.addEventListener("toggle", () => {
      if (holder.open && !this.gl) this.begin();
      this.draw();
    });
    // Laid out later, or in another size than it was drawn in.
    new ResizeObserver(() => this.draw()).observe(canvas);
    canvas.addEventListener("pointerdown", (event) => canvas.setPointerCapture(event.pointerId));
    canvas.addEventListener("pointermove", (event) => {
      if (event.buttons) this.move(event.movementX / 120, event.movementY / 120);
    });
    canvas.addEventListener("keydown", (event) => this.key(event));
  }

  prepare() {
    const { gl } = this;
    const program = gl.createProgram();
    for (const [kind, text] of [
      [gl.VERTEX_SHADER, VERTEX],
      [gl.FRAGMENT_SHADER, FRAGMENT],
    ]) {
      const shader = gl.createShader(kind);
      gl.shaderSource(shader, text);
      gl.compileShader(shader);
      gl.attachShader(program, shader);
    }
    gl.linkProgram(program);
    this.program = program;
    this.buffer = gl.createBuffer();
  }

  key(event) {
    const ways = { ArrowLeft: [-STEP, 0], ArrowRight: [STEP, 0], ArrowUp: [0, -STEP], ArrowDown: [0, STEP] };
    const nearer = { "+": 1.15, "-": 1 / 1.15 }[event.key];
    if (ways[event.key]) this.move(...ways[event.key]);
    else if (nearer) this.near = Math.min(4, Math.max(0.5, this.near * nearer));
    else if (event.key === "Home") this.anew();
    else return;
    event.preventDefault();
    this.draw();
  }

  move(turn, tilt) {
    this.turn += turn;
    this.tilt = Math.min(0.5, Math.max(-Math.PI - 0.5, this.tilt + tilt));
    this.draw();
  }

  /** Show a design, with the holes of its newest answer and their diameters. */
  show(design, holes) {
    this.design = design;
    this.holes = holes;
    if (this.holder.open) this.draw();
  }

  draw() {
    if (!this.holder.open) return;
    const diameter = inches(this.design.diameter);
    const solids = this.design.solids ?? [];
    const drawn = solids.map((solid, at) => {
      const thin = at === 0 ? THIN.cover : (THIN[solid.role] ?? 1);
      return {
        solid,
        points: placed(solid, diameter, this.shapeOf(this.design, solid)),
        color: [...COLORS[at % COLORS.length], thin],
      };
    });
    const holes = this.holes.map(({ hole, size }) => ({ points: tube(hole, size / 2), color: [...HOLE, 1] }));
    this.tell(drawn, holes.length);
    if (this.program) this.paint([...drawn.filter((each) => each.points), ...holes], diameter);
  }

  tell(drawn, holes) {
    const rows = drawn.map(({ solid, points, color }) => {
      const swatch = element("span.swatch", { "aria-hidden": "true" });
      swatch.style.background = `rgb(${color.slice(0, 3).map((each) => Math.round(255 * each))})`;
      return element("li", swatch, points ? solid.name : gettext("{name} (not drawn)", { name: solid.name }));
    });
    if (holes) {
      const swatch = element("span.swatch", { "aria-hidden": "true" });
      swatch.style.background = `rgb(${HOLE.map((each) => Math.round(255 * each))})`;
      rows.push(element("li", swatch, gettext("{count} holes", { count: holes })));
    }
    this.legend.replaceChildren(...rows);
    const names = drawn.map(({ solid }) => solid.name).join(", ");
    this.canvas.setAttribute(
      "aria-label",
      gettext(
        "The ball seen from a side, {turn}° about and {tilt}° from the pin; parts: {names}; holes: {holes}",
        {
          turn: Math.round((this.turn * 180) / Math.PI) % 360,
          tilt: Math.round((-this.tilt * 180) / Math.PI),
          names,
          holes,
        },
      ),
    );
  }

  paint(parts, diameter) {
    const { gl, canvas } = this;
    const size = Math.round(canvas.clientWidth * Math.min(window.devicePixelRatio, 2));
    if (!size) return; // not laid out yet; its observer draws it then
    for (const each of [canvas, gl.canvas])
      if (each.width !== size) Object.assign(each, { width: size, height: size });
    gl.viewport(0, 0, size, size);
    gl.clearColor(0, 0, 0, 0);
    gl.clear(gl.COLOR_BUFFER_BIT | gl.DEPTH_BUFFER_BIT);
    gl.enable(gl.DEPTH_TEST);
    gl.enable(gl.BLEND);
    gl.blendFunc(gl.ONE, gl.ONE_MINUS_SRC_ALPHA);
    gl.useProgram(this.program);
    const scale = (1.9 * this.near) / diameter;
    gl.uniform3f(gl.getUniformLocation(this.program, "scale"), scale, scale, -scale / this.near / 2);
    const [c, s, d, e] = [Math.cos(this.turn), Math.sin(this.turn), Math.cos(this.tilt), Math.sin(this.tilt)];
    gl.uniformMatrix3fv(gl.getUniformLocation(this.program, "turn"), false, [
      c,
      s * d,
      s * e,
      -s,
      c * d,
      c * e,
      0,
      -e,
      d,
    ]);
    const opaque = parts.filter(({ color }) => color[3] === 1);
    // What lies further in is drawn first: it is seen through what lies around it.
    const thin = parts.filter(({ color }) => color[3] < 1).reverse();
    for (const { points, color } of [...opaque, ...thin]) {
      gl.depthMask(color[3] === 1);
      gl.bindBuffer(gl.ARRAY_BUFFER, this.buffer);
      gl.bufferData(gl.ARRAY_BUFFER, points, gl.DYNAMIC_DRAW);
      const place = gl.getAttribLocation(this.program, "place");
      gl.enableVertexAttribArray(place);
      gl.vertexAttribPointer(place, 3, gl.FLOAT, false, 0, 0);
      gl.uniform4f(gl.getUniformLocation(this.program, "color"), ...color);
      gl.drawArrays(gl.TRIANGLES, 0, points.length / 3);
    }
    gl.depthMask(true);
    this.pen.clearRect(0, 0, size, size);
    this.pen.drawImage(gl.canvas, 0, 0);
  }
}
