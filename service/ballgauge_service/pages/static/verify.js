// Verify a record: from the camera, a picture, a PDF, a text file or pasted text.

import * as address from "./address.js";
import * as calls from "./calls.js";
import { card, element, list, table, wideTable } from "./elements.js";
import { showProblem } from "./problem.js";
import { boundsText } from "./results.js";
import { PageState } from "./state.js";
import { gettext, outcomeWord, quantity, sign } from "./words.js";
import "./frame.js";

const LOOK_EVERY = 600;
const LARGEST_SIDE = 1600;
const PICTURES = ["image/png", "image/jpeg"];

const field = (id) => document.getElementById(id);
const verdict = field("verdict");
const results = field("results");
const sight = field("sight");
const reading = field("reading");
/** Fields of a check and rules by name, each with its words and its unit; words of choices. */
const known = JSON.parse(field("known").textContent);
const state = new PageState({
  read,
  ask: (request, signal) => calls.post("/v1/records/verify", request, signal),
  show,
});
let looking = 0;
let opening = new AbortController();

function read() {
  const on = field("on").value;
  const record = field("text").value.trim();
  return record ? { record, ...(on ? { on } : {}) } : null;
}

function keep() {
  const told = { record: field("text").value.trim(), on: field("on").value };
  address.write(new Map(Object.entries(told).filter(([, text]) => text)));
}

function show(answer, request) {
  calls.show("/v1/records/verify", request, 'verify(request["record"], on=request.get("on")).state');
  const words = {
    genuine: gettext("genuine"),
    altered: gettext("altered"),
    unknown_key: gettext("unknown key"),
  };
  const meaning = {
    genuine: gettext("Signed by the key {kid}, and unaltered.", { kid: answer.kid }),
    altered: gettext("This is not what the key {kid} signed. Nothing of its content is shown.", {
      kid: answer.kid,
    }),
    unknown_key: gettext("This service has no key {kid}. Nothing of its content is shown.", {
      kid: answer.kid ?? "–",
    }),
  };
  const shown = answer.demo ? "unknown_key" : answer.state;
  verdict.dataset.outcome = shown;
  verdict.dataset.key = answer.kid ?? "";
  verdict.replaceChildren(
    element(
      "p.verdict-word",
      element("span.sign", { "aria-hidden": "true" }, sign(shown)),
      words[answer.state],
    ),
    element("p", meaning[answer.state]),
    answer.demo
      ? element("p.refused", gettext("Signed with the demonstration key: this record proves nothing."))
      : "",
    answer.recheck
      ? element(
          "p",
          answer.recheck.rules_changed
            ? gettext("The rules have changed since.")
            : gettext("The rules have not changed since."),
        )
      : "",
  );
  if (answer.lot) results.replaceChildren(heldOfLot(answer.lot));
  else results.replaceChildren(...(answer.content ? [...held(answer.content), recheck(answer.recheck)] : []));
}

/** What a record says, line by line, and what else. */
function record(told, more) {
  const rows = told.filter(([, value]) => value);
  const heads = [gettext("what"), gettext("value")];
  return card(gettext("What the record says"), table(gettext("The record"), heads, rows, "words"), more);
}

function heldOfLot(content) {
  const told = [
    [gettext("Verdict"), outcomeWord(content.outcome)],
    [gettext("Supplier"), content.lot.supplier],
    [gettext("Model"), content.lot.model],
    [gettext("Lot"), content.lot.lot],
    [gettext("Order"), content.lot.order],
    [gettext("Inspected on"), content.lot.inspected_on],
    [gettext("File"), content.file.name],
    [gettext("SHA-256 of the file"), content.file.sha256],
    [gettext("Date of the record"), content.issued_on],
    [
      gettext("Rules"),
      [content.rules.body.toUpperCase(), content.rules.overlay, content.rules.on].filter(Boolean).join(", "),
    ],
  ];
  return record(told, list(content.reasons));
}

