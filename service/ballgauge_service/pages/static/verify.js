// Verify a record: from the camera, a picture, a PDF, a text file or pasted text.

import * as address from "./address.js";
import { clearProblem, showProblem } from "./bench.js";
import * as calls from "./calls.js";
import { card, element, list, table } from "./elements.js";
import { boundsText } from "./results.js";
import { gettext, outcomeWord, plain, sign } from "./words.js";
import "./frame.js";

const LOOK_EVERY = 600;
const LARGEST_SIDE = 1600;

const field = (id) => document.getElementById(id);
const verdict = field("verdict");
const results = field("results");
const sight = field("sight");
let looking = 0;

function asked() {
  const on = field("on").value;
  return { record: field("text").value.trim(), ...(on ? { on } : {}) };
}

async function verify() {
  const request = asked();
  address.write(new Map(Object.entries(request).filter(([, value]) => value)));
  if (!request.record) {
    clear();
    return;
  }
  try {
    const answer = await calls.post("/v1/records/verify", request);
    clearProblem(null);
    calls.show("/v1/records/verify", request, 'verify(request["record"], on=request.get("on")).state');
    show(answer);
  } catch (error) {
    clear();
    showProblem(null, error);
  }
}

function clear() {
  results.replaceChildren();
  delete verdict.dataset.outcome;
  verdict.replaceChildren(element("p", { class: "quiet", text: gettext("No record has been read yet.") }));
}

function show(answer) {
  const words = {
    genuine: gettext("genuine"), altered: gettext("altered"), unknown_key: gettext("unknown key"),
  };
  const meaning = {
    genuine: gettext("Signed by the key {kid}, and unaltered.", { kid: answer.kid }),
    altered: gettext("This is not what the key {kid} signed. Nothing of its content is shown.", { kid: answer.kid }),
    unknown_key: gettext("This service has no key {kid}. Nothing of its content is shown.", { kid: answer.kid ?? "–" }),
  };
  const shown = answer.demo ? "unknown_key" : answer.state;
  verdict.dataset.outcome = shown;
  verdict.replaceChildren(
    element("p", { class: "verdict-word" }, element("span", { class: "sign", "aria-hidden": "true", text: sign(shown) }), words[answer.state]),
    element("p", { text: meaning[answer.state] }),
    answer.demo ? element("p", { class: "refused", text: gettext("Signed with the demonstration key: this record proves nothing.") }) : "",
    answer.recheck ? element("p", { text: answer.recheck.rules_changed ? gettext("The rules have changed since.") : gettext("The rules have not changed since.") }) : "",
  );
  if (answer.lot) results.replaceChildren(heldOfLot(answer.lot));
  else results.replaceChildren(...(answer.content ? [held(answer.content), recheck(answer.recheck)] : []));
}

function heldOfLot(content) {
  const told = [[gettext("Verdict"), outcomeWord(content.outcome)], [gettext("Supplier"), content.lot.supplier], [gettext("Model"), content.lot.model],
    [gettext("Lot"), content.lot.lot], [gettext("Order"), content.lot.order], [gettext("Inspected on"), content.lot.inspected_on],
    [gettext("File"), content.file.name], [gettext("SHA-256 of the file"), content.file.sha256], [gettext("Date of the record"), content.issued_on],
    [gettext("Rules"), [content.rules.body.toUpperCase(), content.rules.overlay, content.rules.on].filter(Boolean).join(", ")]];
  return card(gettext("What the record says"),
    table(gettext("The record"), [gettext("what"), gettext("value")], told.filter(([, value]) => value), "words"), list(content.reasons, "en"));
}

