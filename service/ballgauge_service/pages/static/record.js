// Signing a verdict, and taking the record away as paper, label or file.

import * as calls from "./calls.js";
import { element } from "./elements.js";
import { gettext, outcomeWord } from "./words.js";

let current = null;
let wired = false;

/** Offer to sign the check that was just made. */
export function offer(request) {
  current = request;
  document.getElementById("record").hidden = false;
  document.getElementById("record-answer").replaceChildren();
  if (!wired) wire();
}

function wire() {
  wired = true;
  const day = document.getElementById("issued_on");
  day.value = new Date().toLocaleDateString("sv-SE");
  document.getElementById("record-form").addEventListener("submit", async (event) => {
    event.preventDefault();
    const asked = { check: current, issued_on: day.value };
    for (const name of ["player", "event"]) {
      const value = document.getElementById(name).value.trim();
      if (value) asked[name] = value;
    }
    const box = document.getElementById("record-answer");
    try {
      const signed = await calls.post("/v1/records", asked);
      calls.show("/v1/records", asked, "sign(request).record");
      box.replaceChildren(...taken(signed));
    } catch (error) {
      const errors = error.problem?.errors ?? [];
      box.replaceChildren(element("p", { class: "refused", lang: "en", text: error.message }),
        element("ul", { lang: "en" }, errors.map((each) => element("li", { text: `${each.pointer}: ${each.detail}` }))));
    }
  });
}

/** What can be taken away of a signed record. */
function taken(signed) {
  const page = new URLSearchParams([["record", signed.record]]);
  const picture = element("img", { class: "code", alt: gettext("QR code of the record"), hidden: true });
  if (signed.label) {
    calls.postForFile("/v1/records/prints", { record: signed.record, form: "code" }).then((file) => {
      picture.src = URL.createObjectURL(file);
      picture.hidden = false;
    });
  }
  return [
    signed.demo ? element("p", { class: "refused", text: gettext("Signed with the demonstration key: this record proves nothing.") }) : null,
    element("p", { text: gettext("Signed: {outcome}, key {kid}.", { outcome: outcomeWord(signed.outcome), kid: signed.kid }) }),
    element("p", { class: "tools" },
      save(gettext("Paper, A4"), signed, "a4", "record-a4.pdf"), " ",
      save(gettext("Paper, Letter"), signed, "letter", "record-letter.pdf"), " ",
      signed.label ? save(gettext("Label"), signed, "label", "record-label.pdf") : null, " ",
      element("a", { class: "button", download: "record.jws", href: URL.createObjectURL(new Blob([signed.record])), text: gettext("File") }), " ",
      element("a", { class: "button", href: `/verify#${page}`, text: gettext("Verify it") })),
    signed.label ? picture : element("p", { text: gettext("Too long for a label: take paper or file.") }),
  ].filter(Boolean);
}

function save(text, signed, form, name) {
  return element("button", { type: "button", text, onclick: async () => {
    const file = await calls.postForFile("/v1/records/prints", { record: signed.record, form });
    const link = element("a", { download: name, href: URL.createObjectURL(file) });
    link.click();
  } });
}
