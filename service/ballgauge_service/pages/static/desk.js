// The desk: one ball after another; the list stays in this browser.

import * as address from "./address.js";
import { clearProblem, showProblem } from "./bench.js";
import * as calls from "./calls.js";
import { element } from "./elements.js";
import { Form } from "./form.js";
import * as results from "./results.js";
import { gettext, outcomeWord, quantity, sign } from "./words.js";
import "./frame.js";

const KEPT = "ballgauge.desk";
const FORMAT = "ballgauge-desk-1";
const MOST = 5000;
const OUTCOMES = ["conforming", "nonconforming", "inconclusive", "not_assessed"];
const ONE_BALL = /^(ball|measured_balance|holes_seen)\./;

const field = (id) => document.getElementById(id);
const verdict = field("verdict");
const told = field("told");
const player = field("player");
const near = field("near");
const form = new Form(field("form"), changed);
let entries = kept();

const ask = calls.newestOnly(async (request, asker) => {
  try {
    const answer = await calls.post("/v1/checks", request);
    if (asker !== entries) return; // the ball went into the list meanwhile
    clearProblem(form);
    results.showVerdict(verdict, answer);
    showNear(answer);
    results.markStale(verdict, field("list"), false);
    field("list").classList.remove("stale");
    calls.show("/v1/checks", request, "check(request).outcome");
  } catch (error) {
    if (asker !== entries) return;
    showProblem(form, error);
    if (verdict.dataset.key) verdict.dataset.stale = "true";
  }
});

function changed() {
  const state = form.state();
  for (const name of [...state.keys()]) if (ONE_BALL.test(name)) state.delete(name);
  address.write(state);
  const request = form.request();
  if (request.ball?.drilled_weight !== undefined || request.measured_balance) ask({ ball: {}, ...request }, entries);
}

async function next() {
  const request = { ball: {}, ...form.request() };
  try {
    const answer = await calls.post("/v1/checks", request);
    entries = [...entries, { player: player.value.trim(), request, answer: brief(answer) }];
  } catch (error) {
    showProblem(form, error);
    (form.form.querySelector("[aria-invalid=true]") ?? field("ball.serial")).focus();
    return;
  }
  keep();
  clearProblem(form);
  results.showVerdict(verdict, entries.at(-1).answer);
  calls.show("/v1/checks", request, "check(request).outcome");
  showNear(entries.at(-1).answer);
  for (const input of form.inputs()) if (ONE_BALL.test(input.name)) input.value = "";
  told.textContent = gettext("Ball {number} is in the list: {outcome}.", { number: entries.length, outcome: outcomeWord(entries.at(-1).answer.outcome) });
  field("ball.serial").focus();
}

/** Offer the names that are near to the one typed. */
function showNear(answer) {
  const names = (answer.identity?.near ?? []).map((row) => `${row.brand} ${row.model}`);
  near.replaceChildren(near.firstElementChild, ...names.map((name) => element("button", { type: "button", text: name, onclick: () => {
    form.set("ball.name", name);
    field("ball.name").focus();
    changed();
  } })));
  near.hidden = names.length === 0;
}

/** What the list keeps of an answer. */
function brief(answer) {
  return { outcome: answer.outcome, rules: answer.rules, findings: answer.findings.map(({ rule, title, outcome, value, unit, limit, advisory }) => ({ rule, title, outcome, value, unit, limit, advisory })) };
}

function kept() {
  try {
    const found = JSON.parse(localStorage.getItem(KEPT) ?? "null");
    return isList(found) ? found.entries : [];
  } catch {
    return [];
  }
}

function keep() {
  try {
    localStorage.setItem(KEPT, JSON.stringify({ format: FORMAT, entries }));
  } catch {
    told.textContent = gettext("This browser keeps nothing: save the list to a file.");
  }
  draw();
}

/** Whether a file is a list of this desk; everything drawn from it is checked here, and drawn as text only. */
function isList(found) {
  return found?.format === FORMAT && Array.isArray(found.entries) && found.entries.length <= MOST && found.entries.every((each) =>
    typeof each?.player === "string" && typeof each.request?.ball === "object" && each.request.ball !== null && OUTCOMES.includes(each.answer?.outcome)
    && typeof each.answer.rules?.body === "string" && Array.isArray(each.answer.findings) && each.answer.findings.every((finding) => typeof finding?.title === "string" && OUTCOMES.includes(finding.outcome)));
}

function rests(entry) {
  const bad = entry.answer.findings.filter((each) => ["nonconforming", "inconclusive"].includes(each.outcome) && !each.advisory);
  if (bad.length) return bad.map((each) => `${gettext(each.title)} ${quantity(typeof each.value === "number" ? each.value : null, each.unit)}`).join("; ");
  const open = entry.answer.findings.filter((each) => each.outcome === "not_assessed" && !each.advisory).length;
  return open ? gettext("{count} rules not assessed", { count: open }) : gettext("every rule judged is met");
}

