// What is drawn of a drilling: lines, bores, marks and their labels.

import { fraction } from "./fractions.js";
import { names } from "./roles.js";
import * as sphere from "./sphere.js";
import { gettext, plain, quantity, units } from "./words.js";

const COVER = 0.75;
/** How far beyond a hole's rim its handle is [in] (ours). */
const HANDLE = 0.3;
/** Angle between a handle and the next mark that both can be grasped [rad] (ours). */
const ROOM = 0.16;

const MARKS = {
  pap: () => ({ short: "PAP", name: gettext("positive axis point (PAP)"), shape: "cross", movable: true }),
  pin: () => ({ short: gettext("pin"), name: gettext("pin"), shape: "dot", movable: true }),
  psa: () => ({
    short: "PSA",
    name: gettext("preferred spin axis (PSA), the mass bias mark"),
    shape: "triangle",
    movable: true,
  }),
  cg_mark: () => ({ short: "CG", name: gettext("CG mark"), shape: "square" }),
  low_rg_axis: () => ({ short: "", name: gettext("low axis, drilled"), shape: "open" }),
  high_rg_axis: () => ({ short: "", name: gettext("high axis, drilled"), shape: "diamond" }),
};

/**
 * A scene for `Ball.show` from an answer, and from where the marks are by now: `at`, unit vectors by name.
 *
 * @param {Record<string, any>} current
 */
export function scene({ answer, radius, at }) {
  const { layout, holes, drilled } = answer?.derived ?? {};
  const made = {
    lines: [
      { points: about([0, 1, 0]), kind: "midline" },
      { points: about([1, 0, 0]), kind: "center-line" },
    ],
    shells: [],
    words: [],
    marks: [],
  };
  if (!answer) return made;
  const place = (p) => sphere.placeOf(p, radius);
  made.shells.push(Math.max(0.1, 1 - COVER / radius));
  addMark(made, "grip", [0, 0, 1], { short: gettext("grip"), name: gettext("grip center"), shape: "grip" });
  if (at.pap) made.lines.push({ points: val(place(at.pap).right / radius), kind: "val" });
  for (const [name, point] of Object.entries(at)) {
    if (MARKS[name]) addMark(made, name, point, MARKS[name](), placed(place(point)));
  }
  for (const name of ["low_rg_axis", "high_rg_axis"]) {
    const pole = drilled?.[name];
    if (pole && pole.right !== null)
      addMark(made, name, sphere.point(pole, radius), MARKS[name](), placed(pole));
  }
  const named = names((holes ?? []).map((hole) => hole.role));
  (holes ?? []).forEach((hole, index) => {
    if (at[`hole-${index}`])
      addHole(made, hole, { index, name: named[index], at: at[`hole-${index}`], radius });
  });
  addArc(
    made,
    at.pin,
    at.pap,
    layout && radius * sphere.angle(at.pin ?? [0, 0, 1], at.pap ?? [0, 0, 1]),
    "arc",
  );
  addArc(made, at.pin, at.psa, null, "arc");
  addArc(made, at.psa, at.pap, layout?.pap_to_psa, "arc thin");
  addArc(made, at.pin, [0, 0, 1], layout?.pin_to_grip_centre, "arc faint");
  return made;
}

const about = (axis) => sphere.ring([0, 0, 0], axis, 1, 90);
const val = (across) => sphere.ring([0, 0, 0], [Math.cos(across), 0, -Math.sin(across)], 1, 90);

const placed = ({ right, up }) => gettext("right {right}, up {up}", { right: length(right), up: length(up) });

/** A length as the trade says it: in 64ths of an inch; or in mm. */
function length(value) {
  if (units.metric) return quantity(Number(value.toFixed(3)), "in");
  return `${fraction(value).replace("-", "−")} in`;
}

function addMark(made, id, point, { short, name, shape, movable = false }, where = "") {
  const said = [name, where, movable && gettext("arrow keys move it")].filter(Boolean).join("; ");
  made.marks.push({ id, point, label: said, shape, movable });
  if (short) made.words.push({ point, text: short, kind: "name" });
}

/** An arc between two marks, with its length at its middle. */
function addArc(made, from, to, size, kind) {
  if (!from || !to) return;
  const points = sphere.arc(from, to);
  made.lines.push({ points, kind });
  if (size)
    made.words.push({
      point: points[Math.floor(points.length / 2)],
      text: units.metric ? `${plain(25.4 * size, 1)} mm` : `${fraction(size)} in`,
      kind: "length",
    });
}

/** Where a hole's handle stands: away from the grip center, or to a side where a mark is in its way. */
function handleOf(made, at, far) {
  const outward = sphere.scaled(-1, sphere.toward(at, [0, 0, 1]));
  const start = sphere.length(outward) ? outward : [0, 1, 0];
  const aside = sphere.cross(at, start);
  const places = [0, 60, -60, 100, -100]
    .map((degrees) => (degrees * Math.PI) / 180)
    .map((turn) => sphere.along(at, sphere.mix(Math.cos(turn), start, Math.sin(turn), aside), far));
  const room = (p) => Math.min(...made.marks.map((mark) => sphere.angle(mark.point, p)));
  return places.find((p) => room(p) > ROOM) ?? places.reduce((best, p) => (room(p) > room(best) ? p : best));
}

function addHole(made, hole, { index, name, at, radius }) {
  const drawn = sphere.hole(at, radius, hole.diameter, hole.depth, hole.pitch_forward, hole.pitch_lateral);
  const filled = hole.slug_weight > 0 ? " slug" : "";
  made.lines.push({ points: sphere.ring(drawn.mouth, drawn.axis, drawn.size), kind: `mouth${filled}` });
  made.lines.push({ points: sphere.ring(drawn.bottom, drawn.axis, drawn.size), kind: "bore", inside: true });
  const rim = sphere.ring(drawn.mouth, drawn.axis, drawn.size, 4);
  const foot = sphere.ring(drawn.bottom, drawn.axis, drawn.size, 4);
  for (let side = 0; side < 4; side += 1)
    made.lines.push({ points: [rim[side], foot[side]], kind: "bore", inside: true });
  const handle = handleOf(made, at, (hole.diameter / 2 + HANDLE) / radius);
  const pitch = gettext("pitches {forward} forward, {lateral} right", {
    forward: length(hole.pitch_forward),
    lateral: length(hole.pitch_lateral),
  });
  const label = gettext("Handle of hole {name}; {place}; {pitch}; arrow keys move it", {
    name,
    place: placed(sphere.placeOf(at, radius)),
    pitch,
  });
  made.marks.push({ id: `hole-${index}`, point: handle, place: at, label, shape: "handle", movable: true });
  made.words.push({ point: drawn.mouth, text: name, kind: "name", reach: drawn.size });
}
