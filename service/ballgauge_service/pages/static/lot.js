// A lot: a file goes up, its decision and its charts come back.

import * as access from "./access.js";
import * as address from "./address.js";
import * as calls from "./calls.js";
import { around, chart } from "./chart.js";
import { action, at, card, element, list, notes, select, svg, wideTable } from "./elements.js";
import { files } from "./files.js";
import { today } from "./form.js";
import { copy } from "./frame.js";
import { except } from "./history.js";
import { showProblem, tellAt } from "./problem.js";
import { numberOrText } from "./numbers.js";
import { boundsText } from "./results.js";
import { PageState } from "./state.js";
import { ofTab } from "./store.js";
import { Undo } from "./undo.js";
import { gettext, outcomeWord, plain, quantity, shownIn, sign, units, WORST_FIRST } from "./words.js";

const PATH = "/v1/lots";
const MOST_LISTED = 20;
const NONE = "none";
const FILE = "ballgauge.lot.file";
const MOST_KEPT = 8; // files, the newest of this browser (ours)

const told = [...document.querySelectorAll("[data-path]")];
const classes = [...document.querySelectorAll("[data-class]")];
const KEPT = ["lot-size", "aql", "on", "body", "stage", ...[...told, ...classes].map((each) => each.id)];
const verdict = at("verdict");
const box = at("results");
const state = new PageState({ read, ask: judge, show, moved, form: { showErrors, isTyping: () => false } });
const undo = new Undo({
  read: typed,
  write: restore,
  say: (id) => at(id).labels?.[0].firstChild.textContent.trim() ?? gettext("Gauges"),
  owns: (target) => at("form").contains(target) || !target.matches?.("textarea, input"),
});
let chosen = null;
let unkept = null; // a file that goes with the page
let taken = 0; // files taken so far: two of one name are two files
let last = null;

/** Tell a refusal's errors at their fields, and give each error its field. */
function showErrors(errors) {
  const found = new Map();
  const left = errors.map((each) => {
    const input = fieldAt((each.pointer ?? "").slice(1).replaceAll("/", "."));
    if (input) found.set(input, [...(found.get(input) ?? []), each.detail]);
    return input ? { ...each, input } : each;
  });
  const inputs = document.querySelectorAll("#form :is(input:not([type=hidden]), select, textarea)");
  tellAt([...inputs], found);
  return left;
}

const FIELDS = { "sampling.lot_size": "lot-size", "sampling.plan.aql": "aql", "rules.on": "on" };

function fieldAt(path) {
  const [, gauge, name] = path.match(/^lot\.gauges\.(\d+)\.(\w+)$/) ?? [];
  if (gauge) return at(`gauge-${Number(gauge) + 1}-${name}`);
  return FIELDS[path]
    ? at(FIELDS[path])
    : told.find(({ dataset, labels }) => labels && `${path}.`.startsWith(`${dataset.path}.`));
}

/** What the page stands for; null without a file. */
function read() {
  return chosen ? { file: taken, name: chosen.name, options: options() } : null;
}

function options() {
  const made = { rules: { body: at("body").value, on: at("on").value || today(), stage: at("stage").value } };
  const sampling = {};
  if (at("lot-size").value) sampling.lot_size = Number(at("lot-size").value);
  if (at("aql").value) sampling.plan = { kind: "table", aql: Number(at("aql").value) };
  const named = classes.filter(({ value }) => value);
  if (named.length) {
    sampling.classes = named.map(({ dataset, value }) => ({
      name: dataset.class,
      ...(value === NONE ? {} : { aql: Number(value) }),
    }));
  }
  if (Object.keys(sampling).length) made.sampling = sampling;
  for (const each of told.filter(({ value }) => value.trim())) {
    const path = each.dataset.path.split(".");
    const name = path.pop();
    path.reduce((part, step) => (part[step] ??= {}), made)[name] = (READ[each.dataset.kind] ?? String)(
      each.value.trim(),
    );
  }
  return made;
}

