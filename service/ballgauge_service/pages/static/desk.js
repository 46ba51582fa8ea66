// The desk: one ball after another. A ball is in the list as soon as Enter is pressed, and is judged behind
// that.

import * as address from "./address.js";
import * as calls from "./calls.js";
import { textOf } from "./csv.js";
import { Entrants } from "./desk_entrants.js";
import { List } from "./desk_list.js";
import * as rows from "./desk_rows.js";
import { action, element } from "./elements.js";
import { Form, stateOf, today } from "./form.js";
import { useUnitsOf } from "./frame.js";
import { clearProblem } from "./problem.js";
import { HAS_UNIT } from "./numbers.js";
import { keepTyped, taken } from "./record.js";
import * as results from "./results.js";
import { PAUSE, PageState } from "./state.js";
import { ofBrowser, ofTab } from "./store.js";
import { Undo } from "./undo.js";
import { gettext, outcomeWord, units } from "./words.js";

const DRAFT = "ballgauge.desk.draft";
const ALONE = "ballgauge.desk.alone";
const FILLED = ["player", "ball.name"];
const ONE_BALL = /^(ball|measured_balance|holes_seen)\./;
const AT_ONCE = 4;
const SCAN = { least: 6, within: 40, end: 150, twice: 80 };
const SHOWN = 200;
const STATES = [
  "nonconforming",
  "inconclusive",
  "refused",
  "unweighed",
  "waiting",
  "not_assessed",
  "conforming",
];
const USUAL = {
  finger_holes: "2",
  thumb_holes: "1",
  unused_finger_holes: "0",
  thumb_used: "true",
  balance_holes: "0",
  vent_holes: "0",
  mill_holes: "0",
  center_marked: "true",
};

const field = (id) => document.getElementById(id);
const verdict = field("verdict");
const told = field("told");
const player = field("player");
const form = new Form(field("form"), typed);
const state = new PageState({
  form,
  read,
  ask: (request, signal) => calls.post("/v1/checks", request, signal),
  show,
  moved,
});
const undoing = new Undo({
  read: () => new Map([["player", player.value], ...form.state()]),
  write: (kept) => {
    useUnitsOf(kept);
    player.value = kept.get("player");
    form.restore(kept);
    typed();
  },
  say: (name) => (name === "player" ? gettext("Player") : form.titleOf(name)),
  owns: (target) => target.matches?.("#form input"),
  names: ["form-undo", "form-redo"],
});
const entrants = new Entrants(drawSoon);
const list = new List(listChanged, () =>
  say(gettext("This browser keeps nothing: save the list to a file.")),
);

let editing = null; // the entry that is edited, and the ball that was put aside for it
let shown = ""; // the outcome by which rows are filtered
let whole = false; // whether every row is drawn
let signing = null;

// The ball in the form

/** What is typed of this ball: [name, text] each. */
function typedBall() {
  return [...form.state()].filter(([name]) => ONE_BALL.test(name));
}

/** `unfinished`: what is being typed cannot be meant yet; it is judged when its field is left. */
function typed(unfinished = false) {
  address.write(new Map([...form.state()].filter(([name]) => !ONE_BALL.test(name))));
  keepDraft();
  undoing.note(form.typing?.id);
  state.edited(unfinished ? null : PAUSE);
}

/** What is judged while it is typed: a ball that has its weight. */
function read() {
  const request = form.request();
  return request.ball?.drilled_weight === undefined ? null : request;
}

function show(answer, request) {
  results.showVerdict(verdict, answer);
  showNear(answer);
  calls.show("/v1/checks", request, "check(request).outcome");
}

function moved(name) {
  if (name !== "current") field("near").hidden = true;
}

/**
 * Put the ball of the form in the list and make room for the next, at once: whatever is typed now is the next
 * one's.
 */
