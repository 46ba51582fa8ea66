// What every page has: units, light, language, copying.

import * as address from "./address.js";
import { ofBrowser } from "./store.js";
import { gettext, units } from "./words.js";

const remembered = (name) => ofBrowser.read(`ballgauge.${name}`);
const remember = (name, value) => ofBrowser.write(`ballgauge.${name}`, value);

const unitsChoice = document.getElementById("units");
const lightChoice = document.getElementById("light");
const languageChoice = document.getElementById("language");
const notice = document.getElementById("notice");
const UNITS = ["trade", "metric"];

function useUnits(choice) {
  units.metric = choice === "metric";
  unitsChoice.value = choice;
  document.documentElement.dataset.units = choice;
  for (const each of document.querySelectorAll(".unit")) each.textContent = each.dataset[choice];
}

/**
 * Use the units a state is written in. An old one with numbers names none: it is in trade units, and that is
 * said.
 */
export function useUnitsOf(state) {
  const named = UNITS.includes(state.get("units")) ? state.get("units") : null;
  const isOld = named === null && [...state.keys()].some((name) => name.includes("."));
  if (named || isOld) useUnits(named ?? "trade");
  notice.hidden = !isOld;
  notice.textContent = isOld
    ? gettext("This address names no units: its numbers were read in inches, pounds and ounces.")
    : "";
}

function useLight(choice) {
  lightChoice.value = choice;
  document.documentElement.dataset.light = choice;
}

useLight(remembered("light") ?? "auto");
useUnits(UNITS.includes(remembered("units")) ? remembered("units") : "trade");
useUnitsOf(address.read());
address.carryOn();

lightChoice.addEventListener("change", () => {
  useLight(lightChoice.value);
  remember("light", lightChoice.value);
});

unitsChoice.addEventListener("change", () => {
  useUnits(unitsChoice.value);
  remember("units", unitsChoice.value);
  document.dispatchEvent(new CustomEvent("units"));
});

languageChoice.addEventListener("change", () => {
  address.flush();
  const asked = new URLSearchParams(location.search);
  asked.set("lang", languageChoice.value);
  location.assign(`${location.pathname}?${asked}${location.hash}`);
});

document.addEventListener("click", (event) => {
  const id = event.target.dataset?.copy;
  if (id) copy(document.getElementById(id).textContent, event.target);
});

// The menu of a narrow page is longer than its row: it begins where one is.
/** @type {HTMLElement | null} */
const here = document.querySelector(".menu [aria-current]");
if (here) here.closest(".menu").scrollLeft = here.offsetLeft - 60;

// The hash of the address is the page's state: the skip link goes to its place without it.
document.querySelector(".skip").addEventListener("click", (event) => {
  event.preventDefault();
  const content = document.getElementById("content");
  content.focus();
  content.scrollIntoView();
});

/** Put a text on the clipboard and say so on the button. */
export async function copy(text, button) {
  const before = button.dataset.words ?? button.textContent;
  button.dataset.words = before;
  try {
    await navigator.clipboard.writeText(text);
    button.textContent = gettext("Copied");
  } catch {
    button.textContent = gettext("Copying is not allowed here");
  }
  setTimeout(() => {
    button.textContent = before;
  }, 2000);
}

// Help for the field at hand stands in one place, so that nothing moves while one types.
const help = document.createElement("p");
help.className = "help-line";
help.setAttribute("aria-hidden", "true");
help.hidden = true;
document.body.append(help);

document.addEventListener("focusin", (event) => {
  const hint = event.target.closest?.(".field")?.querySelector(".hint");
  help.hidden = !hint;
  help.replaceChildren(...(hint ? [...hint.childNodes].map((node) => node.cloneNode(true)) : []));
});
