// A delivery: the lane from above, the rings on the ball, the phases, and the line map where it is asked for.

import { Shots, calibration } from "./calibration.js";
import { around, chart, path } from "./chart.js";
import { Editor, figure } from "./editor.js";
import { card, element, notes, select, svg, table, wideTable } from "./elements.js";
import { point, ring } from "./sphere.js";
import { gettext, gauged, plain, quantity } from "./words.js";

const BOARDS = 39;
const LANE = 60;
const SAMPLES = 101;
const THICK = 450;
const VIEW = 100;
const RADIUS = 88;
const SHAPES = [
  "M-6 0A6 6 0 1 0 6 0A6 6 0 1 0 -6 0Z",
  "M-5 -5H5V5H-5Z",
  "M0 -7L7 6H-7Z",
  "M0 -7L7 0L0 7L-7 0Z",
  "M-7 -6H7L0 7Z",
  "M-2 -7H2V-2H7V2H2V7H-2V2H-7V-2H-2Z",
];

const feet = (value) => gauged(value, "ft");
const degrees = (value) => gauged(value, "°");

function show(answer, request) {
  const { motion } = answer;
  told(motion);
  return [
    answer.calibration ? calibration(answer.calibration, editor) : null,
    motion.curves ? card(gettext("Lane from above"), lane(answer, request)) : null,
    phases(motion),
    motion.flare?.rings?.length ? card(gettext("Rings on the ball"), ...rings(answer)) : null,
    answer.spread ? spread(answer.spread) : null,
    answer.line_map ? lineMap(answer.line_map) : null,
    answer.squad ? squad(answer.squad) : null,
    answer.explain ? explained(answer.explain) : null,
    ...notes(answer),
  ];
}

function told(motion) {
  const verdict = document.getElementById("verdict");
  verdict.dataset.key = motion.message;
  verdict.replaceChildren(
    element("p.told-main", motion.message),
    element("p.quiet", gettext("Computed from the numbers given; no lane and no ball was measured.")),
  );
}

/** The lane, the bowler's right hand below; boards are stretched against feet. */
function lane({ motion, bowler }, request) {
  const own = bowler.hand === "left" ? [BOARDS + 0.5, 0.5] : [0.5, BOARDS + 0.5];
  const made = chart({
    label: [gettext("Lane from above"), motion.message].join(": "),
    xRange: [0, LANE],
    yRange: own,
    xTitle: gettext("distance from the foul line, ft"),
    yTitle: gettext("board from the bowler's side"),
  });
  made.add(oil(request.lane?.pattern, made, bowler.hand));
  const events = [
    ["skid_end", gettext("skid ends")],
    ["hook_end", gettext("hook ends")],
    ["roll_start", gettext("rolls")],
  ].filter(([name]) => typeof motion.phases[name] === "number");
  made.add(
    events.flatMap(([name, words], index) => {
      const x = made.x(motion.phases[name]);
      return [
        svg("line.event-line", { x1: x, x2: x, y1: made.top, y2: made.bottom }),
        svg("text", { x: x + 4, y: made.top + 16 + 18 * index }, words),
      ];
    }),
  );
  const { distance, board, phase } = motion.curves;
  const places = distance.map((each, index) => [made.x(each), made.y(board[index])]);
  const rolled = phase.indexOf("roll");
  made.add(svg("path.path-line", { d: path(rolled < 0 ? places : places.slice(0, rolled + 1)) }));
  if (rolled >= 0) made.add(svg("path.path-line.path-roll", { d: path(places.slice(rolled)) }));
  if (motion.breakpoint) {
    made.add(
      svg("circle.event-mark", {
        cx: made.x(motion.breakpoint.distance),
        cy: made.y(motion.breakpoint.board),
        r: 6,
      }),
      svg(
        "text",
        {
          x: made.x(motion.breakpoint.distance),
          y: made.y(motion.breakpoint.board) + 22,
          "text-anchor": "middle",
        },
        gettext("breakpoint"),
      ),
    );
  }
  return figure(
    made.picture,
    gettext(
      "Solid where the ball slides, dotted where it rolls. The " +
        "darker, the more oil. Boards are drawn wider than feet.",
    ),
  );
}

const number = (value) => (typeof value === "number" ? value : parseFloat(value?.value ?? value));

