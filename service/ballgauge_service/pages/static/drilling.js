// Plan a drilling: the ball turns, its marks can be moved, and the form follows.

import * as address from "./address.js";
import { Ball } from "./ball.js";
import { run } from "./bench.js";
import { action, element } from "./elements.js";
import { figures, fold } from "./figures.js";
import { fraction, isFraction, nearest } from "./fractions.js";
import * as results from "./results.js";
import { scene } from "./scene.js";
import { keepSheet } from "./sheet.js";
import * as sphere from "./sphere.js";
import { gettext, units } from "./words.js";

/** Steps of the arrow keys, and with the shift key, in the unit shown: in, mm. */
const STEPS = { trade: [1 / 16, 1 / 4], metric: [1, 5] };
/** Milliseconds between two questions to the service while a mark is dragged. */
const WHILE_DRAGGED = 200;
const RADIUS = 4.3;

let current = null;
let lastMoved = null;
let lastAsked = 0;
const root = document.getElementById("ball");
const ball = new Ball(root, { moved: (id, p, done) => move(id, p, { done, snapped: true }), nudged, turned });
const told = document.getElementById("ball-told");
const verdict = document.getElementById("verdict");

const start = address.read().get("view")?.split(",").map(Number);
if (start?.length === 2 && start.every(Number.isFinite))
  Object.assign(ball.view, { yaw: start[0], pitch: start[1] });

const { form, state, undo } = run({
  // A drilling is on a ball of some size: before that is typed, nothing is wrong yet.
  begins: ({ ball }) => (ball?.diameter ?? ball?.circumference) !== undefined,
  moved: (name) => name === "empty" && forget(),
  cards: (answer) => results.numbers(answer).slice(1),
  take: (where, remedy) => {
    for (const hole of remedy.holes ?? []) put(`drilling.holes.${hole.index}.depth`, hole.depth, 5);
    for (const [name, value] of Object.entries(remedy.layout ?? {}))
      put(`drilling.layout.${name}`, value, name === "pin_to_pap" ? 4 : 3);
    where.changed();
    state.settle();
    // The button is gone: whoever pressed it reads on at the verdict.
    verdict.focus({ preventScroll: true });
  },
  shown: (answer, request) => {
    const radius = answer.derived.ball?.radius ?? RADIUS;
    const { layout, holes } = answer.derived;
    const at = Object.fromEntries(
      ["pap", "pin", "psa", "cg_mark"]
        .filter((name) => layout?.[name])
        .map((name) => [name, sphere.point(layout[name], radius)]),
    );
    (holes ?? []).forEach((hole, index) => {
      if (hole.at) at[`hole-${index}`] = sphere.point(hole.at, radius);
    });
    current = { answer, request, radius, at };
    lastMoved = null;
    ball.show(scene(current));
    document.getElementById("figures").replaceChildren(...figures(answer));
    fold(document.getElementById("results"), [results.balance(answer.derived.balance)]);
    legend();
  },
});
keepSheet(form, state, ball);
verdict.tabIndex = -1;
const formState = form.state.bind(form);
form.state = () => {
  const kept = formState();
  const { yaw, pitch } = ball.view;
  if (yaw || pitch) kept.set("view", `${Math.round(yaw)},${Math.round(pitch)}`);
  return kept;
};
if (!current) forget();

/** Nothing is asked for: the ball is bare. */
function forget() {
  current = null;
  ball.show(scene({ answer: null, radius: RADIUS, at: {} }));
  document.getElementById("figures").replaceChildren();
  told.textContent = "";
}

function turned() {
  address.write(form.state());
}

/** Write a value of the trade's unit into a field, exactly: as a fraction of an inch where it is one. */
function put(name, value, digits) {
  const input = form.form.elements[name];
  if (!input) return;
  const shown = units.metric ? value * Number(input.dataset.size) : value;
  const asFraction = input.dataset.unit === "in" && !units.metric && isFraction(value);
  input.value = asFraction ? fraction(value) : String(Number(shown.toFixed(digits)));
  Object.assign(input.dataset, { put: input.value, is: value });
}