function next() {
  const now = typedBall();
  if (!now.length) {
    say(gettext("There is nothing to add yet."));
    return field("ball.serial").focus();
  }
  fillFromEntrants();
  const made = {
    player: player.value.trim(),
    request: { ball: {}, ...form.request() },
    typed: typedBall(),
    metric: units.metric,
  };
  if (editing) {
    const { id, at } = editing;
    list.change([[id, { id, at, ...made, answer: null, refused: null }]]);
    say(gettext("Ball {number} was changed.", { number: numberOf(id) }), true);
    endEditing();
  } else {
    const id = list.add(made);
    say(gettext("Ball {number} is in the list.", { number: numberOf(id) }));
    clearBall();
  }
  field("ball.serial").focus();
}

function clearBall() {
  takeFilledAway();
  undoing.reset();
  for (const input of form.inputs()) if (ONE_BALL.test(input.name)) input.value = "";
  clearProblem(form);
  typed();
}

/** Everything of the ball in the form, to be kept or put aside. */
function draft() {
  const filled = FILLED.filter((id) => field(id).dataset.filled);
  return { player: player.value, filled, typed: typedBall(), metric: units.metric };
}

function useDraft({ player: name, filled, typed: pairs, metric }) {
  undoing.reset();
  player.value = name;
  fillBall(pairs, metric);
  for (const id of FILLED) mark(id, filled.includes(id));
}

/** Fill the form with texts that were typed in these units. */
function fillBall(pairs, metric) {
  for (const input of form.inputs()) if (ONE_BALL.test(input.name)) input.value = "";
  for (const [name, text] of pairs) {
    const { unit, metric: other, control } = form.form.elements[name]?.dataset ?? {};
    const isBare = control === "number" && unit && !HAS_UNIT.test(text);
    form.set(name, isBare && metric !== units.metric ? `${text} ${metric ? other : unit}` : text);
  }
  form.unfold();
}

/** A half-typed ball is kept in this tab, so that a reload or another language does not lose it. */
function keepDraft() {
  ofTab.write(DRAFT, JSON.stringify({ ...draft(), editing }));
}

function restoreDraft() {
  const held = ofTab.parsed(DRAFT);
  if (!held) return;
  useDraft(held);
  editing = held.editing;
  showEditing();
  typed();
}

/** Offer the names that are near to the one typed. */
function showNear(answer) {
  const near = field("near");
  const names = (answer.identity?.near ?? []).map((each) => `${each.brand} ${each.model}`);
  near.replaceChildren(
    near.firstElementChild,
    ...names.map((name) =>
      action(name, () => {
        form.set("ball.name", name);
        mark("ball.name", false);
        field("ball.name").focus();
        typed();
      }),
    ),
  );
  near.hidden = names.length === 0;
}

// Entrants

/** Fill player and name by the serial, where the entrants' file has it once; what was typed stays. */
function fillFromEntrants() {
  takeFilledAway();
  const found = entrants.find(field("ball.serial").value);
  if (found.length === 1) {
    const [{ player: who, name }] = found;
    for (const [id, text] of [
      ["player", who],
      ["ball.name", name],
    ]) {
      if (!text || field(id).value.trim()) continue;
      field(id).value = text;
      mark(id, true);
    }
  }
  typed();
}

/** Note that a field was filled by the entrants' file: it goes with the ball that it was filled for. */
function mark(id, filled) {
  if (filled) field(id).dataset.filled = "true";
  else delete field(id).dataset.filled;
}

function takeFilledAway() {
  for (const id of FILLED) {
    if (field(id).dataset.filled) field(id).value = "";
    mark(id, false);
  }
}

/** What the entrants' file says of a ball in the list. */
function entrantWords(entry) {
  const { serial } = entry.request.ball;
  if (!serial || !entrants.rows.length) return [];
  const found = entrants.find(serial);
  if (!found.length) return [gettext("not in the entrants' file")];
  if (found.length > 1) return [gettext("{count} times in the entrants' file", { count: found.length })];
  const [{ player: name }] = found;
  return name && name !== entry.player ? [gettext("entered for {player}", { player: name })] : [];
}