/** What a field holds, by its kind; what cannot be read goes as it is, to be refused by name. */
const READ = {
  number: Number,
  rows: (text) => text.split(/[\s,;]+/).map(Number),
  mapping: (text) =>
    Object.fromEntries(
      text
        .split("\n")
        .filter((line) => line.trim())
        .map((line) => {
          const mark = line.lastIndexOf("=");
          return mark < 0
            ? [line.trim(), null]
            : [line.slice(0, mark).trim(), line.slice(mark + 1).trim() || null];
        }),
    ),
  gauges: () =>
    gauges().map(({ uncertainty, ...others }) => ({
      ...others,
      ...(uncertainty ? { uncertainty: numberOrText(uncertainty) } : {}),
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

/** The gauges as they were typed; an address may hold anything. */
function gauges() {
  try {
    const kept = JSON.parse(at("lot-gauges").value || "[]");
    return Array.isArray(kept) ? kept.filter((each) => each && typeof each === "object") : [];
  } catch {
    return [];
  }
}

function drawGauges() {
  at("gauges").replaceChildren(...gauges().map(gaugeFields));
}

function gaugeFields(gauge, index) {
  const made = at("gauge").content.firstElementChild.cloneNode(true);
  const number = index + 1;
  made.querySelector("legend").textContent = gettext("Gauge {number}", { number });
  for (const input of made.querySelectorAll("[data-name]")) {
    input.id = `gauge-${number}-${input.dataset.name}`;
    input.previousElementSibling.htmlFor = input.id;
    input.value = gauge[input.dataset.name] ?? "";
  }
  const remove = made.querySelector("button");
  remove.textContent = gettext("Remove gauge {number}", { number });
  remove.addEventListener("click", () => keepGauges(except(gauges(), index), at("add-gauge")));
  return made;
}

/** Put down other gauges and go on from there. */
function keepGauges(kept, next) {
  at("lot-gauges").value = kept.length ? JSON.stringify(kept) : "";
  drawGauges();
  (next ?? at(`gauge-${kept.length}-name`)).focus();
  undo.close();
  edited("lot-gauges");
}

/** What stands in the fields of the gauges. */
function typedGauges() {
  return [...at("gauges").children].map((each) => {
    const filled = [...each.querySelectorAll("[data-name]")].filter(({ value }) => value.trim());
    return Object.fromEntries(filled.map(({ dataset, value }) => [dataset.name, value.trim()]));
  });
}

function edited(id) {
  keep();
  undo.note(id);
  state.edited(null); // a file is sent when that is asked for
}

function form(more = {}) {
  const made = new FormData();
  made.append("options", JSON.stringify({ ...options(), ...more }));
  made.append("file", chosen, chosen.name);
  return made;
}

/** Send the file and give the lot; the bar tells how much of it has gone. */
async function judge(_, signal) {
  await canBeRead();
  const bar = at("progress");
  bar.value = 0;
  at("progress-words").textContent = gettext("Sending the file…");
  const response = await access.allowed((key) =>
    post(key, signal, (share) => {
      bar.value = share;
      if (share === 1) at("progress-words").textContent = gettext("Judging the lot…");
    }),
  );
  if (!response.ok) throw await calls.refusal(response);
  return response.json();
}

function post(key, signal, told) {
  return new Promise((done, failed) => {
    if (signal.aborted) return failed(new calls.Unreachable());
    const call = new XMLHttpRequest();
    call.upload.onprogress = ({ loaded, total }) => told(loaded / total);
    call.onload = () => done(new Response(call.response, { status: call.status, headers: headersOf(call) }));
    call.onerror = () => failed(new calls.Unreachable());
    call.onabort = call.onerror;
    signal.addEventListener("abort", () => call.abort());
    call.responseType = "blob";
    call.open("POST", PATH);
    for (const [name, value] of Object.entries({
      Accept: "application/json",
      "Accept-Language": document.documentElement.lang,
      ...key,
    }))
      call.setRequestHeader(name, value);
    return call.send(form());
  });
}

/** @returns {[string, string][]} */
const headersOf = (call) =>
  ["WWW-Authenticate", "Retry-After"].flatMap((name) => {
    const value = call.getResponseHeader(name);
    return value ? [[name, value]] : [];
  });

/** A file that was written anew or taken away meanwhile is no longer the one that was chosen. */
async function canBeRead() {
  try {
    await chosen.slice(0, 1).arrayBuffer();
  } catch {
    throw new calls.Refused({ detail: gettext("The file has changed or is gone: choose it again.") });
  }
}

function moved(name) {
  at("progress-box").hidden = name !== "waiting";
}

function show(answer) {
  last = answer;
  showDecision();
  const rests = [takeAway(), signing()];
  for (const each of rests) each.dataset.current = "";
  box.replaceChildren(
    ...[
      card(gettext("Why"), list(last.acceptance.reasons)),
      failures(),
      leftOut(),
      columns(),
      histograms(),
      rules(),
      ...rests,
      ...notes(last),
    ].filter(Boolean),
  );
  showCalls();
}

function showDecision() {
  const {
    acceptance,
    counts,
    rules: { body, on, overlay },
  } = last;
  verdict.dataset.outcome = acceptance.outcome;
  verdict.dataset.key = "lot";
  const parts = WORST_FIRST.filter((outcome) => counts[outcome]).map(
    (outcome) => `${counts[outcome]} ${outcomeWord(outcome)}`,
  );
  if (counts.left_out) parts.push(gettext("{count} left out", { count: counts.left_out }));
  verdict.replaceChildren(
    element(
      "p.verdict-word",
      element("span.sign", { "aria-hidden": "true" }, sign(acceptance.outcome)),
      outcomeWord(acceptance.outcome),
    ),
    element("p", acceptance.message),
    element("p", parts.join(" · ")),
    element(
      "p.quiet",
      gettext("By the rules of {body}, in force on {on}. Advice, not an approval.", {
        body: [body.toUpperCase(), overlay].filter(Boolean).join(" "),
        on,
      }),
    ),
  );
}

function failures() {
  const worst = last.worst_balls.slice(0, MOST_LISTED);
  if (!worst.length) return null;
  const rows = worst.map((each) => [
    each.serial ?? gettext("row {row}", { row: each.row }),
    outcomeWord(each.outcome),
    each.reason,
    quantity(each.margin, each.unit, { signed: true }),
  ]);
  return card(
    gettext("What failed, and by how much"),
    wideTable(
      gettext("Worst balls"),
      [gettext("ball"), gettext("outcome"), gettext("why"), gettext("margin")],
      rows,
    ),
  );
}

function rules() {
  const rows = last.by_rule.map((each) => [
    gettext(each.title),
    ...["nonconforming", "inconclusive", "not_assessed", "conforming"].map((outcome) =>
      String(each[outcome]),
    ),
  ]);
  const heads = [gettext("rule"), ...WORST_FIRST.map(outcomeWord)];
  return card(gettext("Rule by rule"), wideTable(gettext("Balls by rule"), heads, rows));
}

function leftOut() {
  const { left_out: left } = last;
  if (!left.rows && !left.cells) return null;
  return card(
    gettext("What was left out"),
    element(
      "p",
      gettext("{rows} rows and {cells} cells could not be read.", { rows: left.rows, cells: left.cells }),
    ),
    list(
      left.listed.slice(0, MOST_LISTED).map((each) => `${each.row}, ${each.column ?? "–"}: ${each.detail}`),
    ),
  );
}

function columns() {
  const rows = last.file.columns.map((each) => [
    each.heading,
    each.field ? fieldWord(each.field) : gettext("left out"),
    each.unit ?? "",
  ]);
  return card(
    gettext("How the file was read"),
    wideTable(
      gettext("Columns of the file"),
      [gettext("heading"), gettext("read as"), gettext("unit")],
      rows,
    ),
  );
}

const names = JSON.parse(at("names").textContent);
const fieldWord = (name) => names[name] ?? name.replaceAll("_", " ");

function histograms() {
  const drawn = last.quantities.filter((each) => each.histogram?.counts?.length);
  if (!drawn.length) return null;
  const frame = element("div", { id: "histogram" });
  const choice = select(
    { id: "quantity", onchange: draw },
    drawn.map((each) => [each.quantity, fieldWord(each.quantity)]),
  );
  const worst = last.worst_balls[0]?.rule;
  choice.value = drawn.find((each) => each.limits.rules.includes(worst))?.quantity ?? drawn[0].quantity;
  function draw() {
    frame.replaceChildren(...histogram(drawn.find((each) => each.quantity === choice.value)));
  }
  draw();
  return card(
    gettext("Measurements against their limits"),
    element("div.field", element("label", { for: "quantity" }, gettext("Quantity")), choice),
    frame,
  );
}

function histogram({
  quantity: name,
  unit,
  histogram: { start, width, counts },
  limits,
  mean,
  standard_deviation: spread,
  count,
  counted_outside: outside,
}) {
  const shown = (value) => shownIn(value, unit)[0];
  const bounds = [limits.min, limits.max].filter((each) => each !== null);
  const ends = [start, start + width * counts.length];
  const label = `${fieldWord(name)}: ${boundsText(limits.min, limits.max, unit)}`;
  const made = chart({
    label,
    xRange: around([...ends, ...bounds].map(shown)),
    yRange: [0, Math.max(...counts) * 1.08],
    xTitle: `${fieldWord(name)} ${shownIn(1, unit)[1]}`,
    yTitle: gettext("balls"),
  });
  made.add(
    counts.map((each, index) => {
      const [left, right] = [start + index * width, start + (index + 1) * width];
      const middle = (left + right) / 2;
      const beyond =
        (limits.min !== null && middle < limits.min) || (limits.max !== null && middle > limits.max);
      return svg("rect", {
        class: beyond ? "bar bar-beyond" : "bar",
        x: made.x(shown(left)),
        width: Math.max(made.x(shown(right)) - made.x(shown(left)) - 1, 1),
        y: made.y(each),
        height: made.bottom - made.y(each),
      });
    }),
  );
  made.add(
    bounds.flatMap((each) => [
      svg("line.limit-line", {
        x1: made.x(shown(each)),
        x2: made.x(shown(each)),
        y1: made.top,
        y2: made.bottom,
      }),
      svg(
        "text.limit-text",
        { x: made.x(shown(each)), y: made.top - 4, "text-anchor": "middle" },
        plain(shown(each)),
      ),
    ]),
  );
  const told = gettext(
    "{count} balls, mean {mean}, standard deviation {spread}; {below} below and {above} above the limits.",
    {
      count,
      mean: quantity(mean, unit),
      spread: quantity(spread, unit),
      below: outside?.below ?? 0,
      above: outside?.above ?? 0,
    },
  );
  return [element("p", boundsText(limits.min, limits.max, unit)), made.picture, element("p", told)];
}

/**
 * Do what a button is for, with the file and the answer as they are shown; `place` tells what keeps it from
 * being done.
 */
function whenPressed(place, work) {
  return () =>
    state.act(async (_, signal) => {
      const say = (text, kind = null) => place.replaceChildren(element("span", { class: kind }, text));
      say(gettext("Asking the service…"));
      try {
        await canBeRead();
        place.replaceChildren(...(await calls.insist(() => work(signal), say, signal)));
      } catch (error) {
        if (!signal.aborted)
          say(
            [error.message, ...(error.problem?.errors ?? []).map((each) => each.detail)].join(" "),
            "refused",
          );
      }
    });
}

function takeAway() {
  const place = element("p", { role: "status", id: "taken" });
  const name = chosen.name.replace(/\.\w+$/, "");
  const button = (kind, media, file, text) =>
    action(
      text,
      whenPressed(place, async (signal) => {
        const report = { language: document.documentElement.lang, units: units.metric ? "metric" : "trade" };
        const response = await calls.send(PATH, {
          headers: { Accept: media },
          body: form({ report }),
          signal,
        });
        const target = URL.createObjectURL(await response.blob());
        return [element("a.button", { href: target, download: file }, gettext("Save {file}", { file }))];
      }),
      { id: `take-${kind}` },
    );
  return card(
    gettext("Report and rows"),
    element(
      "p.quiet",
      gettext(
        "The report has the decision, every limit with its source, charts, " +
          "and lines to sign on, in the language and units of this page. The " +
          "rows are the balls, each with its outcome.",
      ),
    ),
    element(
      "p.tools",
      button("html", "text/html", `${name}-report.html`, gettext("Make the report as a page")),
      " ",
      button("pdf", "application/pdf", `${name}-report.pdf`, gettext("Make the report as PDF")),
      " ",
      button("csv", "text/csv", `${name}-balls.csv`, gettext("Balls as CSV")),
      " ",
      button(
        "parquet",
        "application/vnd.apache.parquet",
        `${name}-balls.parquet`,
        gettext("Balls as Parquet"),
      ),
    ),
    place,
  );
}

function signing() {
  const place = element("div", { role: "status", id: "signed" });
  const day = element("input", {
    type: "date",
    id: "issued_on",
    required: true,
    min: "1900-01-01",
    max: "2100-12-31",
    value: today(),
  });
  const sign = whenPressed(place, async (signal) => {
    const response = await calls.send(`/v1/records/lots?issued_on=${day.value}`, { body: form(), signal });
    const { record, outcome, kid, demo } = await response.json();
    return [
      demo
        ? element("p.refused", gettext("Signed with the demonstration key: this record proves nothing."))
        : null,
      element("p", gettext("Signed: {outcome}, key {kid}.", { outcome: outcomeWord(outcome), kid })),
      element(
        "p.tools",
        element(
          "a.button",
          { download: "lot-record.jws", href: URL.createObjectURL(new Blob([record])) },
          gettext("File"),
        ),
        " ",
        element(
          "a.button",
          { href: `/verify#${new URLSearchParams([["record", record]])}` },
          gettext("Verify it"),
        ),
      ),
    ].filter(Boolean);
  });
  return card(
    gettext("Signed record"),
    element(
      "p.quiet",
      gettext(
        "The service signs the decision with the file's SHA-256. " +
          "Nothing is stored: keep the record beside the report.",
      ),
    ),
    element(
      "div.tools",
      element("label", { for: "issued_on" }, gettext("Date of the record")),
      day,
      action(gettext("Sign the decision"), sign, { id: "sign" }),
    ),
    place,
  );
}

function showCalls() {
  at("calls").hidden = false;
  const asked = JSON.stringify(options());
  const quoted = (text) => `'${text.replaceAll("'", "'\\''")}'`;
  const fields = [`options=${asked}`, `file=@"${chosen.name}"`].map((each) => `-F ${quoted(each)}`).join(" ");
  const to = `${location.origin}${PATH}${access.curlOption()}`;
  at("call-http").textContent = `curl -s ${to} -H 'Accept: application/json' ${fields}`;
  at("call-python").textContent = `import json
${access.pythonImport()}
import ballgauge

options = json.loads(${JSON.stringify(asked)})
with ballgauge.Client("${location.origin}"${access.pythonArgument()}) as client:
    print(client.assess_lot(${JSON.stringify(chosen.name)}, options))
`;
}

function take(file) {
  if (!file) return;
  use(file);
  keepFile(file);
  state.settle();
}

function use(file) {
  chosen = file;
  taken += 1;
  at("file-name").textContent = file.name;
  at("calls").hidden = true;
}

/** Keep the file for this tab: a reload or another language does not lose it. */
async function keepFile(file) {
  const name = `${Date.now()} ${Math.random()}`;
  ofTab.write(FILE, name);
  unkept = file;
  try {
    await files("lots", "readwrite", (all) => all.put(file, name));
    if (unkept === file) unkept = null;
    const names = await files("lots", "readonly", (all) => all.getAllKeys());
    const old = names.slice(0, -MOST_KEPT);
    for (const each of old) await files("lots", "readwrite", (all) => all.delete(each));
  } catch {
    return; // a browser that keeps nothing asks before the page is left
  }
}

/** Go on with the file that this tab had before the page was left; it is sent when that is asked for. */
async function takeUp() {
  const name = ofTab.read(FILE);
  const file = name && (await files("lots", "readonly", (all) => all.get(name)).catch(() => null));
  if (!file || chosen) return;
  use(file);
  state.edited(null);
}

function keep() {
  at("on-told").textContent = at("on").value ? "" : gettext("today, {day}", { day: today() });
  address.write(typed());
}

/** What stands in the form and is not its default. */
function typed() {
  const used = KEPT.filter((id) => at(id).value && at(id).value !== at(id).dataset.default);
  return new Map(used.map((id) => [id, at(id).value]));
}

function restore(kept) {
  for (const id of KEPT) {
    const text = kept.get(id) ?? at(id).dataset.default ?? "";
    at(id).value = text;
    if (at(id).tagName === "SELECT" && !at(id).value) at(id).value = at(id).dataset.default;
  }
  drawGauges();
  keep();
  state.edited(null);
}

at("file").addEventListener("change", (event) => take(event.target.files[0]));
at("start").addEventListener("click", () => {
  const [[name, text]] = Object.entries(JSON.parse(at("examples").textContent));
  take(new File([text], name, { type: "text/csv" }));
});
at("form").addEventListener("submit", (event) => {
  event.preventDefault();
  if (chosen) state.settle();
  else
    showProblem(
      null,
      new calls.Refused({ detail: gettext("Choose a file first: there is nothing to judge yet.") }),
    );
});
at("gauges").addEventListener("input", () => {
  at("lot-gauges").value = JSON.stringify(typedGauges());
});
at("add-gauge").addEventListener("click", () => keepGauges([...gauges(), {}]));
at("form").addEventListener("input", ({ target }) => edited(target.id));
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
for (const kind of ["dragleave", "drop"])
  at("drop").addEventListener(kind, () => at("drop").classList.remove("over"));
at("drop").addEventListener("drop", (event) => {
  event.preventDefault();
  take(event.dataTransfer.files[0]);
});
document.addEventListener("units", () => state.redraw());
window.addEventListener("beforeunload", (event) => unkept && event.preventDefault());
address.changed((kept) => {
  restore(kept);
  undo.note();
});
restore(address.read());
undo.note();
takeUp();
