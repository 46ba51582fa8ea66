// A design on the bench: its parts, its two sections, its numbers as it changes, and what is laid over it.

import * as address from "./address.js";
import { Board } from "./board.js";
import * as calls from "./calls.js";
import { Drilling } from "./drilled.js";
import { Editor } from "./editor.js";
import { action, at, card, element, notes, wideTable } from "./elements.js";
import { fileName } from "./kept.js";
import { findings, showVerdict } from "./results.js";
import { inches } from "./section.js";
import { Solids, variantDesign } from "./solids.js";
import { gettext, quantity, units } from "./words.js";

const PATH = "/v1/designs";
const LINES = "application/x-ndjson";
const LEAST = 5e-5; // what the four decimals shown can tell from nothing
const ASKED = ["design", "drilling", "balance_arm", "rules", "compare"];
const FRESH = {
  design: {
    diameter: 8.58,
    solids: [{ name: gettext("cover"), role: "cover", shape: "sphere", density: 1.2 }],
  },
};
const SHOWN = [
  "weight",
  "rg",
  "rg_intermediate",
  "rg_high",
  "differential",
  "intermediate_differential",
  "asymmetry_ratio",
  "top_weight",
  "pin_to_cg",
  "pin_to_low_rg_axis",
  "mark_to_high_rg_axis",
  "cover_depth_shallowest",
  "max_density",
  "mean_density",
];
const DRILLED = {
  weight: "weight",
  rg: "rg",
  rg_intermediate: "rg_intermediate",
  rg_high: "rg_high",
  differential: "differential",
  intermediate_differential: "intermediate_differential",
  asymmetry_ratio: "asymmetry_ratio",
};
const READINGS = ["drilled_top", "drilled_side", "drilled_finger"];

const contract = JSON.parse(at("contract").textContent);
const word = (name) =>
  contract.targets[name]?.label ?? { mass: gettext("mass") }[name] ?? name.replaceAll("_", " ");

let chosen = 0;
let laid = null; // a solution's design, laid over
let changes = 0;
let came = null; // the request that another page has carried along
let last = null; // the newest numbers: the answer, and the change that they belong to

/** Whether a request names mesh files, which then go with it in a form. */
const namesFiles = ({ design, compare = null }) =>
  [design, compare?.design].some((each) => each?.meshes?.some((mesh) => mesh.file !== undefined));

/** Ask the service about a design; gives the response. */
async function send(request, { accept = "application/json", signal = null } = {}) {
  const headers = { Accept: accept };
  if (!namesFiles(request)) {
    headers["Content-Type"] = "application/json";
    return calls.send(PATH, { headers, body: JSON.stringify(request), signal });
  }
  const { formOf, sending } = await import("./meshes.js");
  const body = await formOf(request);
  // What answers line by line is read as it comes.
  return calls.send(PATH, { headers, body, signal, ...(accept !== LINES && { by: sending(tellSent) }) });
}

/** Show how much of a form is sent, from 0 to 1; null at its end. */
function tellSent(share) {
  at("sending").hidden = share === null || share === 1;
  at("sending").value = share ?? 0;
}

const editor = new Editor({
  kind: "design",
  ask: async (request, signal) => calls.decoded(await send(request, { signal })),
  pack: async (request) => (namesFiles(request) ? (await import("./meshes.js")).packed(request) : request),
  unpack: async (request) =>
    request.design?.meshes || request.compare?.design?.meshes
      ? (await import("./meshes.js")).unpacked(request)
      : request,
  path: PATH,
  method: "design(request).outcome",
  asked,
  show,
  fresh: FRESH,
  carry: ({ ball, design, drilling }) => {
    if (design) return drilling?.holes?.length ? { design, drilling } : { design };
    const { diameter = FRESH.design.diameter, name } = ball ?? {};
    return drilling?.holes?.length ? { design: { ...FRESH.design, name, diameter }, drilling } : null;
  },
});
for (const spec of contract.fields.filter((each) => each.name.startsWith("design."))) {
  at("head").append(editor.field(spec, spec.name.split(".")).node);
}
const solids = new Solids({
  editor,
  contract,
  choose,
  remove: (name) => {
    at("told").textContent = gettext("{name} is removed. Undo brings it back.", { name });
  },
  meshNote: (place) => {
    const box = element("div");
    meshTools().then((tools) => box.replaceChildren(tools.note(place)));
    return box;
  },
});
const drilling = new Drilling({ editor, contract });
editor.listen(({ design, drilling: drilled, balance_arm, rules }) => {
  const opened = { design, drilling: drilled && { ...drilled, balance_arm }, rules };
  const text = JSON.stringify(opened);
  const link = at("to-drilling");
  link.hidden = text.length > address.LONGEST_OPENED || namesFiles({ design });
  const hash = new URLSearchParams({ opened: text });
  link.setAttribute("href", `/drilling?lang=${document.documentElement.lang}#${hash}`);
});
const board = new Board({
  holder: at("sections"),
  told: at("told"),
  choose,
  shapeOf,
  done: () => editor.history.close(),
  change: (index, solid, key) => editor.set(["design", "solids", index], solid, { key, source: key }),
});
board.names = Object.fromEntries(
  Object.entries(contract.parameters).map(([name, { label }]) => [name, label]),
);
// What only some designs and some visits need is fetched when it is needed.
let turning = null;
let search = null;
let studies = null;
let files = null;

