// A lot: a file goes up, its decision and its charts come back.

import * as access from "./access.js";
import * as address from "./address.js";
import { clearProblem, showProblem } from "./bench.js";
import { Refused, send as ask } from "./calls.js";
import { around, chart } from "./chart.js";
import { card, element, list, svg, table } from "./elements.js";
import { copy } from "./frame.js";
import { boundsText } from "./results.js";
import { gettext, outcomeWord, plain, quantity, shownIn, sign, units, WORST_FIRST } from "./words.js";

const PATH = "/v1/lots";
const MOST_LISTED = 20;

const at = (id) => document.getElementById(id);
const told = [...document.querySelectorAll("[data-path]")];
const KEPT = ["lot-size", "aql", "on", "body", "stage", ...told.map((each) => each.id)];
const verdict = at("verdict");
const box = at("results");
let chosen = null;
let last = null;
let running = null;
let turn = 0;

function options() {
  const made = { rules: { body: at("body").value, stage: at("stage").value } };
  if (at("on").value) made.rules.on = at("on").value;
  const sampling = {};
  if (at("lot-size").value) sampling.lot_size = Number(at("lot-size").value);
  if (at("aql").value) sampling.plan = { kind: "table", aql: Number(at("aql").value) };
  if (Object.keys(sampling).length) made.sampling = sampling;
  for (const each of told.filter(({ value }) => value.trim())) {
    const [part, name] = each.dataset.path.split(".");
    const value = (READ[each.dataset.kind] ?? String)(each.value.trim());
    if (name) (made[part] ??= {})[name] = value;
    else made[part] = value;
  }
  return made;
}

/** What a field holds, by its kind; what cannot be read goes as it is, to be refused by name. */
const READ = {
  number: Number,
  rows: (text) => text.split(/[\s,;]+/).map(Number),
  mapping: (text) => Object.fromEntries(text.split("\n").filter((line) => line.trim()).map((line) => {
    const mark = line.lastIndexOf("=");
    return mark < 0 ? [line.trim(), null] : [line.slice(0, mark).trim(), line.slice(mark + 1).trim() || null];
  })),
  history: (text) => {
    try {
      const answer = JSON.parse(text);
      return answer.sampling ? answer.sampling.state : answer;
    } catch {
      return text;
    }
  },
};

function form(more = {}) {
  const made = new FormData();
  made.append("options", JSON.stringify({ ...options(), ...more }));
  made.append("file", chosen, chosen.name);
  return made;
}

/** Send the file; `told` hears how much of it has gone. Gives the lot, or null where a newer file took its place. */
async function send(told) {
  const mine = ++turn;
  const left = { status: 0 };
  const response = await access.allowed((key) => (mine === turn ? post(told, key) : left));
  if (response.status === 0) return null;
  const answer = JSON.parse(response.text);
  if (response.status !== 200) throw new Refused(answer);
  return answer;
}

function post(told, key) {
  return new Promise((done, failed) => {
    const call = new XMLHttpRequest();
    running = call;
    call.upload.onprogress = ({ loaded, total }) => told(loaded / total);
    call.onload = () => done({ status: call.status, text: call.responseText, headers: { get: (name) => call.getResponseHeader(name) } });
    call.onerror = () => failed(new Error("no answer"));
    call.onabort = () => done({ status: 0 });
    call.open("POST", PATH);
    for (const [name, value] of Object.entries({ Accept: "application/json", ...key })) call.setRequestHeader(name, value);
    call.send(form());
  });
}

async function judge() {
  if (!chosen) return;
  running?.abort();
  const bar = at("progress");
  clearProblem(null);
  at("progress-box").hidden = false;
  bar.value = 0;
  at("progress-words").textContent = gettext("Sending the file…");
  verdict.dataset.stale = "true";
  try {
    const answer = await send((share) => {
      bar.value = share;
      if (share === 1) at("progress-words").textContent = gettext("Judging the lot…");
    });
    if (answer === null) return; // a newer file took its place
    last = answer;
    show();
  } catch (error) {
    showProblem(null, error);
  }
  at("progress-box").hidden = true;
}

function show() {
  showDecision();
  box.replaceChildren(...[failures(), leftOut(), columns(), histograms(), rules(), report(),
    last.cautions.length ? card(gettext("Cautions"), list(last.cautions.map((each) => each.message), "en")) : null,
    last.assumptions.length ? card(gettext("Assumptions"), list(last.assumptions, "en")) : null].filter(Boolean));
  showCalls();
  document.documentElement.dataset.answered = String(Number(document.documentElement.dataset.answered ?? 0) + 1);
}