function held(content) {
  const { ball } = content.check;
  const told = [[gettext("Verdict"), outcomeWord(content.outcome)], [gettext("Player"), content.player], [gettext("Event"), content.event],
    [gettext("Maker and model"), ball.name], [gettext("Serial number"), ball.serial], [gettext("Date of the record"), content.issued_on],
    [gettext("Rules"), [content.rules.body.toUpperCase(), content.rules.overlay, content.rules.on].filter(Boolean).join(", ")]];
  const rows = content.findings.map((each) => [each.rule.replaceAll("_", " "), outcomeWord(each.outcome), each.value === undefined ? "–" : plain(each.value, 6), limits(each)]);
  return card(gettext("What the record says"),
    table(gettext("The record"), [gettext("what"), gettext("value")], told.filter(([, value]) => value), "words"),
    table(gettext("Findings"), [gettext("rule"), gettext("outcome"), gettext("value"), gettext("limit")], rows, "words"));
}

const limits = (each) => boundsText(each.min ?? null, each.max ?? null, "");

function recheck(found) {
  const rows = found.changes.map((change) => [change.title, ...[change.then, change.now].map((each) => (each ? `${outcomeWord(each.outcome)} ${limits(each)}` : gettext("no such rule")))]);
  const now = found.outcome ? gettext("Judged for {on}: {outcome}.", { on: found.on, outcome: outcomeWord(found.outcome) }) : gettext("The ball can no longer be judged by these rules.");
  return card(gettext("By the rules as they are known now"), element("p", { text: now }),
    rows.length ? table(gettext("What differs"), [gettext("rule"), gettext("in the record"), gettext("now")], rows, "words") : list([gettext("Every finding is the same.")]));
}

async function openFile(file) {
  if (!file) return;
  try {
    if (["image/png", "image/jpeg"].includes(file.type)) field("text").value = (await calls.postFile("/v1/records/read", await smaller(file), "image/png")).record;
    else if (file.type === "application/pdf") field("text").value = (await calls.postFile("/v1/records/read", file, file.type)).record;
    else field("text").value = (await file.text()).trim().slice(0, 100000);
  } catch (error) {
    clear();
    showProblem(null, error);
    return;
  }
  verify();
}

/** A picture no larger than a code needs. */
async function smaller(file) {
  const picture = await createImageBitmap(file);
  return gray(picture, picture.width, picture.height);
}

function gray(source, width, height) {
  const scale = Math.min(1, LARGEST_SIDE / Math.max(width, height));
  const canvas = document.createElement("canvas");
  canvas.width = Math.round(width * scale);
  canvas.height = Math.round(height * scale);
  const pen = canvas.getContext("2d");
  pen.filter = "grayscale(1)";
  pen.drawImage(source, 0, 0, canvas.width, canvas.height);
  return new Promise((done) => { canvas.toBlob(done, "image/png"); });
}

async function look() {
  if (!sight.srcObject) return;
  try {
    const frame = await gray(sight, sight.videoWidth || 640, sight.videoHeight || 480);
    field("text").value = (await calls.postFile("/v1/records/read", frame, "image/png")).record;
    stop();
    verify();
  } catch {
    looking = setTimeout(look, LOOK_EVERY); // no code in sight yet
  }
}

function stop() {
  clearTimeout(looking);
  sight.srcObject?.getTracks().forEach((track) => track.stop());
  sight.srcObject = null;
  sight.hidden = true;
  field("camera").hidden = false;
  field("camera-off").hidden = true;
}

field("camera").addEventListener("click", async () => {
  try {
    sight.srcObject = await navigator.mediaDevices.getUserMedia({ video: { facingMode: "environment", width: { ideal: 1600 } } });
    sight.hidden = false;
    field("camera").hidden = true;
    field("camera-off").hidden = false;
    await sight.play();
    look();
  } catch {
    showProblem(null, { problem: { detail: gettext("The camera cannot be used; open a picture instead."), errors: [] } });
  }
});
field("camera-off").addEventListener("click", stop);
field("file").addEventListener("change", (event) => openFile(event.target.files[0]));
field("form").addEventListener("submit", (event) => {
  event.preventDefault();
  verify();
});

function restore() {
  const state = address.read();
  field("text").value = state.get("record") ?? "";
  field("on").value = state.get("on") ?? "";
  if (field("text").value) verify();
}

window.addEventListener("hashchange", restore);
restore();