function held(content) {
  const {
    check,
    rules: { body, overlay, on, stage },
  } = content;
  const stages = { play: gettext("play"), approval: gettext("approval") };
  const told = [
    [gettext("Verdict"), outcomeWord(content.outcome)],
    [gettext("Player"), content.player],
    [gettext("Event"), content.event],
    [gettext("Maker and model"), check.ball.name],
    [gettext("Serial number"), check.ball.serial],
    [gettext("Date of the record"), content.issued_on],
    [gettext("Rules"), [body.toUpperCase(), overlay, stages[stage], on].filter(Boolean).join(", ")],
  ];
  const rows = content.findings.map((each) => [
    titleOf(each.rule),
    outcomeWord(each.outcome),
    shownAs(each, unitOf(each.rule)),
    limits(each),
  ]);
  return [
    record(
      told,
      table(
        gettext("Findings"),
        [gettext("rule"), gettext("outcome"), gettext("value"), gettext("limit")],
        rows,
        "words",
      ),
    ),
    given(check),
  ];
}

const titleOf = (rule) => (known.rules[rule] ? gettext(known.rules[rule][0]) : rule.replaceAll("_", " "));
const unitOf = (rule) => known.rules[rule]?.[1] ?? "";
const limits = (each) => boundsText(each.min ?? null, each.max ?? null, unitOf(each.rule));

/** What was typed or measured of the ball, and its holes one by one. */
function given(check) {
  const { holes = [], ...drilling } = check.drilling ?? {};
  const { name, serial, ...ball } = check.ball;
  const told = leaves({
    ball,
    drilling,
    measured_balance: check.measured_balance,
    holes_seen: check.holes_seen,
  }).map(([path, value]) => [wordsOf(path), shownAs(value, known.fields[path]?.[1])]);
  const bored = holes.map((hole) => new Map(leaves(hole, "drilling.holes.*")));
  const columns = [...new Set(bored.flatMap((hole) => [...hole.keys()]))];
  const rows = bored.map((hole, index) => [
    index + 1,
    ...columns.map((path) => (hole.has(path) ? shownAs(hole.get(path), known.fields[path]?.[1]) : "–")),
  ]);
  return card(
    gettext("What was judged"),
    table(gettext("Ball and readings"), [gettext("what"), gettext("value")], told, "words"),
    rows.length ? wideTable(gettext("Holes"), [gettext("No."), ...columns.map(wordsOf)], rows) : null,
  );
}

const wordsOf = (path) => known.fields[path]?.[0] ?? path.split(".").at(-1).replaceAll("_", " ");

/** The values of a request by their paths. */
function leaves(part, path = "") {
  return Object.entries(part)
    .filter(([, value]) => value !== undefined && value !== null)
    .flatMap(([name, value]) => {
      const here = path ? `${path}.${name}` : name;
      return typeof value === "object" && !("value" in value) ? leaves(value, here) : [[here, value]];
    });
}

function shownAs(value, unit = "") {
  if (typeof value === "boolean") return value ? gettext("yes") : gettext("no");
  if (typeof value === "number") return quantity(value, unit);
  if (typeof value === "string") return known.words[value] ?? value;
  if (value.value === undefined) return "–";
  if (value.uncertainty === undefined) return quantity(value.value, unit);
  return `${quantity(value.value, unit, { bare: true })} ± ${quantity(value.uncertainty, unit)}`;
}

function recheck(found) {
  const rows = found.changes.map((change) => [
    gettext(change.title),
    ...[change.then, change.now].map((each) =>
      each
        ? `${outcomeWord(each.outcome)} ${limits({ ...each, rule: change.rule })}`
        : gettext("no such rule"),
    ),
  ]);
  const now = found.outcome
    ? gettext("Judged for {on}: {outcome}.", { on: found.on, outcome: outcomeWord(found.outcome) })
    : gettext("The ball can no longer be judged by these rules.");
  return card(
    gettext("By the rules as they are known now"),
    element("p", now),
    rows.length
      ? table(
          gettext("What differs"),
          [gettext("rule"), gettext("in the record"), gettext("now")],
          rows,
          "words",
        )
      : list([gettext("Every finding is the same.")]),
  );
}