function showDecision() {
  const { acceptance, counts, rules: { body, on, overlay } } = last;
  verdict.dataset.outcome = acceptance.outcome;
  verdict.dataset.stale = "false";
  const parts = WORST_FIRST.filter((outcome) => counts[outcome]).map((outcome) => `${counts[outcome]} ${outcomeWord(outcome)}`);
  if (counts.left_out) parts.push(gettext("{count} left out", { count: counts.left_out }));
  verdict.replaceChildren(
    element("p", { class: "verdict-word" }, element("span", { class: "sign", "aria-hidden": "true", text: sign(acceptance.outcome) }), outcomeWord(acceptance.outcome)),
    element("p", { lang: "en", text: acceptance.message }),
    element("p", { text: parts.join(" · ") }),
    list(acceptance.reasons, "en"),
    element("p", { class: "quiet", text: gettext("By the rules of {body}, in force on {on}. Advice, not an approval.", {
      body: [body.toUpperCase(), overlay].filter(Boolean).join(" "), on }) }));
}

function failures() {
  const worst = last.worst_balls.slice(0, MOST_LISTED);
  if (!worst.length) return null;
  const rows = worst.map((each) => [each.serial ?? gettext("row {row}", { row: each.row }), outcomeWord(each.outcome), each.reason, quantity(each.margin, each.unit, { signed: true })]);
  return card(gettext("What failed, and by how much"), element("div", { class: "wide", tabindex: "0", role: "region", "aria-label": gettext("Worst balls") },
    table(gettext("Worst balls"), [gettext("ball"), gettext("outcome"), gettext("why"), gettext("margin")], rows)));
}

function rules() {
  const rows = last.by_rule.map((each) => [gettext(each.title), ...["nonconforming", "inconclusive", "not_assessed", "conforming"].map((outcome) => String(each[outcome]))]);
  const heads = [gettext("rule"), ...WORST_FIRST.map(outcomeWord)];
  return card(gettext("Rule by rule"), element("div", { class: "wide", tabindex: "0", role: "region", "aria-label": gettext("Balls by rule") },
    table(gettext("Balls by rule"), heads, rows)));
}

function leftOut() {
  const { left_out: left } = last;
  if (!left.rows && !left.cells) return null;
  return card(gettext("What was left out"),
    element("p", { text: gettext("{rows} rows and {cells} cells could not be read.", { rows: left.rows, cells: left.cells }) }),
    list(left.listed.slice(0, MOST_LISTED).map((each) => `${each.row}, ${each.column ?? "–"}: ${each.detail}`), "en"));
}

function columns() {
  const rows = last.file.columns.map((each) => [each.heading, each.field ? fieldWord(each.field) : gettext("left out"), each.unit ?? ""]);
  return card(gettext("How the file was read"), element("div", { class: "wide", tabindex: "0", role: "region", "aria-label": gettext("Columns of the file") },
    table(gettext("Columns of the file"), [gettext("heading"), gettext("read as"), gettext("unit")], rows)));
}

const names = JSON.parse(at("names").textContent);
const fieldWord = (name) => names[name] ?? name.replaceAll("_", " ");

function histograms() {
  const drawn = last.quantities.filter((each) => each.histogram?.counts?.length);
  if (!drawn.length) return null;
  const frame = element("div", { id: "histogram" });
  const choice = element("select", { id: "quantity", onchange: draw }, drawn.map((each) => element("option", { value: each.quantity, text: fieldWord(each.quantity) })));
  const worst = last.worst_balls[0]?.rule;
  choice.value = drawn.find((each) => each.limits.rules.includes(worst))?.quantity ?? drawn[0].quantity;
  function draw() {
    frame.replaceChildren(...histogram(drawn.find((each) => each.quantity === choice.value)));
  }
  draw();
  return card(gettext("Measurements against their limits"), element("div", { class: "field" },
    element("label", { for: "quantity", text: gettext("Quantity") }), choice), frame);
}

