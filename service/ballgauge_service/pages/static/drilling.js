// Plan a drilling: the ball turns, its marks can be dragged, and the form follows.

import * as address from "./address.js";
import { Ball } from "./ball.js";
import { run } from "./bench.js";
import { element } from "./elements.js";
import * as results from "./results.js";
import * as sphere from "./sphere.js";
import { gettext, quantity, units } from "./words.js";

const STEP = 0.0625;
const BIG_STEP = 0.25;

let current = null;
const ball = new Ball(document.getElementById("ball"), { moved, nudged, turned });
const told = document.getElementById("ball-told");

const start = address.read().get("view")?.split(",").map(Number);
if (start?.length === 2 && start.every(Number.isFinite)) Object.assign(ball.view, { yaw: start[0], pitch: start[1] });

const { form } = run({
  cards: (answer) => results.numbers(answer).slice(1),
  take: (where, remedy) => {
    for (const hole of remedy.holes) put(`drilling.holes.${hole.index}.depth`, hole.depth, 5);
    where.changed();
  },
  shown: (answer, request) => {
    current = { answer, request, radius: answer.derived.ball?.radius ?? 4.3 };
    ball.show(scene(current));
    document.getElementById("measures").replaceChildren(...[results.balance(answer.derived.balance)].filter(Boolean));
    legend();
  },
});
const formState = form.state.bind(form);
form.state = () => {
  const state = formState();
  const { yaw, pitch } = ball.view;
  if (yaw || pitch) state.set("view", `${Math.round(yaw)},${Math.round(pitch)}`);
  return state;
};
ball.show({ lines: graticule(), marks: [], shells: [] });

function turned() {
  address.write(form.state());
}

function graticule() {
  const about = (axis) => sphere.ring([0, 0, 0], axis, 1, 90);
  return [{ points: about([0, 1, 0]), kind: "midline" }, { points: about([1, 0, 0]), kind: "center-line" }];
}

function val(radius, pap) {
  const across = pap.right / radius;
  return sphere.ring([0, 0, 0], [Math.cos(across), 0, -Math.sin(across)], 1, 90);
}

function scene({ answer, request, radius }) {
  const { layout, holes, drilled } = answer.derived;
  const lines = graticule();
  const marks = [{ id: "grip", point: [0, 0, 1], short: "", label: gettext("Grip center"), shape: "hole" }];
  const at = Object.fromEntries(["pap", "pin", "psa", "cg_mark"].filter((name) => layout?.[name]).map((name) => [name, sphere.point(layout[name], radius)]));
  if (at.pap) lines.push({ points: val(radius, layout.pap), kind: "val" });
  if (at.pin && at.pap) lines.push({ points: sphere.arc(at.pin, at.pap), kind: "arc" });
  if (at.pin && at.psa) lines.push({ points: sphere.arc(at.pin, at.psa), kind: "arc" });
  if (at.psa && at.pap) lines.push({ points: sphere.arc(at.psa, at.pap), kind: "arc thin" });
  for (const [name, found] of Object.entries(at)) marks.push({ id: name, point: found, ...MARKS[name]() });
  for (const name of ["low_rg_axis", "high_rg_axis"]) {
    const place = drilled?.[name];
    if (place && place.right !== null) marks.push({ id: name, point: sphere.point(place, radius), ...MARKS[name]() });
  }
  (holes ?? []).forEach((hole, index) => addHole(hole, request.drilling.holes[index], index));
  const cover = numberOf(request.ball.cover_thickness, 0.75);
  return { lines, marks, shells: [Math.max(0.1, 1 - cover / radius)] };

  function addHole(hole, asked, index) {
    const drawn = sphere.hole(sphere.point(hole.at, radius), radius, hole.diameter, hole.depth, numberOf(asked.pitch_forward, 0), numberOf(asked.pitch_lateral, 0));
    const filled = asked.slug_density === undefined ? "" : " slug";
    lines.push({ points: sphere.ring(drawn.mouth, drawn.axis, drawn.size), kind: `mouth${filled}` });
    lines.push({ points: sphere.ring(drawn.bottom, drawn.axis, drawn.size), kind: "bore", inside: true });
    const rim = sphere.ring(drawn.mouth, drawn.axis, drawn.size, 4);
    const foot = sphere.ring(drawn.bottom, drawn.axis, drawn.size, 4);
    for (let side = 0; side < 4; side += 1) lines.push({ points: [rim[side], foot[side]], kind: "bore", inside: true });
    marks.push({ id: `hole-${index}`, point: drawn.mouth, short: String(index + 1), label: gettext("Hole {number}, {role}; arrow keys move it", { number: index + 1, role: gettext(hole.role) }), shape: "hole", draggable: true });
  }
}