/** Read a record out of a file into the text, and verify it. */
async function openFile(file) {
  if (!file) return;
  opening.abort();
  opening = new AbortController();
  const { signal } = opening;
  put("");
  state.edited(null);
  reading.textContent = gettext("Reading the file…");
  try {
    const record = await recordOf(file, signal);
    if (signal.aborted) return;
    put(record);
    state.settle();
  } catch (error) {
    if (!signal.aborted) showProblem(null, error);
  }
  if (!signal.aborted) reading.textContent = "";
}

async function recordOf(file, signal) {
  const isPicture = PICTURES.includes(file.type);
  if (!isPicture && file.type !== "application/pdf") return (await file.text()).trim().slice(0, 100000);
  const sent = isPicture ? await smaller(file) : file;
  const ask = () => calls.postFile("/v1/records/read", sent, isPicture ? "image/png" : file.type, signal);
  return (
    await calls.insist(
      ask,
      (words) => {
        reading.textContent = words;
      },
      signal,
    )
  ).record;
}

function put(record) {
  field("text").value = record;
  keep();
}

/** A picture no larger than a code needs. */
async function smaller(file) {
  try {
    const picture = await createImageBitmap(file);
    return await gray(picture, picture.width, picture.height);
  } catch {
    throw new calls.Refused({
      detail: gettext("This picture cannot be read: it is damaged, or no picture."),
    });
  }
}

function gray(source, width, height) {
  const scale = Math.min(1, LARGEST_SIDE / Math.max(width, height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  const pen = canvas.getContext("2d");
  pen.filter = "grayscale(1)";
  pen.drawImage(source, 0, 0, canvas.width, canvas.height);
  return new Promise((done) => {
    canvas.toBlob(done, "image/png");
  });
}

async function look() {
  if (!sight.srcObject) return;
  try {
    const frame = await gray(sight, sight.videoWidth || 640, sight.videoHeight || 480);
    put((await calls.postFile("/v1/records/read", frame, "image/png")).record);
    stop();
    state.settle();
  } catch (error) {
    reading.textContent =
      error instanceof calls.Unreachable ? error.message : gettext("No code in sight yet.");
    looking = setTimeout(look, LOOK_EVERY);
  }
}

function stop() {
  clearTimeout(looking);
  reading.textContent = "";
  for (const track of sight.srcObject?.getTracks() ?? []) track.stop();
  sight.srcObject = null;
  sight.hidden = true;
  field("camera").hidden = false;
  field("camera-off").hidden = true;
}

field("camera").addEventListener("click", async () => {
  try {
    sight.srcObject = await navigator.mediaDevices.getUserMedia({
      video: { facingMode: "environment", width: { ideal: 1600 } },
    });
    sight.hidden = false;
    field("camera").hidden = true;
    field("camera-off").hidden = false;
    await sight.play();
    look();
  } catch {
    showProblem(
      null,
      new calls.Refused({ detail: gettext("The camera cannot be used; open a picture instead.") }),
    );
  }
});
field("camera-off").addEventListener("click", stop);
field("file").addEventListener("change", (event) => openFile(event.target.files[0]));
field("form").addEventListener("submit", (event) => {
  event.preventDefault();
  if (read()) state.settle();
  else showProblem(null, new calls.Refused({ detail: gettext("There is no record to verify yet.") }));
});
for (const id of ["text", "on"]) {
  field(id).addEventListener("input", () => {
    keep();
    state.edited(null); // a record is verified when that is asked for
  });
}
document.addEventListener("units", () => state.redraw());

function restore(kept) {
  field("text").value = kept.get("record") ?? "";
  field("on").value = kept.get("on") ?? "";
  state.settle();
}

address.changed(restore);
restore(address.read());
