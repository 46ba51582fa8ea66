// A line-up: balls, bowlers and volumes in tables, and the sheet with its files.

import { Editor } from "./editor.js";
import { action, at, card, element, list, notes, wide } from "./elements.js";
import { except } from "./history.js";
import { fileName } from "./kept.js";
import { numberOrText } from "./numbers.js";
import { gettext } from "./words.js";

const TYPES = { svg: "image/svg+xml", html: "text/html", pdf: "application/pdf" };
const contract = JSON.parse(document.getElementById("contract").textContent);

/** A ball or a bowler as a row begins. */
const NEW = {
  balls: (name) => ({
    name,
    box: {
      weight: 15,
      rg: 2.5,
      differential: 0.045,
      layout: { drilling_angle: 60, pin_to_pap: 4.5, val_angle: 40 },
      surface: { cover: "reactive", grit: 2000 },
    },
  }),
  bowlers: (name) => ({ name, bowler: "matched_one_handed" }),
};

const TITLES = {
  balls: (k) => gettext("ball {number}", { number: k }),
  bowlers: (k) => gettext("bowler {number}", { number: k }),
};

const addresses = [];

/** The sheet as a picture, its files, and what to say. */
function show(answer) {
  while (addresses.length) URL.revokeObjectURL(addresses.pop());
  told(answer);
  /** @type {[string, Blob][]} */
  const files = Object.entries(answer.sheets).map(([kind, text]) => [kind, blob(kind, text)]);
  const picture = files.find(([kind]) => kind === "svg")[1];
  return [
    card(
      gettext("The sheet"),
      element(
        "p.tools",
        files.map(([kind, file]) =>
          element(
            "a.button",
            { href: address(file), download: `${fileName(gettext("Line-up"))}.${kind}` },
            gettext("Save as {kind}", { kind: kind.toUpperCase() }),
          ),
        ),
      ),
      wide(gettext("The sheet"), element("img.lineup-sheet", { src: address(picture), alt: spoken(answer) })),
    ),
    ...answer.bowlers.map((row) =>
      card(
        row.name,
        list(row.sentences),
        row.differences.length > 0 &&
          element(
            "details.why",
            element("summary", gettext("Every difference, ball by ball")),
            list(row.differences.map((each) => each.sentence)),
          ),
      ),
    ),
    ...notes(answer),
  ];
}

function blob(kind, text) {
  const bytes = kind === "pdf" ? Uint8Array.from(atob(text), (letter) => letter.codePointAt(0)) : text;
  return new Blob([bytes], { type: TYPES[kind] });
}

function address(file) {
  addresses.push(URL.createObjectURL(file));
  return addresses.at(-1);
}

const spoken = (answer) => answer.bowlers.flatMap((row) => [`${row.name}:`, ...row.sentences]).join(" ");

function told(answer) {
  const words = gettext("Balls: {balls}, bowlers: {bowlers}, lanes: {columns}, against {reference}.", {
    balls: answer.balls.length,
    bowlers: answer.bowlers.length,
    columns: answer.columns.length,
    reference: answer.reference,
  });
  at("verdict").dataset.key = words;
  at("verdict").replaceChildren(
    element("p.told-main", words),
    element("p.quiet", gettext("Computed from the numbers given; no lane and no ball was measured.")),
  );
}

const editor = new Editor({
  kind: "lineup",
  path: "/v1/lineups",
  method: "lineup(request)",
  show,
  pause: null,
  asked: (request) => ({
    ...request,
    sheet: { language: document.documentElement.lang, ...request.sheet, formats: Object.keys(TYPES) },
  }),
});

/** A field of a table: its label heads the column, and is said with the row's. */
function cell(spec, path, row, take) {
  const field = editor.field(spec, path, take);
  field.input.setAttribute("aria-label", [spec.label, row].join(", "));
  field.input.setAttribute("aria-describedby", `${field.id}-error`);
  return element("td", field.input, field.problem);
}

const several = (kind) => editor.request[kind] ?? [];

function put(kind, rows) {
  editor.set([kind], rows);
}

function remover(kind, k, row) {
  return action("×", () => put(kind, except(several(kind), k)), {
    "aria-label": gettext("Remove {name}", { name: row }),
    disabled: several(kind).length < (kind === "balls" ? 3 : 2),
  });
}