function drawEntrants() {
  const unseen = entrants.unseen(list.entries);
  field("entrants-box").hidden = !entrants.rows.length;
  field("entrants-told").textContent = gettext(
    "{seen} of {count} balls of the entrants' file are in the list.",
    { seen: entrants.rows.length - unseen.length, count: entrants.rows.length },
  );
  field("entrants-unseen").replaceChildren(
    ...unseen
      .slice(0, SHOWN)
      .map((each) => element("li", [each.player, each.serial, each.name].filter(Boolean).join(" · "))),
  );
}

// Judging: balls wait for the service as long as it takes

const { lang } = document.documentElement;
const underWay = new Set();
let timer = 0;
let failures = 0;

function judge() {
  if (timer) return;
  for (const entry of list.waiting) {
    if (underWay.size >= AT_ONCE) return;
    if (!underWay.has(entry.id)) judgeOne(entry);
  }
}

async function judgeOne(entry) {
  underWay.add(entry.id);
  try {
    const answer = await calls.post("/v1/checks", entry.request);
    failures = 0;
    list.answer(entry, { answer: rows.brief(answer), refused: null });
  } catch (error) {
    if (!(error instanceof calls.Unreachable))
      list.answer(entry, { answer: null, refused: wordsOf(error.problem), lang });
    else if (!timer) {
      timer = setTimeout(again, 1000 * error.wait(failures));
      failures += 1;
    }
  }
  underWay.delete(entry.id);
  drawSoon();
  judge();
}

function again() {
  clearTimeout(timer);
  timer = 0;
  judge();
}

function wordsOf(problem) {
  const errors = problem.errors ?? [];
  return errors.length
    ? errors.map(({ pointer, detail }) => `${wordOf(pointer)}: ${detail}`)
    : [problem.detail ?? problem.title];
}

function wordOf(pointer) {
  const input = form.nearest(pointer.slice(1).replaceAll("/", "."));
  return input ? input.labels[0].firstChild.textContent.trim() : pointer;
}

// The list

function listChanged() {
  if (signing && !list.get(signing)?.answer) closeSigning();
  drawSoon();
  judge();
}

let frame = 0;

function drawSoon() {
  if (!frame) frame = requestAnimationFrame(draw);
}

const numberOf = (id) => list.entries.findIndex((each) => each.id === id) + 1;

function draw() {
  frame = 0;
  const { entries } = list;
  drawCounts(entries);
  drawEntrants();
  const asked = field("find").value.trim().toLowerCase();
  const isAsked = ({ player: name, request }) =>
    [name, request.ball.serial, request.ball.name].some((text) => text?.toLowerCase().includes(asked));
  const numbered = entries.map((entry, index) => [entry, index + 1]).reverse();
  const chosen = numbered.filter(
    ([entry]) => (!shown || rows.stateOf(entry) === shown) && (!asked || isAsked(entry)),
  );
  const drawn = whole ? chosen : chosen.slice(0, SHOWN);
  const { act } = document.activeElement?.dataset ?? {};
  const id = document.activeElement?.closest?.("tr")?.dataset.id;
  field("list").tBodies[0].replaceChildren(...drawn.map(([entry, number]) => row(entry, number)));
  if (act && id)
    field("list")
      .querySelector(`[data-id="${CSS.escape(id)}"] [data-act="${act}"]`)
      ?.focus({ preventScroll: true });
  field("all").hidden = drawn.length === chosen.length;
  field("all").textContent = gettext("Show all {count} balls", { count: chosen.length });
}

function drawCounts(entries) {
  const count = (state) => entries.filter((entry) => rows.stateOf(entry) === state).length;
  const present = STATES.map((state) => [state, count(state)]).filter(
    ([state, number]) => number || state === shown,
  );
  const inAll = gettext("in all");
  field("counts").replaceChildren(
    ...[["", entries.length], ...present].map(([state, number]) =>
      action(
        `${number} ${state ? rows.stateWord(state) : inAll}`,
        () => {
          shown = state;
          draw();
          field("counts").querySelector("[aria-pressed=true]").focus();
        },
        { "data-outcome": state, "aria-pressed": String(shown === state) },
      ),
    ),
  );
  field("outage").hidden = !failures;
  if (failures) {
    field("outage-told").textContent = gettext(
      "The service gives no answer. Balls that wait: {count}; they are judged once it is back. Go on.",
      { count: count("waiting") },
    );
  }
}