at("turning-box").addEventListener(
  "toggle",
  async () => {
    const { Turning } = await import("./turning.js");
    turning = new Turning({ holder: at("turning-box"), shapeOf });
    drawTurning();
  },
  { once: true },
);

async function searching() {
  const { Search } = await import("./searches.js");
  search ??= new Search({
    editor,
    contract,
    send,
    numbers: () => numbersOf(last?.answer),
    take: (design) => editor.set(["design"], design),
    lay: (design, name) => {
      laid = { design, name };
      at("over").dataset.wanted = "solution";
      editor.refresh();
      editor.state.edited(0);
    },
  });
  search.draw();
  return search;
}
async function studying() {
  const { Studies } = await import("./studies.js");
  studies ??= new Studies({ editor, contract, send });
  studies.draw();
}
at("studies").addEventListener("toggle", studying);

at("searches").addEventListener("toggle", () => searching());
at("search-kind").addEventListener("change", async ({ target }) => (await searching()).turn(target.value));
at("solve").addEventListener("click", async () => (await searching()).solve());

async function meshTools() {
  const { MeshFiles } = await import("./meshes.js");
  files ??= new MeshFiles({ editor, contract, send, choose, changed: () => editor.refresh("choice") });
  return files;
}
at("mesh-box").addEventListener("toggle", async () => (await meshTools()).panel(at("mesh-box")), {
  once: true,
});

/** The shape of a mesh solid for the pictures, null until it is there. */
function shapeOf(design, solid) {
  if (solid.shape !== "mesh") return null;
  if (files) return files.shapeOf(design, solid);
  meshTools().then(() => drawBoard());
  return null;
}

/** What is asked as the design changes: all but searches and studies, and what is laid over it. */
function asked(request) {
  const bare = Object.fromEntries(
    ASKED.filter((name) => request[name] !== undefined).map((name) => [name, request[name]]),
  );
  const over = overlay(request);
  return over && !request.compare ? { ...bare, compare: { design: over } } : bare;
}

/** The design laid over this one, as chosen. */
function overlay(request) {
  const wanted = at("over").dataset.wanted ?? "";
  if (wanted === "solution") return laid?.design ?? null;
  if (wanted.startsWith("variant "))
    return request.set?.variants?.[wanted.slice(8)] ? variantDesign(request, wanted.slice(8)) : null;
  return request.compare?.design ?? null;
}

function choose(index) {
  chosen = index;
  editor.refresh("choice");
}

/** Draw what can be drawn at once, and ask for the numbers. */
function refresh(request, source) {
  if (source !== "choice") changes += 1;
  chosen = Math.min(chosen, (request.design?.solids?.length ?? 0) - 1);
  solids.draw(chosen, source);
  drilling.draw();
  search?.draw();
  studies?.draw();
  drawBoard();
  overlays(request);
  document.documentElement.dataset.change = String(changes);
  if (source !== "choice" && !editor.broken) live();
  drawNumbers();
}

function drawBoard() {
  board.draw(editor.request.design ?? { solids: [] }, { chosen, over: overlay(editor.request) });
  markCenter();
}

/** The holes of the newest answer with their diameters, as the request has them by now. */
function bores() {
  const costs = last?.answer.drilled?.holes ?? [];
  const sizes = (editor.request.drilling?.holes ?? []).map((hole) => inches(hole.diameter));
  return editor.request.drilling
    ? costs.map((hole, index) => ({ hole, size: sizes[index] })).filter(({ size }) => size > 0)
    : [];
}

