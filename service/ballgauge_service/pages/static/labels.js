// Where the labels of a drawing go: each beside its place, none upon another, upon a mark or over the edge;
// over the ball's outline only where there is no other place.

const WIDTH = 0.63;
const EDGE = 2;
const HEIGHT = 1.15;
const WAYS = [
  [1, -0.6],
  [1, 0.6],
  [-1, -0.6],
  [-1, 0.6],
  [0, -1],
  [0, 1],
  [1, 0],
  [-1, 0],
];
const FAR = [1, 1.9, 3, 4.5, 6];

/**
 * Places of labels by their index. `wanted`: {index, x, y, reach, text}, the more important ones first;
 * `marks`: {x, y, reach}; `letter`: the letters' size; `wide`, `high`: half the drawing's; `rim`: the ball's
 * radius. All in units of the drawing.
 */
export function label(wanted, marks, letter, { wide, high, rim }) {
  const placed = new Map();
  const taken = marks.map(({ x, y, reach }) => box(x, y, 2 * reach, 2 * reach));
  for (const word of wanted) {
    /** @type {[number, number]} */
    const size = [WIDTH * letter * word.text.length, HEIGHT * letter];
    const fitting = candidates(word, size, letter).filter(
      ({ area }) =>
        Math.abs(area.x) + area.width / 2 + EDGE < wide &&
        Math.abs(area.y) + area.height / 2 + EDGE < high &&
        !taken.some((other) => meet(area, other)),
    );
    const found = fitting.find(({ area }) => !crosses(area, rim)) ?? fitting[0];
    if (!found) continue;
    taken.push(found.area);
    placed.set(word.index, {
      x: found.area.x,
      y: found.area.y + 0.35 * letter,
      lead: found.far > 1 ? leadTo(word, found.area) : "",
    });
  }
  return placed;
}

function candidates(word, [width, height], letter) {
  return FAR.flatMap((far) =>
    WAYS.map(([right, down]) => ({
      far,
      area: box(
        word.x + (word.x < 0 ? -right : right) * (width / 2 + word.reach + 0.75 * letter * far),
        word.y + down * (height / 2 + word.reach + 0.75 * letter * far),
        width,
        height,
      ),
    })),
  );
}

const box = (x, y, width, height) => ({ x, y, width, height });
const meet = (a, b) =>
  2 * Math.abs(a.x - b.x) < a.width + b.width && 2 * Math.abs(a.y - b.y) < a.height + b.height;

/** Whether a box lies over a circle around the middle. */
function crosses({ x, y, width, height }, rim) {
  const [across, down] = [Math.abs(x), Math.abs(y)];
  const near = Math.hypot(Math.max(0, across - width / 2), Math.max(0, down - height / 2));
  return near < rim && rim < Math.hypot(across + width / 2, down + height / 2);
}

/** A line from the place to the nearest point of its label. */
function leadTo({ x, y }, area) {
  const near = (at, middle, size) => Math.min(middle + size / 2, Math.max(middle - size / 2, at));
  const end = [near(x, area.x, area.width), near(y, area.y, area.height)];
  return `M${x.toFixed(1)} ${y.toFixed(1)}L${end[0].toFixed(1)} ${end[1].toFixed(1)}`;
}