/** The pattern's films, whose boards are counted from the right edge. */
function oil(pattern, made, hand) {
  const side = (board) => made.y(hand === "left" ? BOARDS + 1 - board : board);
  return (pattern?.zones ?? [])
    .flatMap((zone) =>
      zone.films.map((film) => {
        const [from, to] = [number(zone.from), Math.min(number(zone.to), LANE)];
        const [one, other] = [side(film.boards[0] - 0.5), side(film.boards[1] + 0.5)];
        const mean = (number(film.film) + number(film.film_end ?? film.film)) / 2;
        return svg("rect.film", {
          x: made.x(from),
          width: made.x(to) - made.x(from),
          y: Math.min(one, other),
          height: Math.abs(other - one),
          "fill-opacity": Math.min(mean / THICK, 1) * 0.5,
        });
      }),
    )
    .filter((each) => !each.outerHTML.includes("NaN"));
}

function phases(motion) {
  const { phases: found, entry, breakpoint } = motion;
  const rows = [
    [gettext("skid ends"), feet(found.skid_end)],
    [gettext("hook ends"), feet(found.hook_end)],
    [gettext("rolls without sliding from"), feet(found.roll_start)],
    [
      gettext("breakpoint"),
      breakpoint
        ? gettext("{distance}, board {board}", {
            distance: feet(breakpoint.distance),
            board: plain(breakpoint.board, 1),
          })
        : "–",
    ],
    [gettext("board at the pins"), entry ? plain(entry.board, 1) : "–"],
    [gettext("entry angle"), entry ? degrees(entry.angle) : "–"],
    [gettext("speed at the pins"), entry ? gauged(entry.speed, "mph") : "–"],
    [gettext("sharpness of the turn"), gauged(motion.sharpness, "°/ft")],
    [gettext("time"), gauged(motion.time, "s")],
    [gettext("revolutions"), plain(motion.revolutions, 1)],
  ];
  return card(
    gettext("Phases"),
    table(gettext("From the foul line"), [gettext("quantity"), gettext("value")], rows),
    element("p.quiet", found.definition),
  );
}

function rings({ motion: { flare }, ball, bowler }) {
  const views = [
    [1, gettext("grip side")],
    [-1, gettext("far side")],
  ];
  return [
    element(
      "div.pair",
      views.map(([side, words]) => figure(sphere(flare, ball.radius, bowler, side, words), words)),
    ),
    element(
      "p",
      gettext(
        "{count} rings; widest gap {width}; the axis point moves {migration}. The last ring is dashed.",
        {
          count: flare.rings.length,
          width: gauged(flare.width, "in"),
          migration: gauged(flare.migration, "in"),
        },
      ),
    ),
    element("p.quiet", flare.definition),
  ];
}

/** One side of the ball: the parts of the rings that can be seen from there, and the axis point's way. */
function sphere(flare, radius, bowler, side, words) {
  const flat = (p) => [side * p[0] * RADIUS, -p[1] * RADIUS];
  const seen = (p) => p[2] * side >= 0;
  const axes = flare.rings.map((each) => point(each.axis, radius));
  const drawn = flare.rings.map((each, index) => {
    const turned = (each.angle_from_contact * Math.PI) / 180;
    const center = axes[index].map((part) => part * Math.cos(turned));
    const last = index === flare.rings.length - 1;
    return svg("path", {
      class: last ? "flare-ring flare-last" : "flare-ring",
      d: runs(ring(center, axes[index], Math.sin(turned), 90), seen)
        .map((each) => path(each.map(flat)))
        .join(""),
    });
  });
  const marks = axes
    .filter(seen)
    .map((each) => svg("circle.axis-point", { cx: flat(each)[0], cy: flat(each)[1], r: 1.4 }));
  const pap = point(
    { right: (bowler.hand === "left" ? -1 : 1) * bowler.pap.over, up: bowler.pap.up },
    radius,
  );
  return svg(
    "svg.chart",
    {
      viewBox: `-${VIEW} -${VIEW} ${2 * VIEW} ${2 * VIEW}`,
      role: "img",
      "aria-label": gettext("Rings on the ball, {side}", { side: words }),
    },
    svg("circle.outline", { r: RADIUS }),
    drawn,
    marks,
    seen(pap) ? svg("circle.event-mark", { cx: flat(pap)[0], cy: flat(pap)[1], r: 3 }) : null,
  );
}

/** The stretches of points that are all seen. */
function runs(points, seen) {
  const found = [];
  let open = null;
  for (const each of points) {
    if (!seen(each)) open = null;
    else if (open) open.push(each);
    else {
      open = [each];
      found.push(open);
    }
  }
  return found.filter((each) => each.length > 1);
}