/** What a field stands for, in the trade's unit: as it was put there, or as the service has read it. */
function meantBy(name, answered) {
  const { dataset, value } = form.form.elements[name];
  return dataset.put === value && value ? Number(dataset.is) : answered;
}

/** Move a mark to a point; `snapped`: to the nearest 64th of an inch. */
function move(id, p, { done, snapped = false }) {
  if (!isReady(id)) return;
  const { radius } = current;
  const { right, up } = sphere.placeOf(p, radius);
  const rounded = (value) => (snapped && !units.metric ? nearest(value) : value);
  undo.held = snapped ? `drag ${id}` : null;
  if (id.startsWith("hole-")) putPlace(id, rounded(right), rounded(up));
  else if (id === "pap") putPap(rounded(hand() * right), rounded(up));
  else layOut(id, p, rounded);
  if (done) undo.close();
}

function putPlace(id, right, up) {
  const name = `drilling.holes.${id.slice(5)}.at`;
  const isNew = form.form.elements[`${name}.right`].value === "";
  put(`${name}.right`, right, 4);
  put(`${name}.up`, up, 4);
  changed(id, sphere.point({ right, up }, current.radius), [`${name}.right`, `${name}.up`]);
  if (isNew) {
    form.unfold();
    told.append(" ", gettext("It has a place of its own now: no span places it."));
  }
}

function putPap(over, up) {
  const [across, rise] = [within(over, -8, 8), within(up, -4, 4)];
  put("drilling.pap.over", across, 4);
  put("drilling.pap.up", rise, 4);
  changed("pap", sphere.point({ right: hand() * across, up: rise }, current.radius), [
    "drilling.pap.over",
    "drilling.pap.up",
  ]);
}

/** Fill the layout's fields so that the pin, or the PSA, comes to lie at `p`. */
function layOut(id, p, rounded) {
  const { at, radius } = current;
  const pap = sphere.placeOf(at.pap, radius);
  const found = sphere.layoutOf(
    hand(),
    at.pap,
    hand() * pap.right,
    pap.up,
    id === "pin" ? p : at.pin,
    id === "psa" ? p : at.psa,
    radius,
  );
  const names = id === "pin" ? ["pin_to_pap", "val_angle"] : ["drilling_angle"];
  if (id === "pin") put("drilling.layout.pin_to_pap", rounded(found.pin_to_pap), 3);
  for (const name of names.filter((each) => each.endsWith("angle")))
    put(`drilling.layout.${name}`, angleWithin(found[name]), 1);
  changed(
    id,
    p,
    names.map((name) => `drilling.layout.${name}`),
  );
}

/** A mark has moved: it is drawn there at once, its new values are said, and the service is asked. */
function changed(id, p, names) {
  lastMoved = id;
  current.at[id] = p;
  ball.show(scene(current));
  told.textContent = names
    .map((name) => {
      const input = form.form.elements[name];
      const unit = units.metric ? input.dataset.metric : input.dataset.unit;
      return `${form.titleOf(name)} ${input.value} ${unit}`;
    })
    .join(", ");
  form.changed();
  if (performance.now() - lastAsked > WHILE_DRAGGED) {
    lastAsked = performance.now();
    state.settle();
  }
}

/** Whether the picture is what the form says, but for moves of this same mark. */
function isReady(id) {
  const isReadyNow = current !== null && (state.name === "current" || lastMoved === id);
  if (!isReadyNow) state.settle();
  return isReadyNow;
}

const hand = () => (form.form.elements["drilling.hand"].value === "left" ? -1 : 1);
const within = (value, least, most) => Math.min(most, Math.max(least, value));

/** The nearest angle from 0 to 180 degrees. */
const angleWithin = (value) => (value >= 0 ? value : value > -90 ? 0 : 180);