function drawTurning() {
  turning?.show(editor.request.design ?? { solids: [] }, bores());
}

function markCenter() {
  drawTurning();
  board.drill(bores());
  board.mark(last?.change === changes ? last.answer.properties.centre_of_mass : null);
}

/** The choices of what is laid over the design. */
function overlays(request) {
  const over = at("over");
  const options = [["", gettext("nothing")]];
  if (request.compare?.design)
    options.push(["second", gettext("second design: {name}", { name: request.compare.design.name ?? "" })]);
  for (const [index, variant] of (request.set?.variants ?? []).entries())
    options.push([`variant ${index}`, variant.name ?? ""]);
  if (laid) options.push(["solution", laid.name]);
  let wanted = over.dataset.wanted ?? "";
  if (!options.some(([value]) => value === wanted) || (wanted === "" && request.compare?.design))
    wanted = request.compare?.design ? "second" : "";
  over.dataset.wanted = wanted;
  const key = JSON.stringify([options, wanted]);
  if (over.dataset.key === key) return;
  over.dataset.key = key;
  over.replaceChildren(
    ...options.map(([value, text]) => element("option", { value, selected: value === wanted }, text)),
  );
}

const live = calls.newestOnly(async () => {
  const change = changes;
  try {
    const answer = await calls.decoded(await send({ ...asked(editor.request), detail: "numbers" }));
    last = { answer, change };
  } catch {
    return; // the page's own question says why
  }
  drawNumbers();
  markCenter();
});

function numbersOf(answer) {
  if (!answer) return null;
  const drilled = Object.entries(answer.drilled ?? {}).map(([name, value]) => [`drilled_${name}`, value]);
  return { ...answer.properties, ...Object.fromEntries(drilled) };
}

/** The table of numbers: as made, drilled, and of what is laid over. */
function drawNumbers() {
  const box = at("numbers");
  const isOld = last?.change !== changes;
  box.classList.toggle("stale", isOld);
  at("numbers-old").hidden = !isOld || !last;
  if (!last || Number(box.dataset.change) === last.change) return;
  box.dataset.change = String(last.change);
  const { properties, drilled, units, comparison } = last.answer;
  const second =
    comparison?.designs && Object.fromEntries(comparison.designs.map((each) => [each.number, each]));
  const heads = [
    gettext("quantity"),
    gettext("as made"),
    ...(drilled ? [gettext("drilled")] : []),
    ...(second ? [gettext("laid over"), gettext("difference")] : []),
  ];
  const show = (value, unit, options) => (value === undefined ? "" : quantity(value, unit, options));
  const rows = SHOWN.map((name) => [
    word(name),
    quantity(properties[name], units[name]),
    ...(drilled ? [DRILLED[name] ? show(drilled[name], units[name]) : ""] : []),
    ...(second
      ? [
          show(second[name]?.second, units[name]),
          show(second[name]?.difference, units[name], { signed: true }),
        ]
      : []),
  ]);
  const readings = drilled
    ? READINGS.map((name) => [
        word(name),
        "",
        quantity(drilled[name.slice(8)], "oz", { signed: true }),
        ...(second ? ["", ""] : []),
      ])
    : [];
  at("numbers-table").replaceChildren(
    wideTable(gettext("Numbers of the design"), heads, [...rows, ...readings]),
  );
  const { error_bound: bound } = properties;
  at("numbers-method").textContent = bound.differential
    ? gettext(
        "Within {weight} lb and {differential} in of differential, at once; the whole answer follows.",
        { weight: bound.weight.toPrecision(1), differential: bound.differential.toPrecision(1) },
      )
    : "";
}

function show(answer, request) {
  showVerdict(at("verdict"), answer);
  last = { answer, change: changes };
  delete at("numbers").dataset.change;
  drawNumbers();
  markCenter();
  carryOn(answer);
  return [
    contributions(answer),
    request.compare?.design && answer.comparison ? comparison(answer.comparison) : null,
    answer.drilled ? card(gettext("Drilled, in play"), findings(answer.drilled)) : null,
    findings(answer),
    written(request),
    ...notes(answer),
  ];
}

/** Take the design along to the other pages, with its box numbers; one that came so stays as it came. */
function carryOn({ ball }) {
  const { design, drilling, balance_arm, rules } = editor.request;
  const isCarried = editor.request === came;
  if (design.solids.length < 2 && isCarried) return;
  const opened = { design, drilling: drilling && { ...drilling, balance_arm }, rules };
  const state = isCarried ? null : new Map([["opened", JSON.stringify(opened)]]);
  address.carry(state, { ball, design, drilling });
}

