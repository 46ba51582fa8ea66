// The section of a design through the pin, for drawing only: x to the mark, y across, z to the pin, in
// inches.

import { amount } from "./quantities.js";

const RAYS = 240;
const HALVINGS = 32;
const KEPT = 400;

/** Read a length of a request as inches; NaN where it cannot be read. */
export const inches = (value, fallback = 0) => amount(value, "in", fallback);

/** The place of a solid's middle. */
export const middleOf = (solid) => (solid.position ?? [0, 0, 0]).map((each) => inches(each));

const cross = (a, b) => [a[1] * b[2] - a[2] * b[1], a[2] * b[0] - a[0] * b[2], a[0] * b[1] - a[1] * b[0]];
const dot = (a, b) => a[0] * b[0] + a[1] * b[1] + a[2] * b[2];
const AXES = [
  [1, 0, 0],
  [0, 1, 0],
  [0, 0, 1],
];
const unit = (a) => a.map((each) => each / Math.hypot(...a));

/**
 * The directions of a solid's own axes in the design's frame.
 *
 * @returns {number[][]}
 */
export function axesOf(rotation) {
  if (!rotation) return AXES;
  if (rotation.axis) {
    const angle = (amount(rotation.angle, "deg") * Math.PI) / 180;
    return AXES.map((each) => turned(each, unit(rotation.axis), angle));
  }
  const z = unit(rotation.z);
  if (rotation.x) {
    const along = dot(rotation.x, z);
    const x = unit(rotation.x.map((each, index) => each - along * z[index]));
    return [x, cross(z, x), z];
  }
  const about = cross([0, 0, 1], z);
  const size = Math.hypot(...about);
  if (size < 1e-12) return z[2] > 0 ? AXES : AXES.map(([x, y, up]) => [x, -y, -up]);
  return AXES.map((each) => turned(each, unit(about), Math.atan2(size, z[2])));
}

/** Points of a solid about its own middle, one number after the other, in the design's frame. */
export function inDesign(points, solid) {
  const [axes, middle] = [axesOf(solid.rotation), middleOf(solid)];
  const scale = Number(solid.scale ?? 1);
  const found = new Float32Array(points.length);
  for (let at = 0; at < points.length; at += 3)
    for (let row = 0; row < 3; row++)
      found[at + row] =
        middle[row] +
        scale * (axes[0][row] * points[at] + axes[1][row] * points[at + 1] + axes[2][row] * points[at + 2]);
  return found;
}

/** Rodrigues' formula. */
function turned(v, axis, angle) {
  const [side, along] = [cross(axis, v), dot(axis, v)];
  return v.map(
    (each, index) =>
      each * Math.cos(angle) + side[index] * Math.sin(angle) + axis[index] * along * (1 - Math.cos(angle)),
  );
}

/** Heights and radii of a solid of revolution, or null. */
export function profileOf(solid) {
  const half = inches(solid.height) / 2;
  const [radial, axial] = [solid.radial_scale ?? 1, solid.axial_scale ?? 1];
  return (
    {
      cylinder: () => [
        [-half, inches(solid.diameter) / 2],
        [half, inches(solid.diameter) / 2],
      ],
      cone: () => [
        [-half, inches(solid.diameter) / 2],
        [half, 0],
      ],
      frustum: () => [
        [-half, inches(solid.bottom_diameter) / 2],
        [half, inches(solid.top_diameter) / 2],
      ],
      profile: () =>
        solid.points.map(([height, radius]) => [inches(height) * axial, inches(radius) * radial]),
    }[solid.shape]?.() ?? null
  );
}

/** A function that tells whether a place of the solid's own frame lies in it. */
function insideOf(solid, diameter) {
  const halves = ["length_x", "length_y", "length_z"].map((name) => inches(solid[name]) / 2);
  if (solid.shape === "sphere") {
    const radius = inches(solid.diameter, diameter) / 2;
    return (p) => Math.hypot(...p) <= radius;
  }
  if (solid.shape === "ellipsoid")
    return (p) => Math.hypot(...p.map((each, index) => each / halves[index])) <= 1;
  if (solid.shape === "rounded_box") {
    const round = inches(solid.rounding);
    return (p) => {
      const beyond = p.map((each, index) => Math.abs(each) - halves[index] + round);
      return (
        Math.hypot(...beyond.map((each) => Math.max(each, 0))) <= round + 1e-12 || Math.max(...beyond) <= 0
      );
    };
  }
  const profile = profileOf(solid);
  return (p) => {
    const at = profile.findIndex(
      ([height], index) => index > 0 && profile[index - 1][0] <= p[2] && p[2] <= height,
    );
    if (at < 0) return false;
    const [[low, from], [high, to]] = [profile[at - 1], profile[at]];
    return (
      Math.hypot(p[0], p[1]) <=
      (high > low ? from + ((to - from) * (p[2] - low)) / (high - low) : Math.max(from, to))
    );
  };
}

const known = new Map();

/**
 * The outlines [[[u, z], ...], ...] of one solid in the section through the pin and the mark (`across` 0) or
 * square to it (`across` 1, u is y); null where it cannot be read or is not cut. `shape` is a mesh's own.
 */
export function outline(solid, diameter, across = 0, shape = null) {
  if (solid.shape === "mesh") return shape?.section(solid, across) ?? null;
  const { name: _, density: __, role: ___, ...body } = solid;
  const key = JSON.stringify([body, diameter, across]);
  if (!known.has(key)) {
    if (known.size > KEPT) known.clear();
    known.set(key, drawn(solid, diameter, across));
  }
  return known.get(key);
}

function drawn(solid, diameter, across) {
  try {
    const points = traced(solid, diameter, across);
    return points && [points];
  } catch {
    return null; // half a solid, while it is being written
  }
}

function traced(solid, diameter, across) {
  const place = middleOf(solid);
  const [u, off] = across ? [place[1], place[0]] : [place[0], place[1]];
  const axes = axesOf(solid.rotation);
  const profile = profileOf(solid);
  if (profile && !solid.rotation && off === 0) {
    const right = profile.map(([height, radius]) => [u + radius, place[2] + height]);
    const left = profile.map(([height, radius]) => [u - radius, place[2] + height]);
    return readable([...right, ...left.reverse()]);
  }
  const inside = insideOf(solid, diameter);
  const within = (along, z) => {
    const from = across ? [-off, along - u, z - place[2]] : [along - u, -off, z - place[2]];
    return inside(axes.map((axis) => dot(axis, from)));
  };
  if (!within(u, place[2])) return null;
  return readable(
    Array.from({ length: RAYS }, (_, index) => {
      const angle = (2 * Math.PI * index) / RAYS;
      let [low, high] = [0, 2 * diameter];
      for (let step = 0; step < HALVINGS; step++) {
        const middle = (low + high) / 2;
        if (within(u + middle * Math.cos(angle), place[2] + middle * Math.sin(angle))) low = middle;
        else high = middle;
      }
      return [u + low * Math.cos(angle), place[2] + low * Math.sin(angle)];
    }),
  );
}

const readable = (points) => (points.every((each) => each.every(Number.isFinite)) ? points : null);