function histogram({ quantity: name, unit, histogram: { start, width, counts }, limits, mean, standard_deviation: spread, count, counted_outside: outside }) {
  const shown = (value) => shownIn(value, unit)[0];
  const bounds = [limits.min, limits.max].filter((each) => each !== null);
  const ends = [start, start + width * counts.length];
  const label = `${fieldWord(name)}: ${boundsText(limits.min, limits.max, unit)}`;
  const made = chart({ label, xRange: around([...ends, ...bounds].map(shown)), yRange: [0, Math.max(...counts) * 1.08],
    xTitle: `${fieldWord(name)} ${shownIn(1, unit)[1]}`, yTitle: gettext("balls") });
  made.add(counts.map((each, index) => {
    const [left, right] = [start + index * width, start + (index + 1) * width];
    const middle = (left + right) / 2;
    const beyond = (limits.min !== null && middle < limits.min) || (limits.max !== null && middle > limits.max);
    return svg("rect", { class: beyond ? "bar bar-beyond" : "bar", x: made.x(shown(left)), width: Math.max(made.x(shown(right)) - made.x(shown(left)) - 1, 1),
      y: made.y(each), height: made.bottom - made.y(each) });
  }));
  made.add(bounds.map((each) => [svg("line", { class: "limit-line", x1: made.x(shown(each)), x2: made.x(shown(each)), y1: made.top, y2: made.bottom }),
    svg("text", { class: "limit-text", x: made.x(shown(each)), y: made.top - 4, "text-anchor": "middle", text: plain(shown(each)) })]).flat());
  const told = gettext("{count} balls, mean {mean}, standard deviation {spread}; {below} below and {above} above the limits.", {
    count, mean: quantity(mean, unit), spread: quantity(spread, unit), below: outside?.below ?? 0, above: outside?.above ?? 0 });
  return [element("p", { text: boundsText(limits.min, limits.max, unit) }), made.picture, element("p", { text: told })];
}

function report() {
  const place = element("span", { role: "status" });
  const button = (kind, media, text) => element("button", { type: "button", id: `report-${kind}`, text, onclick: async () => {
    const told = { language: document.documentElement.lang, units: units.metric ? "metric" : "trade" };
    const response = await ask(PATH, { headers: { Accept: media }, body: form({ report: told }) });
    if (!response.ok) return showProblem(null, new Refused(await response.json()));
    const target = URL.createObjectURL(await response.blob());
    return place.replaceChildren(element("a", { class: "button", href: target, download: `${chosen.name.replace(/\.\w+$/, "")}-report.${kind}`, text: gettext("Save the report") }));
  } });
  return card(gettext("Full report"),
    element("p", { class: "quiet", text: gettext("The decision, every limit with its source, charts, and lines to sign on: to print and to file, in the language and units of this page.") }),
    element("p", { class: "tools" }, button("html", "text/html", gettext("Make the report as a page")), " ", button("pdf", "application/pdf", gettext("Make the report as PDF")), place));
}

function showCalls() {
  at("calls").hidden = false;
  const asked = JSON.stringify(options());
  const quoted = (text) => `'${text.replaceAll("'", "'\\''")}'`;
  at("call-http").textContent = `curl -s ${location.origin}${PATH}${access.curlOption()} -H 'Accept: application/json' -F ${quoted(`options=${asked}`)} -F ${quoted(`file=@"${chosen.name}"`)}`;
  at("call-python").textContent = `import json\n${access.pythonImport()}\nimport ballgauge\n\noptions = json.loads(${JSON.stringify(asked)})
with ballgauge.Client("${location.origin}"${access.pythonArgument()}) as client:\n    print(client.assess_lot(${JSON.stringify(chosen.name)}, options))\n`;
}

function take(file) {
  if (!file) return;
  chosen = file;
  at("file-name").textContent = file.name;
  judge();
}

function keep() {
  address.write(new Map(KEPT.filter((id) => at(id).value && at(id).value !== at(id).dataset.default).map((id) => [id, at(id).value])));
}

function restore() {
  const state = address.read();
  for (const id of KEPT) {
    const text = state.get(id) ?? at(id).dataset.default ?? "";
    at(id).value = text;
    if (at(id).tagName === "SELECT" && !at(id).value) at(id).value = at(id).dataset.default;
  }
}

at("file").addEventListener("change", (event) => take(event.target.files[0]));
at("start").addEventListener("click", () => {
  const [[name, text]] = Object.entries(JSON.parse(at("examples").textContent));
  take(new File([text], name, { type: "text/csv" }));
});
at("form").addEventListener("submit", (event) => {
  event.preventDefault();
  judge();
});
at("form").addEventListener("change", keep);
at("share").addEventListener("click", (event) => {
  keep();
  copy(location.href, event.target);
});
for (const kind of ["dragenter", "dragover"]) {
  at("drop").addEventListener(kind, (event) => {
    event.preventDefault();
    at("drop").classList.add("over");
  });
}
for (const kind of ["dragleave", "drop"]) at("drop").addEventListener(kind, () => at("drop").classList.remove("over"));
at("drop").addEventListener("drop", (event) => {
  event.preventDefault();
  take(event.dataTransfer.files[0]);
});
document.addEventListener("units", () => last && show());
window.addEventListener("hashchange", () => location.hash.startsWith("#content") || restore());
restore();
