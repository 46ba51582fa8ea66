// Signing a verdict, and taking the record away as paper, label or file.

import * as calls from "./calls.js";
import { action, at, element, list } from "./elements.js";
import { today } from "./form.js";
import { ofTab } from "./store.js";
import { gettext, outcomeWord } from "./words.js";

const box = at("record-answer");

/**
 * Offer to sign what is current in `state`, and nothing else. Call what it gives for each ball that becomes
 * current.
 */
export function offer(state) {
  let beside = null;
  at("issued_on").value = today();
  keepTyped("player", "event");
  at("record-form").addEventListener("submit", (event) => {
    event.preventDefault();
    state.act(({ request }, signal) => sign(request, state, signal));
  });
  return (request) => {
    // A record is shown beside the ball that it was signed for, and beside no other.
    if (beside !== request) box.replaceChildren();
    beside = request;
  };
}

/** Keep what is typed in these fields in this tab: a reload or another language does not lose it. */
export function keepTyped(...ids) {
  for (const input of ids.map(at)) {
    const name = `ballgauge.typed.${input.id}`;
    input.value = ofTab.read(name) ?? "";
    input.addEventListener("input", () => ofTab.write(name, input.value));
  }
}

async function sign(check, state, signal) {
  const asked = { check, issued_on: at("issued_on").value };
  for (const name of ["player", "event"]) {
    const value = at(name).value.trim();
    if (value) asked[name] = value;
  }
  await tried(
    async () => {
      const signed = await calls.insist(() => calls.post("/v1/records", asked, signal), say, signal);
      calls.show("/v1/records", asked, "sign(request).record");
      box.replaceChildren(...taken(signed, (work) => state.act(work)));
    },
    signal,
    (refused) => box.replaceChildren(...refused),
  );
}

const say = (words) => box.replaceChildren(element("p", words));

/** Do a work whose refusal is told by `tell`; nothing is told of a work that is no longer wanted. */
export async function tried(work, signal, tell) {
  try {
    await work();
  } catch (error) {
    if (signal.aborted) return;
    const errors = error.problem?.errors ?? [];
    tell([
      element("p.refused", error.message),
      list(errors.map((each) => `${each.pointer}: ${each.detail}`)),
    ]);
  }
}

const always = (work) => work(null, new AbortController().signal);

/**
 * What can be taken away of a signed record; `act` does a work where that is still wanted, as a page's state
 * does.
 */
export function taken(signed, act = always) {
  const page = new URLSearchParams([["record", signed.record]]);
  const picture = element("img.code", { alt: gettext("QR code of the record"), hidden: true });
  const told = element("div", { role: "status" });
  const print = (form, done) =>
    act((_, signal) =>
      tried(
        async () => {
          const ask = () => calls.postForFile("/v1/records/prints", { record: signed.record, form }, signal);
          const file = await calls.insist(
            ask,
            (words) => {
              told.textContent = words;
            },
            signal,
          );
          told.replaceChildren();
          done(URL.createObjectURL(file));
        },
        signal,
        (refused) => told.replaceChildren(...refused),
      ),
    );
  const save = (text, form, name) =>
    action(text, () => print(form, (href) => element("a", { download: name, href }).click()));
  if (signed.label) {
    print("code", (href) => {
      picture.src = href;
      picture.hidden = false;
    });
  }
  return [
    signed.demo
      ? element("p.refused", gettext("Signed with the demonstration key: this record proves nothing."))
      : null,
    element(
      "p",
      gettext("Signed: {outcome}, key {kid}.", { outcome: outcomeWord(signed.outcome), kid: signed.kid }),
    ),
    element(
      "p.tools",
      save(gettext("Paper, A4"), "a4", "record-a4.pdf"),
      " ",
      save(gettext("Paper, Letter"), "letter", "record-letter.pdf"),
      " ",
      signed.label ? save(gettext("Label"), "label", "record-label.pdf") : null,
      " ",
      element(
        "a.button",
        { download: "record.jws", href: URL.createObjectURL(new Blob([signed.record])) },
        gettext("File"),
      ),
      " ",
      element("a.button", { href: `/verify#${page}` }, gettext("Verify it")),
    ),
    told,
    signed.label ? picture : element("p", gettext("Too long for a label: take paper or file.")),
  ].filter(Boolean);
}
