// Holes in a section of a ball: what the plane cuts of them, and where they lie before and behind it.

import { axesOf } from "./section.js";

const SIDES = 32;
const BEYOND = 0.3; // how far a bore is drawn out of the ball, which hides it [in] (ours)

/** The outline of what a plane sees of points around it (monotone chain). */
function hull(points) {
  const sorted = [...points].sort((a, b) => a[0] - b[0] || a[1] - b[1]);
  const half = (all) => {
    const found = [];
    for (const each of all) {
      while (found.length > 1 && left(found.at(-2), found.at(-1), each) <= 0) found.pop();
      found.push(each);
    }
    return found.slice(0, -1);
  };
  return [...half(sorted), ...half(sorted.reverse())];
}

const left = (a, b, c) => (b[0] - a[0]) * (c[1] - a[1]) - (b[1] - a[1]) * (c[0] - a[0]);

/**
 * A hole of this diameter [in] in the section of `across`: `seen`, its outline as projected, and `cut`, that
 * of what the plane cuts of it, null where it lies before or behind the plane.
 */
export function bore({ mouth, bottom }, diameter, across) {
  const [from, to] = [mouth, bottom].map(({ x, y, z }) => [x, y, z]);
  const along = to.map((each, axis) => each - from[axis]);
  const reach = Math.hypot(...along);
  const start = from.map((each, axis) => each - (along[axis] / reach) * BEYOND);
  const [x, y] = axesOf({ z: along });
  const [plane, off] = across ? [1, 0] : [0, 1];
  const sides = Array.from({ length: SIDES }, (_, side) => {
    const angle = (2 * Math.PI * side) / SIDES;
    const out = [0, 1, 2].map(
      (axis) => (diameter / 2) * (Math.cos(angle) * x[axis] + Math.sin(angle) * y[axis]),
    );
    return [start, to].map((end) => end.map((each, axis) => each + out[axis]));
  });
  const edges = sides.flatMap(([top, foot], side) => {
    const [nextTop, nextFoot] = sides[(side + 1) % SIDES];
    return [
      [top, foot],
      [top, nextTop],
      [foot, nextFoot],
    ];
  });
  const crossings = edges
    .filter(([a, b]) => a[off] >= 0 !== b[off] >= 0)
    .map(([a, b]) => {
      const share = a[off] / (a[off] - b[off]);
      return [plane, 2].map((axis) => a[axis] + share * (b[axis] - a[axis]));
    });
  return {
    seen: hull(sides.flat().map((each) => [each[plane], each[2]])),
    cut: crossings.length > 2 ? hull(crossings) : null,
  };
}