/** Move a mark by a step of the arrow keys, the way that the key points on the screen. */
function nudged(id, right, up, big) {
  if (!isReady(id)) return;
  const step = STEPS[units.metric ? "metric" : "trade"][big ? 1 : 0] / (units.metric ? 25.4 : 1);
  const { radius, at } = current;
  // On the far side of the ball, the bowler's right is on the left of the screen.
  const across = ball.isBehind([0, 0, 1]) ? -right : right;
  const place = sphere.placeOf(at[id], radius);
  const [aside, above] = [across * step, up * step];
  if (id.startsWith("hole-")) {
    const name = `drilling.holes.${id.slice(5)}.at`;
    putPlace(id, meantBy(`${name}.right`, place.right) + aside, meantBy(`${name}.up`, place.up) + above);
  } else if (id === "pap") {
    putPap(
      meantBy("drilling.pap.over", hand() * place.right) + hand() * aside,
      meantBy("drilling.pap.up", place.up) + above,
    );
  } else {
    const upward = sphere.toward(at[id], [0, 1, 0]);
    const direction = sphere.unit(sphere.mix(across, sphere.cross(upward, at[id]), up, upward));
    move(id, sphere.along(at[id], direction, step / radius), { done: true });
  }
  undo.close();
}

function legend() {
  const box = document.getElementById("legend");
  const words = {
    grip: gettext("grip center"),
    pin: gettext("pin, the low axis undrilled"),
    pap: gettext("positive axis point"),
    psa: gettext("preferred spin axis"),
    cg_mark: gettext("CG mark"),
    low_rg_axis: gettext("low axis, drilled"),
    high_rg_axis: gettext("high axis, drilled"),
  };
  const signs = {
    grip: "⊕",
    pin: "●",
    pap: "+",
    psa: "▲",
    cg_mark: "■",
    low_rg_axis: "○",
    high_rg_axis: "◇",
  };
  const entry = (sign, text) =>
    element("li", element("span.legend-sign", { "aria-hidden": "true" }, sign), text);
  const shown = ball.scene.marks
    .filter((mark) => words[mark.id])
    .map((mark) => entry(signs[mark.id], words[mark.id]));
  const lines = [
    entry("✥", gettext("handle: moves its hole")),
    entry("─", gettext("midline and center line")),
    entry("╌", gettext("VAL, the vertical axis line")),
  ];
  box.replaceChildren(...shown, ...lines);
}

for (const button of document.querySelectorAll("[data-view]")) {
  button.addEventListener("click", () => {
    const marks = { grip: [0, 0, 1], back: [0, 0, -1], side: [hand(), 0, 0] };
    const p = marks[button.dataset.view] ?? current?.at[button.dataset.view];
    if (p) ball.face(p);
  });
}

for (const button of document.querySelectorAll("[data-zoom]"))
  button.addEventListener("click", () => ball.zoom(Number(button.dataset.zoom)));

document.getElementById("through").addEventListener("change", (event) => {
  ball.through = event.target.checked;
  ball.draw();
});

// Pitches and places are typed as the bowler sees them: they stay as they are when the hand changes, unless
// asked.
form.form.elements["drilling.hand"].addEventListener("change", () => {
  const sided = form
    .inputs()
    .filter(
      (input) =>
        /\.(pitch_lateral|at\.right)$/.test(input.name) &&
        Number.parseFloat(input.value) !== 0 &&
        input.value,
    );
  const box = document.getElementById("hand-told");
  box.hidden = sided.length === 0;
  if (box.hidden) return;
  box.replaceChildren(
    gettext(
      "Layout and spans are mirrored with the hand. Lateral pitches and " +
        "places stay as typed: they count to the bowler's right. ",
    ),
    action(gettext("Mirror them too"), () => {
      for (const input of sided)
        input.value = /^[-−]/.test(input.value)
          ? input.value.slice(1).trim()
          : `-${input.value.replace(/^\+/, "")}`;
      box.hidden = true;
      form.form.elements["drilling.hand"].focus({ preventScroll: true });
      form.changed();
      state.settle();
    }),
  );
});

// Where the ball has been scrolled out of sight, a small one stands beside the verdict.
new IntersectionObserver(
  ([entry]) => document.documentElement.classList.toggle("ball-away", !entry.isIntersecting),
  { threshold: 0.4 },
).observe(root);