function spread({ deliveries, entry_board: board, entry_angle: angle, window }) {
  const row = (words, each) => [words, plain(each?.mean, 2), plain(each?.standard_deviation, 2)];
  return card(
    gettext("Many deliveries"),
    table(
      gettext("{count} deliveries at the pins", { count: deliveries }),
      [gettext("quantity"), gettext("mean"), gettext("standard deviation")],
      [row(gettext("board at the pins"), board), row(gettext("entry angle"), angle)],
    ),
    window ? element("p", `${plain(100 * window.share, 1)} %: ${window.meaning}`) : null,
  );
}

function lineMap(map) {
  const frame = element("div", { id: "line-map" });
  const choice = select(
    { id: "map-bowler", onchange: draw },
    map.bowlers.map((each) => [each.bowler, gettext(each.bowler.replaceAll("_", " "))]),
  );
  function draw() {
    frame.replaceChildren(...mapOf(map.bowlers.find((each) => each.bowler === choice.value)));
  }
  draw();
  return card(
    gettext("Line map"),
    element("div.field", element("label", { for: "map-bowler" }, gettext("Bowler")), choice),
    frame,
  );
}

function mapOf({ points: all }) {
  const points = all.filter((each) => each.length && each.sharpness);
  if (!points.length) return [element("p", gettext("No ball reached the pins."))];
  const names = [...new Set(points.map((each) => each.ball))];
  const ends = (name) =>
    around(
      points.flatMap((each) => [
        each[name].mean - (each[name].standard_deviation ?? 0),
        each[name].mean + (each[name].standard_deviation ?? 0),
      ]),
      0.12,
    );
  const made = chart({
    label: gettext("Line map"),
    xRange: ends("length"),
    yRange: ends("sharpness"),
    xTitle: gettext("length to the hook, ft"),
    yTitle: gettext("sharpness of the turn, °/ft"),
  });
  made.add(
    points.flatMap((each) => {
      const [x, y] = [made.x(each.length.mean), made.y(each.sharpness.mean)];
      const wide = made.x(each.length.mean + (each.length.standard_deviation ?? 0)) - x;
      const tall = y - made.y(each.sharpness.mean + (each.sharpness.standard_deviation ?? 0));
      return [
        svg("path.error-bar", { d: `M${x - wide} ${y}H${x + wide}M${x} ${y - tall}V${y + tall}` }),
        svg("path.point", {
          transform: `translate(${x} ${y})`,
          d: SHAPES[names.indexOf(each.ball) % SHAPES.length],
        }),
        svg("text", { x: x + 9, y: y - 8 }, String(names.indexOf(each.ball) + 1)),
      ];
    }),
  );
  const rows = points.map((each) => [
    `${names.indexOf(each.ball) + 1} ${each.ball}`,
    quantity(each.volume, "mL"),
    feet(each.length.mean),
    gauged(each.sharpness.mean, "°/ft"),
    degrees(each.entry_angle?.mean),
  ]);
  return [
    made.picture,
    element(
      "p.quiet",
      gettext("Each shape and number is a ball; the bars are standard deviations over the deliveries."),
    ),
    wideTable(
      gettext("Points of the map"),
      [gettext("ball"), gettext("oil"), gettext("length"), gettext("sharpness"), gettext("entry angle")],
      rows,
    ),
  ];
}