function row(entry, number) {
  const doubles = list.doubles(entry);
  const earlier = doubles.find(({ at }) => at < entry.at);
  const words = entrantWords(entry);
  const questions = [];
  if (doubles.length) {
    words.push(
      gettext("This serial is in the list as ball {numbers} too.", {
        numbers: doubles.map(({ id }) => numberOf(id)).join(", "),
      }),
    );
    questions.push([
      "both",
      gettext("Both are right"),
      gettext("Ball {number}: both are right", { number }),
      () => settle(entry),
    ]);
    if (earlier) {
      questions.push([
        "newer",
        gettext("Keep this one only"),
        gettext("Ball {number}: keep this one only", { number }),
        () => remove(doubles.map(({ id }) => id)),
      ]);
    }
  }
  const acts = [["edit", gettext("Edit"), gettext("Edit ball {number}", { number }), () => edit(entry)]];
  if (entry.answer) {
    const [text, name] = entry.record
      ? [gettext("Record"), gettext("Record of ball {number}", { number })]
      : [gettext("Sign"), gettext("Sign ball {number}", { number })];
    acts.push(["sign", text, name, () => openSigning(entry)]);
  }
  acts.push([
    "remove",
    gettext("Remove"),
    gettext("Remove ball {number}", { number }),
    () => remove([entry.id]),
  ]);
  return rows.row(entry, number, words, questions, acts);
}

function say(text, canUndo = false) {
  told.replaceChildren(element("span", text));
  if (canUndo) {
    told.append(" ", action(gettext("Undo"), undo, { id: "undo" }));
  }
}

function undo() {
  const count = list.undo();
  say(gettext("Undone. Balls that are as they were: {count}.", { count }), list.former.length > 0);
  field("ball.serial").focus();
}

function remove(ids) {
  const number = numberOf(ids[0]);
  list.change(ids.map((id) => [id, null]));
  say(
    ids.length === 1
      ? gettext("Ball {number} was removed.", { number })
      : gettext("Balls removed: {count}.", { count: ids.length }),
    true,
  );
  field("ball.serial").focus();
}

function settle(entry) {
  list.change([entry, ...list.doubles(entry)].map((each) => [each.id, { ...each, settled: true }]));
  say(gettext("Both balls stay."), true);
}

/** Bring a ball back into the form; what is half typed there waits until that is done. */
function edit(entry) {
  if (editing) next();
  editing = { id: entry.id, at: entry.at, aside: draft() };
  const { player: who, typed: pairs, metric, request } = entry;
  const isOfBall = (pair) => ONE_BALL.test(pair[0]);
  useDraft({
    player: who,
    filled: [],
    typed: pairs ?? [...stateOf(request)].filter(isOfBall),
    metric: metric ?? false,
  });
  showEditing();
  field("ball.drilled_weight").focus();
  typed();
}

function endEditing() {
  const { aside } = editing;
  editing = null;
  clearBall();
  useDraft(aside);
  showEditing();
  typed();
}

function showEditing() {
  field("next").textContent = editing
    ? gettext("Save ball {number}", { number: numberOf(editing.id) || "–" })
    : gettext("Next");
  field("cancel").hidden = !editing;
}

// Signing from a row

function openSigning(entry) {
  signing = entry.id;
  const { serial, name } = entry.request.ball;
  field("signing-title").textContent = gettext("Record of ball {number}", { number: numberOf(entry.id) });
  field("signing-ball").textContent = [entry.player, serial, name, outcomeWord(entry.answer.outcome)]
    .filter(Boolean)
    .join(" · ");
  field("issued_on").value ||= today();
  field("signing-answer").replaceChildren(...(entry.record ? taken(entry.record) : []));
  field("signing").hidden = false;
  field("signing").querySelector("button").focus();
}

