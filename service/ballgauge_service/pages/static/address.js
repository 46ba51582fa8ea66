// The page's state lives in the part of the address after the hash, which never leaves the browser.

const LATER = 250;
let timer = 0;

export function read() {
  return new Map(new URLSearchParams(location.hash.slice(1)));
}

/** Write the state soon; browsers refuse to rewrite the address at every key. */
export function write(state) {
  clearTimeout(timer);
  timer = setTimeout(() => put(state), LATER);
}

/** Write the state at once. */
export function put(state) {
  clearTimeout(timer);
  const text = new URLSearchParams([...state]).toString();
  history.replaceState(null, "", location.pathname + location.search + (text ? `#${text}` : ""));
}
