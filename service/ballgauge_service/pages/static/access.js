// The access key, where the service asks for one: typed once, kept in this tab alone, never in the address.

import { element } from "./elements.js";
import { ofTab } from "./store.js";
import { gettext } from "./words.js";

const NAME = "ballgauge.access";
const OUT_OF_SCOPE = /scope="(\w+)"/;

let key = ofTab.read(NAME);
let waiting = [];

/** The header that carries the key; none while no key was asked for. */
const headers = () => (key ? { Authorization: `Bearer ${key}` } : {});

/** What calls to copy need beside the rest, where a key is used; the key itself is never shown. */
export const curlOption = () => (key ? ' -H "Authorization: Bearer $BALLGAUGE_KEY"' : "");
export const pythonImport = () => (key ? "import os\n" : "");
export const pythonArgument = () => (key ? ', key=os.environ["BALLGAUGE_KEY"]' : "");

/** Make a call until it is not refused for its key; `call` is given the header to send. */
export async function allowed(call) {
  for (;;) {
    const sent = key;
    const response = await call(headers());
    if (response.status !== 401 && response.status !== 403) {
      if (!waiting.length) hide();
      return response;
    }
    if (sent === key) await asked(response.status, response.headers.get("WWW-Authenticate") ?? "");
  }
}

const box = document.getElementById("access");
const input = document.getElementById("access-key");
const told = document.getElementById("access-told");

function asked(status, challenge) {
  const scope = challenge.match(OUT_OF_SCOPE)?.[1];
  const words =
    status === 403
      ? gettext("This key cannot be used on this page: it lacks the scope {scope}. Type another.", {
          scope: scope ?? "–",
        })
      : key
        ? gettext("This key is not valid. Type another.")
        : gettext("This service asks for an access key.");
  box.hidden = false;
  told.replaceChildren(element("strong", words));
  if (key) input.setAttribute("aria-invalid", "true");
  // Who types elsewhere is not torn away from it.
  if (!document.activeElement?.matches("input, textarea, select")) input.focus();
  return new Promise((done) => waiting.push(done));
}

function hide() {
  box.hidden = true;
  input.removeAttribute("aria-invalid");
}

box.addEventListener("submit", (event) => {
  event.preventDefault();
  const typed = input.value.trim();
  if (!typed) {
    input.focus();
    return;
  }
  key = typed;
  ofTab.write(NAME, key);
  input.value = "";
  const calls = waiting;
  waiting = [];
  for (const done of calls) done();
});
