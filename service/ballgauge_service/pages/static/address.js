// The page's state lives in the part of the address after the hash, which never leaves the browser.

import { ofTab } from "./store.js";

// Browsers refuse to rewrite the address at every key of a fast typist: so often at once, then after a pause.
const MOST = 80;
const SPAN = 30000;
const LATER = 400;
let written = [];
let timer = 0;
let pending = null;

export function read() {
  return new Map(new URLSearchParams(location.hash.slice(1)));
}

/** Write the state, at once where the browser lets. */
export function write(state) {
  written = written.filter((time) => time > Date.now() - SPAN);
  if (written.length < MOST) return put(state);
  clearTimeout(timer);
  pending = state;
  timer = setTimeout(flush, LATER);
  return undefined;
}

/** Write what waits to be written. */
export function flush() {
  if (pending) put(pending);
}

/** Write the state at once. */
export function put(state) {
  forget();
  written.push(Date.now());
  history.replaceState(null, "", addressOf(state));
}

/** Write the state as a new step, so that the browser's Back brings the former one. */
export function push(state) {
  flush();
  history.pushState(null, "", addressOf(state));
}

/** Letters of a request that an address still holds, in every browser (ours). */
export const LONGEST_OPENED = 100000;

const CARRIED = "ballgauge.carried";

/**
 * Take a ball along in the links to the other pages: the form's state (null: what is carried already stays),
 * and what of the ball is asked for.
 */
export function carry(state, { ball, design, drilling }) {
  const asked =
    ball || design || drilling
      ? new URLSearchParams([["carried", JSON.stringify({ ball, design, drilling })]])
      : "";
  const own = state ? new URLSearchParams([...state]).toString() : carried().state;
  const hashes = { state: own, ball: asked.toString() };
  point(hashes);
  ofTab.write(CARRIED, JSON.stringify(hashes));
}

/** Carry on what this tab has carried so far. */
export const carryOn = () => point(carried());

const carried = () => ofTab.parsed(CARRIED) ?? {};

function point(hashes) {
  for (const link of document.querySelectorAll("a[data-carry]")) link.hash = hashes[link.dataset.carry] ?? "";
}

/** Call `restore` with the state whenever the address is changed from outside. */
export function changed(restore) {
  window.addEventListener("popstate", () => {
    forget();
    restore(read());
  });
}

function forget() {
  clearTimeout(timer);
  pending = null;
}

function addressOf(state) {
  const text = new URLSearchParams([...state]).toString();
  return location.pathname + location.search + (text ? `#${text}` : "");
}