/** A squad: the film fresh and after each game, what was taken since, every bowler's board, and the oil. */
function squad(found) {
  const { states } = found;
  const fresh = states[0].film;
  const most = Math.max(...fresh.flat()) || 1;
  const changes = states.map(({ film }) =>
    film.map((row, k) => row.map((value, board) => value - fresh[k][board])),
  );
  const strongest = Math.max(0.5, ...changes.flat(2).map(Math.abs));
  const named = (state) =>
    state.game ? gettext("after game {game}", { game: state.game }) : gettext("before the first shot");
  const panels = states.map((state) => figure(filmOf(state.film, most, named(state)), named(state)));
  const changed = states
    .slice(1)
    .map((state, k) =>
      figure(
        filmOf(changes[k + 1], strongest, gettext("change, {when}", { when: named(state) })),
        gettext("change, {when}", { when: named(state) }),
      ),
    );
  const oils = states.map((state) => [
    named(state),
    state.shots,
    ...["on_lane", "beyond_pattern", "on_balls", "absorbed"].map((name) =>
      gauged(state.oil[name], "mL", { digits: 3 }),
    ),
  ]);
  const rows = states.flatMap((state) =>
    state.bowlers.map(({ bowler, place, thrown }) => [
      `${bowler}, ${named(state)}`,
      plain(place?.contact_board, 1),
      place?.moved == null ? "–" : plain(place.moved, 1),
      degrees(place?.angle),
      feet(place?.skid_end),
      thrown?.contact_board
        ? gettext("{mean}, deviation {deviation}", {
            mean: plain(thrown.contact_board.mean, 1),
            deviation: plain(thrown.contact_board.standard_deviation, 1),
          })
        : "–",
    ]),
  );
  return card(
    gettext("A squad on the lane"),
    element("p", found.depletion),
    element("div.films", { id: "squad-films" }, panels, changed),
    element(
      "p.quiet",
      [
        gettext("Foul line on the left, board 1 below; the darker, the more oil."),
        gettext("In the changes oil taken has the color of warnings, oil laid down that of oil."),
        gettext("Full strength: {film}.", { film: quantity(strongest, "µL/ft²", { digits: 0 }) }),
      ].join(" "),
    ),
    placesOf(found, named),
    wideTable(
      gettext("Where the oil is"),
      [
        gettext("lane"),
        gettext("shots"),
        gettext("on the lane"),
        gettext("beyond the pattern"),
        gettext("wiped off balls"),
        gettext("drawn in by covers"),
      ],
      oils,
    ),
    wideTable(
      gettext("Where each usual release goes with a clean ball"),
      [
        gettext("bowler"),
        gettext("board at the head pin"),
        gettext("moved, boards"),
        gettext("entry angle"),
        gettext("skid ends"),
        gettext("shots of the game"),
      ],
      rows,
    ),
  );
}

const TRAITS = {
  rg: gettext("RG"),
  differential: gettext("differential"),
  ratio: gettext("asymmetry ratio"),
  layout: gettext("layout"),
  surface: gettext("surface"),
};

/** Boards to a tenth: no digit below what the phase of the grip changes. */
const tenths = (boards) => plain(Math.round(10 * boards) / 10, 1);

/** Which trait moves the second ball by how many boards: a bar each, with its range over the phases. */
function explained(found) {
  const rest = found.other_differences;
  const rows = [
    ...Object.entries(found.traits).map(([name, each]) => [TRAITS[name], each.share, each.share_range]),
    ...(rest ? [[gettext("weight, size"), rest, null]] : []),
    [gettext("all together"), found.difference, found.difference_range],
  ];
  const places = rows.flatMap(([, value, range]) => [value, ...(range ?? [])]);
  const made = chart({
    label: gettext("What makes the second ball finish elsewhere"),
    xRange: around([0, ...places], 0.08),
    yRange: [-rows.length, 0],
    xTitle: gettext("boards at the pins, second ball less first"),
    yTitle: "",
    names: true,
    height: 80 + 36 * rows.length,
  });
  made.add(
    rows.flatMap(([words, value, range], index) => {
      const [y, zero, end] = [made.y(-index - 0.5), made.x(0), made.x(value)];
      return [
        svg("rect.bar", {
          x: Math.min(zero, end),
          width: Math.abs(end - zero),
          y: y - 8,
          height: 16,
          "fill-opacity": 0.6,
        }),
        range ? svg("path.error-bar", { d: `M${made.x(range[0])} ${y}H${made.x(range[1])}` }) : null,
        svg("text", { x: made.left - 8, y: y + 4, "text-anchor": "end" }, words),
      ].filter(Boolean);
    }),
    svg("line.axis-line", { x1: made.x(0), x2: made.x(0), y1: made.top, y2: made.bottom }),
  );
  const ends = { first: plain(found.board_first, 1), second: plain(found.board_second, 1) };
  return card(
    gettext("One ball against the other"),
    element("p", gettext("The first ball ends on board {first}, the second on board {second}.", ends)),
    figure(made.picture, gettext("Bars: shares; lines: their range over the phases of the grip.")),
    wideTable(
      gettext("What makes the second ball finish elsewhere"),
      [gettext("trait"), gettext("boards"), gettext("by phase")],
      rows.map(([words, value, range]) => [
        words,
        tenths(value),
        range ? gettext("{low} to {high}", { low: tenths(range[0]), high: tenths(range[1]) }) : "–",
      ]),
    ),
    element("p.quiet", found.method),
  );
}

