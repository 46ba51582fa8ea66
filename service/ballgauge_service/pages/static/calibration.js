// Friction from measured shots: a CSV of passages as `ballgauge motion --shots` reads it, and what was found.

import { around, chart } from "./chart.js";
import { cells, textOf } from "./csv.js";
import { figure } from "./editor.js";
import { action, at, card, element, svg, table, wideTable } from "./elements.js";
import { numberOf } from "./numbers.js";
import { gettext, plain, quantity } from "./words.js";

const PASSAGE = ["distance", "time", "speed", "board"];
const RELEASE = "release.";
const WORDS = { time: gettext("time"), speed: gettext("speed"), board: gettext("board") };

/** The shots of a CSV text, one row a passage; throws an Error that names line and column. */
function shotsOf(text) {
  const [heads = [], ...rows] = cells(text).map((row) => row.map((cell) => cell.trim()));
  const known = (name) => ["shot", ...PASSAGE].includes(name) || name.startsWith(RELEASE);
  const once = new Set(heads).size === heads.length && heads.every(known);
  if (!heads.includes("shot") || !heads.includes("distance") || !once)
    throw new Error(
      gettext("the columns are shot, distance, time, speed, board and release.*, each once, not {heads}", {
        heads: heads.join(", "),
      }),
    );
  const found = new Map();
  rows.forEach((row, index) => {
    if (row.length !== heads.length)
      throw new Error(
        gettext("row {row}: {cells} cells under {columns} columns", {
          row: index + 2,
          cells: row.length,
          columns: heads.length,
        }),
      );
    const told = Object.fromEntries(heads.map((name, k) => [name, row[k] ?? ""]));
    const shot = found.get(told.shot) ?? { release: {}, passages: [{}] };
    const passage = {};
    for (const [name, cell] of Object.entries(told).filter(([name, each]) => name !== "shot" && each)) {
      const value = numberOf(cell) ?? Number(cell);
      const problem = (words) =>
        new Error(gettext("row {row}, {name}: {words}", { row: index + 2, name, words }));
      if (!Number.isFinite(value)) throw problem(gettext("no number"));
      if (!name.startsWith(RELEASE)) passage[name] = value;
      else {
        const part = name.slice(RELEASE.length);
        if ((shot.release[part] ?? value) !== value) throw problem(gettext("another release than before"));
        shot.release[part] = value;
      }
    }
    shot.passages.push(passage);
    found.set(told.shot, shot);
  });
  return [...found.values()].map(({ release, passages }) => ({ release, passages: passages.slice(1) }));
}

/** The shots of a request as a field: a file puts them there, and a refusal is told beside it. */
export class Shots {
  constructor(editor) {
    this.editor = editor;
    this.id = "calibrate.shots";
    this.path = ["calibrate", "shots"];
    this.input = at("shots");
    this.input.addEventListener("change", () => this.open(this.input.files[0]));
    at("shots-away").addEventListener("click", () => editor.put(without(editor.request)));
  }

  async open(file) {
    if (!file) return;
    const { editor } = this;
    try {
      const shots = shotsOf(await textOf(file));
      editor.set(["calibrate", "shots"], shots);
      editor.state.settle();
    } catch (error) {
      this.tell(gettext("{name} cannot be read: {problem}", { name: file.name, problem: error.message }));
    }
    this.input.value = "";
  }

  fill(shots) {
    const count = Array.isArray(shots) ? shots.length : 0;
    at("shots-told").textContent = count
      ? gettext("{count} shots are in the request; a shot takes about a second.", { count })
      : "";
    at("shots-away").hidden = !count;
    at("fitting").hidden = !count;
  }

  tell(problem) {
    if (problem) this.input.closest("details").open = true;
    at("shots-error").textContent = problem ?? "";
    at("shots-error").hidden = !problem;
    this.input.setAttribute("aria-invalid", String(Boolean(problem)));
  }
}

const without = ({ calibrate: _, ...request }) => request;

/** The request with the friction found on its ball, in place of the shots. */
function using(request, curve) {
  const part = request.drilled ? "drilled" : "ball";
  const { friction: _, ...surface } = request[part].surface ?? {};
  return { ...without(request), [part]: { ...request[part], surface: { ...surface, curve } } };
}

/** What was found: the friction, and what is left of every sensor. */
export function calibration(found, editor) {
  const { curve, uncertainty, sensors } = found;
  const told = (value) => Number(value.toPrecision(4));
  const row = (words, name, unit) => [
    words,
    gettext("{value} ± {uncertainty}", {
      value: quantity(told(curve[name]), unit, { bare: true }),
      uncertainty: quantity(Number(uncertainty[name].toPrecision(2)), unit),
    }),
  ];
  return card(
    gettext("Friction from {count} shots", { count: found.shots.length }),
    table(
      gettext("Friction of this ball, with standard uncertainties"),
      [gettext("quantity"), gettext("value")],
      [
        row(gettext("on a full film"), "oiled", "1"),
        row(gettext("on dry boards"), "dry", "1"),
        row(gettext("film between them"), "scale", "µL/ft²"),
      ],
    ),
    element(
      "p.tools",
      action(
        gettext("Use this friction"),
        () => {
          editor.put(using(editor.request, curve));
          editor.state.settle();
        },
        { id: "use-friction" },
      ),
    ),
    left(sensors),
    wideTable(
      gettext("Left of the sensors"),
      [gettext("sensor"), gettext("readings"), gettext("mean"), gettext("rms")],
      sensors.map((each) => [
        `${WORDS[each.quantity]}, ${quantity(each.distance, "ft", { digits: 1 })}`,
        each.readings,
        plain(each.mean, 2),
        plain(each.root_mean_square, 2),
      ]),
    ),
    element(
      "p",
      gettext("Chi-square is {chi} at {freedom} degrees of freedom.", {
        chi: plain(found.chi_square, 1),
        freedom: found.freedom,
      }),
    ),
    element("p.quiet", found.definition),
  );
}

/** Mean and root mean square of what every sensor leaves, in its standard uncertainties. */
function left(sensors) {
  const most = Math.max(1, ...sensors.flatMap((each) => [Math.abs(each.mean), each.root_mean_square]));
  const kinds = Object.keys(WORDS).filter((kind) => sensors.some((each) => each.quantity === kind));
  const made = chart({
    label: gettext("Left of the sensors"),
    xRange: around(sensors.map((each) => each.distance)),
    yRange: [-1.1 * most, 1.1 * most],
    xTitle: gettext("distance from the foul line, ft"),
    yTitle: gettext("measured less computed, in standard uncertainties"),
  });
  made.add(
    sensors.flatMap((each) => {
      const kind = kinds.indexOf(each.quantity);
      const x = made.x(each.distance) + 14 * (kind - (kinds.length - 1) / 2);
      const [y, high, low] = [each.mean, each.root_mean_square, -each.root_mean_square].map(made.y);
      return [
        svg("path.error-bar", { d: `M${x} ${high}V${low}` }),
        svg("circle.point", { cx: x, cy: y, r: 4 }),
        svg("text", { x, y: high - 4, "text-anchor": "middle" }, WORDS[each.quantity][0]),
      ];
    }),
  );
  return figure(
    made.picture,
    gettext("Points are means, bars root mean squares: {kinds}.", {
      kinds: kinds.map((kind) => `${WORDS[kind][0]} ${WORDS[kind]}`).join(", "),
    }),
  );
}