/** What the service writes of the design, with all that is asked of it. */
function written(request) {
  const place = element("p", { role: "status", id: "taken" });
  const name = request.design.name || gettext("design");
  const button = (ending, media, text) =>
    action(
      text,
      async () => {
        const report = { language: document.documentElement.lang, units: units.metric ? "metric" : "trade" };
        place.replaceChildren(gettext("Asking the service…"));
        try {
          const request = { ...editor.request, ...asked(editor.request), report };
          const response = await send(request, { accept: media });
          const file = `${fileName(name)}.${ending}`;
          place.replaceChildren(
            element(
              "a.button",
              { href: URL.createObjectURL(await response.blob()), download: file },
              gettext("Save {file}", { file }),
            ),
          );
        } catch (error) {
          place.replaceChildren(
            element(
              "span.refused",
              [error.message, ...(error.problem?.errors ?? []).map((each) => each.detail)].join(" "),
            ),
          );
        }
      },
      { id: `take-${ending}` },
    );
  return card(
    gettext("Report, drawing and solids"),
    element(
      "p.quiet",
      gettext("The report has sections, parts, numbers, rules and all that is solved for; solids are in mm."),
    ),
    element(
      "p.tools",
      ...[
        ["html", "text/html", gettext("Report as a page")],
        ["pdf", "application/pdf", gettext("Report as PDF")],
        ["svg", "image/svg+xml", gettext("Drawing as SVG")],
        ["3mf", "model/3mf", gettext("Solids as 3MF")],
        ["step", "model/step", gettext("Solids as STEP")],
        ["stl", "model/stl", gettext("Solids as STL")],
      ].flatMap((each) => [button(...each), " "]),
    ),
    place,
  );
}

function contributions({ properties: { contributions: found }, units }) {
  if (!found?.length) return null;
  const names = ["mass", "weight", "rg", "differential", "intermediate_differential", "top_weight"];
  const rows = found.map((each) => [
    each.name,
    ...names.map((name) => quantity(each[name], units[name], { signed: name !== "mass" })),
  ]);
  const label = gettext("What each solid adds");
  return card(
    label,
    element(
      "p.quiet",
      gettext(
        "Mass is what is seen of the solid; the rest is the change " +
          "when it is there instead of what lies beneath it.",
      ),
    ),
    wideTable(label, [gettext("solid"), ...names.map(word)], rows),
  );
}

function comparison({ designs }) {
  if (!designs?.length) return null;
  const causes = (each) =>
    each.causes
      .filter((cause) => Math.abs(cause.difference) >= LEAST)
      .map((cause) => `${cause.part} ${quantity(cause.difference, each.unit, { signed: true })}`);
  const rows = designs.map((each) => [
    word(each.number),
    quantity(each.difference, each.unit, { signed: true }),
    causes(each).join(", ") || "–",
  ]);
  const label = gettext("Where the difference comes from");
  return card(
    label,
    wideTable(label, [gettext("quantity"), gettext("difference"), gettext("by solid")], rows),
  );
}

at("second").addEventListener("click", () => {
  at("over").dataset.wanted = "second";
  editor.set(["compare", "design"], structuredClone(editor.request.design));
  at("told").textContent = gettext("The design as it is now is kept as the second one, and laid over.");
});
at("over").addEventListener("change", ({ target }) => {
  target.dataset.wanted = target.value;
  const { compare, ...rest } = editor.request;
  if (compare?.design && target.value !== "second") editor.put(rest);
  else {
    editor.refresh();
    editor.state.edited(0);
  }
});
editor.reach = (names) => {
  if (
    names[0] === "design" &&
    names[1] === "solids" &&
    names[2] !== undefined &&
    Number(names[2]) !== chosen &&
    !editor.fields.has(names.join("."))
  )
    choose(Number(names[2]));
  if (names[0] === "design" && names[1] === "meshes" && names[2] !== undefined) {
    const { meshes = [], solids: all } = editor.request.design;
    const place = all.findIndex((solid) => solid.mesh && solid.mesh === meshes[Number(names[2])]?.name);
    if (place >= 0 && place !== chosen) choose(place);
  }
};
editor.listen(refresh);
const isBrought = address.read().has("carried");
editor.restore();
if (isBrought) came = editor.request;