function closeSigning() {
  signing = null;
  field("signing").hidden = true;
}

async function sign() {
  const entry = list.get(signing);
  const asked = { check: entry.request, issued_on: field("issued_on").value };
  if (entry.player) asked.player = entry.player;
  if (field("event").value.trim()) asked.event = field("event").value.trim();
  const box = field("signing-answer");
  const tell = (...texts) => box.replaceChildren(...texts.map((text) => element("p.refused", text)));
  const here = () => signing === entry.id;
  try {
    const { record, label, kid, demo, outcome } = await calls.insist(
      () => calls.post("/v1/records", asked),
      (words) => here() && tell(words),
      AbortSignal.any([]),
    );
    const signed = { record, label: Boolean(label), kid, demo, outcome };
    list.answer(entry, { record: signed });
    calls.show("/v1/records", asked, "sign(request).record");
    if (here()) box.replaceChildren(...taken(signed));
  } catch (error) {
    if (here()) tell(...wordsOf(error.problem));
  }
}

// Files

function download(name, text, type) {
  element("a", { download: name, href: URL.createObjectURL(new Blob([text], { type })) }).click();
}

async function load(file) {
  let changes = null;
  let count = 0;
  try {
    const found = JSON.parse(await file.text());
    changes = list.changesOf(found);
    count = found.entries.length;
  } catch {
    changes = null;
  }
  if (!changes) return say(gettext("This file is not a list saved by this page."));
  if (changes.length) list.change(changes);
  return say(
    gettext("Balls added: {count}; in the list already: {here}.", {
      count: changes.length,
      here: count - changes.length,
    }),
    changes.length > 0,
  );
}

async function loadEntrants(file) {
  const found = entrants.load(await textOf(file));
  if (!found)
    return say(
      gettext(
        "This file has no column of serials: head it with serial, and the others with player and ball.",
      ),
    );
  const parts = [gettext("Balls of entrants loaded: {count}.", { count: found.count })];
  if (found.without)
    parts.push(gettext("Rows left out without a serial: {count}.", { count: found.without }));
  if (found.leftOut.length)
    parts.push(gettext("Left out: {headings}.", { headings: found.leftOut.join(", ") }));
  fillFromEntrants();
  drawSoon();
  return say(parts.join(" "));
}

// A scanner types fast and ends with Enter or Tab: wherever it types, its text is a serial, unless it is a
// reading of a gauge that types.