function draw() {
  field("list").tBodies[0].replaceChildren(...entries.map((entry, index) => element("tr", { "data-outcome": entry.answer.outcome },
    element("td", { text: index + 1 }), element("td", { text: entry.player }), element("td", { text: entry.request.ball.serial ?? "" }), element("td", { text: entry.request.ball.name ?? "" }),
    element("td", {}, element("span", { class: "sign", "aria-hidden": "true", text: sign(entry.answer.outcome) }), outcomeWord(entry.answer.outcome)),
    element("td", { text: rests(entry) }),
    element("td", {}, element("button", { type: "button", class: "link", text: gettext("Remove"), "aria-label": gettext("Remove ball {number}", { number: index + 1 }), onclick: () => {
      entries.splice(index, 1);
      keep();
      field("ball.serial").focus();
    } })))));
}

function download(name, text, type) {
  element("a", { download: name, href: URL.createObjectURL(new Blob([text], { type })) }).click();
}

/** One cell of CSV (RFC 4180). A text that a spreadsheet would run as a formula is written with a ' before it. */
function cell(value) {
  const safe = typeof value === "string" && /^[=+\-@\t\r]/.test(value) ? `'${value}` : String(value ?? "");
  return ['"', ",", "\r", "\n"].some((mark) => safe.includes(mark)) ? `"${safe.replaceAll('"', '""')}"` : safe;
}

function csv() {
  const measured = (entry, name) => amount(entry.request.measured_balance?.[name]);
  const head = ["number", "player", "serial", "name", "weight", "top", "side", "finger", "outcome", "rules", "on", "rests_on"];
  const rows = entries.map((entry, index) => [index + 1, entry.player, entry.request.ball.serial, entry.request.ball.name, amount(entry.request.ball.drilled_weight ?? entry.request.ball.weight),
    measured(entry, "top"), measured(entry, "side"), measured(entry, "finger"), entry.answer.outcome, entry.answer.rules.body, entry.answer.rules.on, rests(entry)]);
  return [head, ...rows].map((row) => row.map(cell).join(",")).join("\r\n") + "\r\n";
}

const amount = (value) => (value !== null && typeof value === "object" ? `${value.value} ± ${value.uncertainty ?? 0} ${value.unit ?? ""}`.trim() : value);

function sheet() {
  const byPlayer = new Map();
  entries.forEach((entry, index) => byPlayer.set(entry.player, [...(byPlayer.get(entry.player) ?? []), [index + 1, entry]]));
  const parts = [...byPlayer].sort(([a], [b]) => a.localeCompare(b)).map(([name, found]) => element("section", { class: "sheet-player" },
    element("h2", { text: name || gettext("Without a name") }),
    element("table", {}, element("caption", { text: gettext("Advice, not an approval.") }),
      element("thead", {}, element("tr", {}, [gettext("No."), gettext("Serial number"), gettext("Maker and model"), gettext("Verdict"), gettext("What it rests on")].map((text) => element("th", { scope: "col", text })))),
      element("tbody", {}, found.map(([number, entry]) => element("tr", {}, [number, entry.request.ball.serial ?? "", entry.request.ball.name ?? "", outcomeWord(entry.answer.outcome), rests(entry)].map((text) => element("td", { text })))))) ));
  field("sheet").replaceChildren(...parts);
}

field("form").addEventListener("submit", (event) => {
  event.preventDefault();
  next();
});
field("save").addEventListener("click", () => download("desk.json", JSON.stringify({ format: FORMAT, entries }, null, 1), "application/json"));
field("csv").addEventListener("click", () => download("desk.csv", csv(), "text/csv"));
field("print").addEventListener("click", () => {
  sheet();
  window.print();
});
field("empty").addEventListener("click", () => {
  const count = entries.length;
  if (!count || !window.confirm(gettext("Remove all {count} balls from the list?", { count }))) return;
  entries = [];
  keep();
  told.textContent = gettext("{count} balls were removed. A saved file brings them back.", { count });
});
field("load").addEventListener("change", async (event) => {
  const [file] = event.target.files;
  try {
    const found = JSON.parse(await file.text());
    if (!isList(found)) throw new TypeError("not a list");
    entries = found.entries;
    keep();
    told.textContent = gettext("{count} balls were loaded.", { count: entries.length });
  } catch {
    told.textContent = gettext("This file is not a list saved by this page.");
  }
  event.target.value = "";
});
document.addEventListener("units", draw);
document.addEventListener("keydown", (event) => {
  // A scanner ends its reading with Enter: in the serial it means the next field, not the next ball.
  if (event.key === "Enter" && event.target.id === "ball.serial") {
    event.preventDefault();
    field("ball.name").focus();
  }
});

form.restore(address.read());
draw();
player.focus({ preventScroll: true });
