// Charts as SVG: a frame with round ticks, and what is drawn in it by values.

import { svg } from "./elements.js";
import { plain } from "./words.js";

const MARGIN = { left: 58, right: 16, top: 22, bottom: 46 };
const NAMES = 180;
const TICKS = 6;

/** Give round numbers from `low` to `high`. */
export function ticks(low, high, count = TICKS) {
  const rough = (high - low) / count;
  const power = 10 ** Math.floor(Math.log10(rough));
  const step = [1, 2, 5, 10].map((each) => each * power).find((each) => each >= rough);
  const found = [];
  for (let index = Math.ceil(low / step); index * step <= high + step * 1e-9; index++)
    found.push(index * step);
  return found;
}

/** Widen a range a little, so that nothing lies on the frame. */
export function around(values, share = 0.06) {
  const low = Math.min(...values);
  const high = Math.max(...values);
  const more = (high - low) * share || Math.abs(high) * share || 1;
  return [low - more, high + more];
}

/**
 * Make an empty chart; `x` and `y` turn values into places, `add` draws over the frame. `names`: at its left
 * is room for them in place of ticks.
 */
export function chart({ label, xRange, yRange, xTitle, yTitle, names = false, width = 640, height = 340 }) {
  const start = names ? NAMES : MARGIN.left;
  const x = (value) =>
    start + ((value - xRange[0]) / (xRange[1] - xRange[0])) * (width - start - MARGIN.right);
  const y = (value) =>
    height -
    MARGIN.bottom -
    ((value - yRange[0]) / (yRange[1] - yRange[0])) * (height - MARGIN.top - MARGIN.bottom);
  const [left, right, top, bottom] = [x(xRange[0]), x(xRange[1]), y(yRange[1]), y(yRange[0])];
  const picture = svg(
    "svg.chart",
    { viewBox: `0 0 ${width} ${height}`, role: "img", "aria-label": label },
    ticks(...xRange).flatMap((value) => [
      svg("line.grid-line", { x1: x(value), x2: x(value), y1: top, y2: bottom }),
      svg("text.tick-text", { x: x(value), y: bottom + 16, "text-anchor": "middle" }, plain(value)),
    ]),
    (names ? [] : ticks(...yRange)).flatMap((value) => [
      svg("line.grid-line", { x1: left, x2: right, y1: y(value), y2: y(value) }),
      svg("text.tick-text", { x: left - 6, y: y(value) + 4, "text-anchor": "end" }, plain(value)),
    ]),
    svg("path.axis-line", { d: `M${left} ${top}V${bottom}H${right}` }),
    svg("text.axis-title", { x: (left + right) / 2, y: height - 8, "text-anchor": "middle" }, xTitle),
    svg("text.axis-title", { x: left, y: 13, "text-anchor": "start" }, yTitle),
  );
  return { x, y, left, right, top, bottom, picture, add: (...parts) => picture.append(...parts.flat()) };
}

/** Give the path through points. */
export function path(points) {
  return points.map(([x, y], index) => `${index ? "L" : "M"}${x.toFixed(2)} ${y.toFixed(2)}`).join("");
}