const MARKS = {
  pap: () => ({ short: "PAP", label: gettext("PAP; arrow keys move it"), shape: "cross", draggable: true }),
  pin: () => ({ short: gettext("pin"), label: gettext("Pin; arrow keys move it"), shape: "dot", draggable: true }),
  psa: () => ({ short: "PSA", label: gettext("PSA; arrow keys move it"), shape: "triangle", draggable: true }),
  cg_mark: () => ({ short: "CG", label: gettext("CG mark"), shape: "square" }),
  low_rg_axis: () => ({ short: "", label: gettext("low axis, drilled"), shape: "open" }),
  high_rg_axis: () => ({ short: "", label: gettext("high axis, drilled"), shape: "diamond" }),
};

/** A request's quantity in inches where it is a plain number; the drawing may round what the service does not. */
function numberOf(value, otherwise) {
  if (typeof value === "number") return value;
  if (value && typeof value === "object") return Number(value.value);
  const shown = /^(-?[\d.]+) mm$/.exec(value ?? "");
  if (shown) return Number(shown[1]) / 25.4;
  const parts = /^(-?)(?:(\d+)[ -]+)?(\d+)\/(\d+) in$/.exec(value ?? "");
  return parts ? (parts[1] ? -1 : 1) * (Number(parts[2] ?? 0) + parts[3] / parts[4]) : otherwise;
}

function put(name, value, digits) {
  const input = form.form.elements[name];
  if (!input) return;
  const size = units.metric ? Number(input.dataset.size) : 1;
  input.value = String(Number((value * size).toFixed(digits)));
}

function moved(id, p, done) {
  if (!current) return;
  const { radius } = current;
  const place = sphere.placeOf(p, radius);
  if (id.startsWith("hole-")) {
    const index = id.slice(5);
    put(`drilling.holes.${index}.at.right`, place.right, 2);
    put(`drilling.holes.${index}.at.up`, place.up, 2);
  } else if (id === "pap") {
    put("drilling.pap.over", within(hand() * place.right, -8, 8), 2);
    put("drilling.pap.up", within(place.up, -4, 4), 2);
  } else layOut(id, p);
  form.changed();
  if (done) tell(id);
}

/** Fill the layout's fields so that the pin, or the PSA, comes to lie at `p`. */
function layOut(id, p) {
  const { answer, radius } = current;
  const { layout } = answer.derived;
  const at = Object.fromEntries(["pap", "pin", "psa"].map((name) => [name, sphere.point(layout[name], radius)]));
  at[id] = p;
  const found = sphere.layoutOf(hand(), at.pap, hand() * layout.pap.right, layout.pap.up, at.pin, at.psa, radius);
  if (id === "pin") {
    put("drilling.layout.pin_to_pap", found.pin_to_pap, 2);
    put("drilling.layout.val_angle", angleWithin(found.val_angle), 1);
  } else put("drilling.layout.drilling_angle", angleWithin(found.drilling_angle), 1);
}

const hand = () => (current.request.drilling.hand === "left" ? -1 : 1);
const within = (value, least, most) => Math.min(most, Math.max(least, value));

/** The nearest angle from 0 to 180 degrees. */
const angleWithin = (value) => (value >= 0 ? value : value > -90 ? 0 : 180);

function nudged(id, right, up, big) {
  const mark = current && ball.scene.marks.find((each) => each.id === id);
  if (!mark) return;
  const step = big ? BIG_STEP : STEP;
  const p = mark.point;
  const upward = sphere.toward(p, [0, 1, 0]);
  const aside = sphere.cross(upward, p);
  const turn = step / current.radius;
  const direction = sphere.unit(sphere.mix(right, aside, up, upward));
  moved(id, sphere.mix(Math.cos(turn), p, Math.sin(turn), direction), true);
}

function tell(id) {
  const mark = ball.scene.marks.find((each) => each.id === id);
  const place = sphere.placeOf(mark.point, current.radius);
  told.textContent = gettext("{mark}: right {right}, up {up}", { mark: mark.short || mark.label, right: quantity(place.right, "in"), up: quantity(place.up, "in") });
}

function legend() {
  const box = document.getElementById("legend");
  const words = { pin: gettext("pin, the low axis undrilled"), pap: gettext("positive axis point"), psa: gettext("preferred spin axis"), cg_mark: gettext("CG mark"), low_rg_axis: gettext("low axis, drilled"), high_rg_axis: gettext("high axis, drilled") };
  const signs = { pin: "●", pap: "+", psa: "▲", cg_mark: "■", low_rg_axis: "○", high_rg_axis: "◇" };
  const shown = ball.scene.marks.filter((mark) => words[mark.id]);
  box.replaceChildren(...shown.map((mark) => element("li", {}, element("span", { class: "legend-sign", "aria-hidden": "true", text: signs[mark.id] }), words[mark.id])));
}

for (const button of document.querySelectorAll("[data-view]")) {
  button.addEventListener("click", () => {
    const layout = current?.answer.derived.layout;
    const side = current ? hand() : 1;
    const marks = { grip: [0, 0, 1], back: [0, 0, -1], side: [side, 0, 0] };
    const place = layout?.[button.dataset.view];
    const p = marks[button.dataset.view] ?? (place && sphere.point(place, current.radius));
    if (p) ball.face(p);
  });
}

document.getElementById("through").addEventListener("change", (event) => {
  ball.through = event.target.checked;
  ball.draw();
});