const READING = /^\s*[-+−]?\d+([.,]\d+|\s+[a-z#]+)\s*[a-z#]*\s*$/i;

let burst = { start: "", text: "", at: 0, target: null };
let entered = -SCAN.twice; // when Enter was the last key

function onKey(event) {
  const { target, key } = event;
  if (key === "Enter") return onEnter(event);
  if (key === "Tab" && !event.shiftKey) return onTab(event);
  // The second half of a line's end, which some scanners type as Ctrl+J.
  if (key === "Control") return undefined;
  if (key === "j" && event.ctrlKey && event.timeStamp - entered < SCAN.twice) return event.preventDefault();
  entered = -SCAN.twice;
  if (key.length !== 1 || event.ctrlKey || event.metaKey || event.altKey) return undefined;
  const goesOn = target === burst.target && event.timeStamp - burst.at < SCAN.within;
  burst = {
    target,
    at: event.timeStamp,
    start: goesOn ? burst.start : target.value,
    text: (goesOn ? burst.text : "") + key,
  };
  return undefined;
}

const isScan = ({ target, timeStamp }) =>
  target === burst.target &&
  timeStamp - burst.at < SCAN.end &&
  burst.text.length >= SCAN.least &&
  !READING.test(burst.text);

function onTab(event) {
  const { target } = event;
  if (target === player || !ONE_BALL.test(target.name) || !isScan(event)) return undefined;
  if (target.id !== "ball.serial") return onScan(event);
  if (!field("alone").checked) return undefined;
  event.preventDefault();
  return next();
}

function onEnter(event) {
  const { target } = event;
  const soon = event.timeStamp - entered < SCAN.twice;
  entered = event.timeStamp;
  if (event.repeat || (soon && target.id !== "ball.serial")) return event.preventDefault();
  if (target.id === "ball.serial") {
    if (!target.value.trim()) return event.preventDefault();
    if (field("alone").checked) return undefined;
    event.preventDefault();
    fillFromEntrants();
    return field("ball.name").focus();
  }
  if (target === player || !ONE_BALL.test(target.name) || !isScan(event)) return undefined;
  return onScan(event);
}

/** A serial that was scanned in another field: the ball in the form is done, and this is the next one's. */
function onScan(event) {
  const { target } = event;
  event.preventDefault();
  target.value = burst.start;
  next();
  form.set("ball.serial", burst.text);
  typed();
  fillFromEntrants();
  return field("alone").checked ? next() : field("ball.name").focus();
}

field("form").addEventListener("keydown", onKey);
field("form").addEventListener("submit", (event) => {
  event.preventDefault();
  next();
});
for (const id of FILLED) field(id).addEventListener("input", () => mark(id, false));
player.addEventListener("input", keepDraft);
field("ball.serial").addEventListener("change", fillFromEntrants);
field("usual").addEventListener("click", () => {
  for (const [name, text] of Object.entries(USUAL)) form.set(`holes_seen.${name}`, text);
  form.unfold();
  field("holes_seen.gripping_hole_diameter").focus();
  typed();
});
field("cancel").addEventListener("click", () => {
  endEditing();
  field("ball.serial").focus();
});
field("find").addEventListener("input", draw);
field("all").addEventListener("click", () => {
  whole = true;
  draw();
});
field("again").addEventListener("click", again);
window.addEventListener("online", again);
window.addEventListener("focus", judge);
field("save").addEventListener("click", () =>
  download("desk.json", JSON.stringify(list.file, null, 1), "application/json"),
);
field("csv").addEventListener("click", () => download("desk.csv", rows.csv(list.entries), "text/csv"));
window.addEventListener("beforeprint", () => field("sheet").replaceChildren(...rows.sheets(list.entries)));
field("print").addEventListener("click", () => window.print());
field("empty").addEventListener("click", () => {
  const { entries } = list;
  if (
    !entries.length ||
    !window.confirm(gettext("Remove all balls from the list ({count})?", { count: entries.length }))
  )
    return;
  list.change(entries.map(({ id }) => [id, null]));
  say(gettext("Balls removed: {count}.", { count: entries.length }), true);
});
for (const [id, take] of Object.entries({ load, entrants: loadEntrants })) {
  field(id).addEventListener("change", async (event) => {
    const [file] = event.target.files;
    if (file) await take(file);
    event.target.value = "";
  });
}
field("entrants-away").addEventListener("click", () => {
  entrants.keep([]);
  drawSoon();
  say(gettext("The entrants' file was put away."));
});
field("signing-form").addEventListener("submit", (event) => {
  event.preventDefault();
  sign();
});
field("signing-close").addEventListener("click", closeSigning);
field("form").addEventListener("change", () => state.left());
document.addEventListener("units", () => {
  drawSoon();
  state.redraw();
});
document.addEventListener("keydown", (event) => {
  if (
    (event.ctrlKey || event.metaKey) &&
    event.key === "z" &&
    list.former.length &&
    !event.target.matches("input, textarea")
  ) {
    event.preventDefault();
    undo();
  }
});
field("alone").checked = ofBrowser.read(ALONE) === "true";
field("alone").addEventListener("change", () => ofBrowser.write(ALONE, String(field("alone").checked)));

keepTyped("event");
address.changed((kept) => {
  const held = draft();
  useUnitsOf(kept);
  form.restore(kept);
  useDraft(held);
  typed();
});
form.restore(address.read());
restoreDraft();
undoing.note();
state.settle();
// What was refused in another language is asked for once more, to be told in this one.
for (const entry of list.entries)
  if (entry.refused && entry.lang !== lang) list.answer(entry, { answer: null, refused: null });
draw();
judge();
player.focus({ preventScroll: true });