/** A film or its change from above: one rectangle a run of one shade along the lane. */
function filmOf(film, most, label) {
  const shade = (value) => Math.sign(value) * Math.round(16 * Math.min(Math.abs(value) / most, 1) ** 0.5);
  const runs = Array.from({ length: BOARDS }, (_, board) => film.map((row) => shade(row[board]))).flatMap(
    (shades, board) => {
      const found = [];
      shades.forEach((each, k) => {
        if (found.at(-1)?.shade === each) found.at(-1).to = k + 1;
        else found.push({ board, shade: each, from: k, to: k + 1 });
      });
      return found.filter((each) => each.shade);
    },
  );
  return svg(
    "svg.chart.lane-film",
    { viewBox: `0 0 ${film.length * 8} ${BOARDS * 4}`, role: "img", "aria-label": label },
    runs.map(({ board, shade: step, from, to }) =>
      svg("rect", {
        class: step < 0 ? "film film-taken" : "film",
        x: from * 8,
        y: (BOARDS - 1 - board) * 4,
        width: (to - from) * 8,
        height: 4,
        "fill-opacity": Math.abs(step) / 16,
      }),
    ),
    svg("rect.outline", { x: 0.5, y: 0.5, width: film.length * 8 - 1, height: BOARDS * 4 - 1 }),
  );
}

/** Every bowler's board at the head pin over the games. */
function placesOf({ states, bowlers }, named) {
  const known = states
    .flatMap((state) => state.bowlers.map((each) => each.place?.contact_board))
    .filter((each) => each !== undefined);
  if (!known.length) return element("p", gettext("No ball reached the pins."));
  const made = chart({
    label: gettext("Board at the head pin over the games"),
    xRange: [0, states.length - 0.6],
    yRange: around([...known, 17, 18], 0.12),
    xTitle: gettext("games"),
    yTitle: gettext("board at the head pin"),
  });
  made.add(
    bowlers.flatMap((bowler, index) => {
      const places = states
        .map((state, game) => [game, state.bowlers[index].place])
        .filter(([, place]) => place)
        .map(([game, place]) => [made.x(game), made.y(place.contact_board)]);
      if (!places.length) return [];
      const [x, y] = places.at(-1);
      return [
        svg("path.path-line", { d: path(places) }),
        places.map(([px, py]) =>
          svg("path.point", { transform: `translate(${px} ${py})`, d: SHAPES[index % SHAPES.length] }),
        ),
        svg("text", { x: x + 10, y: y + 4 + 14 * (index % 2 ? 1 : -0.2) }, bowler.name),
      ].flat();
    }),
  );
  return figure(
    made.picture,
    gettext("The usual release with a clean ball; {when} on the left.", { when: named(states[0]) }),
  );
}

const contract = JSON.parse(document.getElementById("contract").textContent);
const picked = (part, names) =>
  Object.fromEntries(names.filter((name) => part[name] !== undefined).map((name) => [name, part[name]]));

/** A delivery of the ball that another page carries along: as it is drilled there, or by its box numbers. */
function carry({ ball = /** @type {any} */ ({}), design, drilling }, fresh) {
  if (design) {
    const notice = document.getElementById("notice");
    const name = design.name || gettext("the design");
    notice.hidden = false;
    const isNumbered = ball.rg !== undefined;
    notice.textContent = isNumbered
      ? gettext(
          "{name} is thrown by the box numbers of its layers, its holes as through a ball of these " +
            "numbers. A line-up drills the layers themselves.",
          { name },
        )
      : gettext(
          "The layers of {name} are not thrown here: a motion asks for box numbers. " +
            "A line-up takes designs.",
          { name },
        );
    if (!isNumbered) return null;
  }
  const { ball: usual, drilled, ...rest } = fresh;
  const { surface } = usual;
  const { hand, pap, layout } = drilling ?? {};
  if (layout && pap && drilling.holes?.length) {
    delete rest.hand;
    delete rest.pap;
    return { ...rest, drilled: { ball: picked(ball, contract.ball), drilling, surface } };
  }
  const box = { ...picked(ball, contract.box), layout: layout ?? usual.layout, surface };
  return { ...rest, ...(hand ? { hand } : {}), ...(pap ? { pap } : {}), ball: box };
}

const editor = new Editor({
  kind: "motion",
  path: "/v1/motions",
  method: "motion(request)",
  show,
  pause: null,
  asked: (request) => ({ samples: SAMPLES, ...request }),
  carry,
});
for (const [place, fields] of [
  ["release", contract.fields],
  ["precision", contract.precision],
]) {
  for (const spec of fields) {
    document.getElementById(place).append(editor.field(spec, spec.name.split(".")).node);
  }
}
editor.add(new Shots(editor));
editor.listen(() => {});
editor.restore();