/** Name a ball; the reference, where it is this one, follows. */
function rename(k, path, value, ...rest) {
  const balls = several("balls");
  const { reference: named } = editor.request;
  const isOfAny = balls.some((each) => each.name === named);
  const follows = balls[k].name === named || (balls[k].name === undefined && !isOfAny);
  editor.take(path, value, ...rest);
  if (named === undefined || value === undefined || !follows) return;
  const key = path.join(".");
  editor.set(["reference"], value, { key, source: key });
}

/** The reference, one of the balls. */
function reference(ball, k) {
  const names = several("balls").map((each) => each.name);
  const first = several("balls").find((each) => !each.new)?.name ?? names[0];
  return element(
    "td",
    element("input", {
      type: "radio",
      name: "reference",
      checked: (editor.request.reference ?? first) === ball.name,
      "aria-label": gettext("reference, {name}", { name: ball.name ?? TITLES.balls(k + 1) }),
      onchange: () => editor.set(["reference"], several("balls")[k].name),
    }),
  );
}

function ballRow(ball, k) {
  const name = ball.name ?? TITLES.balls(k + 1);
  const [own, isNew, ...numbers] = contract.balls;
  const cells = ball.box
    ? numbers.map((spec) => cell(spec, ["balls", k, "box", ...spec.name.split(".")], name))
    : [
        element(
          "td",
          { colspan: numbers.length },
          ball.design ? gettext("a design, as the request says") : gettext("drilled, as the request says"),
        ),
      ];
  return element(
    "tr",
    cell(own, ["balls", k, "name"], TITLES.balls(k + 1), (...given) => rename(k, ...given)),
    cell(isNew, ["balls", k, "new"], name),
    reference(ball, k),
    cells,
    element("td", remover("balls", k, name)),
  );
}

function bowlerRow(bowler, k) {
  const name = bowler.name ?? TITLES.bowlers(k + 1);
  return element(
    "tr",
    contract.bowlers.map((spec) => cell(spec, ["bowlers", k, ...spec.name.split(".")], name)),
    element("td", remover("bowlers", k, name)),
  );
}

/** Amounts of oil of a lane, in one line; the pattern itself is given in the request. */
function laneRow(lane, k) {
  const name = lane.pattern?.name ?? gettext("lane {number}", { number: k + 1 });
  const id = `volumes-${k}`;
  return element(
    "div.field",
    element("label", { for: id }, gettext("Amounts of oil on {name}, mL, the most first", { name })),
    element("input", {
      id,
      type: "text",
      value: (lane.volumes ?? []).join("; "),
      autocomplete: "off",
      onchange: ({ target }) => {
        const volumes = target.value
          .split(/[;；\s]+/)
          .filter(Boolean)
          .map(numberOrText);
        const changed = volumes.length ? { ...lane, volumes } : { ...lane, volumes: undefined };
        put(
          "lanes",
          several("lanes").map((each, other) => (other === k ? changed : each)),
        );
      },
    }),
  );
}

let drawn = "";

/** Draw the tables anew where their rows are others; a typed number leaves them as they are. */
function draw(request, source) {
  const shape = JSON.stringify([
    several("balls").map((each) => [each.name, each.new, Object.keys(each)]),
    several("bowlers").map((each) => each.name),
    several("lanes").map((each) => [each.pattern?.name, each.volumes]),
    request.reference,
  ]);
  if (shape === drawn || editor.fields.has(source)) return;
  drawn = shape;
  for (const [kind, row] of [
    ["balls", ballRow],
    ["bowlers", bowlerRow],
  ]) {
    editor.drop(`${kind}.`);
    at(kind).replaceChildren(...several(kind).map(row));
  }
  at("lanes").replaceChildren(...several("lanes").map(laneRow));
}

function heads(id, labels) {
  at(id).replaceChildren(...labels.map((text) => element("th", { scope: "col" }, text)));
}

function freeName(kind) {
  const names = several(kind).map((each) => each.name);
  for (let k = names.length + 1; ; k += 1) if (!names.includes(TITLES[kind](k))) return TITLES[kind](k);
}

const titled = (spec) => [spec.label, spec.unit].filter(Boolean).join(", ");
const [ballName, ballNew, ...ballNumbers] = contract.balls.map(titled);
heads("ball-heads", [ballName, ballNew, gettext("reference"), ...ballNumbers, gettext("Remove")]);
heads("bowler-heads", [...contract.bowlers.map(titled), gettext("Remove")]);
for (const [id, kind] of [
  ["add-ball", "balls"],
  ["add-bowler", "bowlers"],
])
  at(id).addEventListener("click", () => put(kind, [...several(kind), NEW[kind](freeName(kind))]));
editor.listen(draw);
editor.restore();
