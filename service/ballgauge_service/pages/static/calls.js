// Calls of the service, and the same calls as text to copy.

import * as access from "./access.js";
import { gettext } from "./words.js";

const AWAY = [429, 502, 503, 504];
const LONGEST_WAIT = 8;
const LONGEST_CALL = 180000;

/** A refusal of the service: `problem` is its problem document (RFC 9457). */
export class Refused extends Error {
  constructor(problem) {
    super(problem.detail ?? problem.title);
    this.problem = problem;
  }
}

/** No answer of the service, for now: it cannot be reached, is overloaded, or asks to wait. */
export class Unreachable extends Error {
  /** `after`: the seconds it asks to wait, where it does. */
  constructor(after = null) {
    super(
      after === null
        ? gettext("The service gives no answer. This page asks again by itself.")
        : gettext("The service asks for a pause of {seconds} s. This page asks again by itself.", {
            seconds: after,
          }),
    );
    this.after = after;
  }

  /** Seconds before the next try, after so many that failed. */
  wait(failures) {
    return this.after ?? Math.min(LONGEST_WAIT, 2 ** failures);
  }
}

/**
 * Ask the service, once more for each key that it asks for; gives the response, which is no refusal.
 *
 * Throws Refused for a refusal and Unreachable where there is no answer. `by` stands in for `fetch`.
 *
 * @param {string} path
 * @param {RequestInit & {by?: (path: string, options: any) => Promise<Response>}} options
 */
export async function send(path, { signal = null, by = fetch, ...options } = {}) {
  const language = { "Accept-Language": document.documentElement.lang };
  const limit = AbortSignal.any([AbortSignal.timeout(LONGEST_CALL), ...(signal ? [signal] : [])]);
  let response = null;
  try {
    response = await access.allowed((key) =>
      by(path, {
        method: "POST",
        ...options,
        signal: limit,
        headers: { ...options.headers, ...language, ...key },
      }),
    );
  } catch {
    throw new Unreachable();
  }
  if (!response.ok) throw await refusal(response);
  return response;
}

/** What a response that is no answer means. */
export async function refusal(response) {
  if (AWAY.includes(response.status)) return new Unreachable(seconds(response.headers.get("Retry-After")));
  try {
    return new Refused(await response.json());
  } catch {
    return new Unreachable();
  }
}

const seconds = (text) => (/^\d+$/.test(text ?? "") ? Math.max(1, Number(text)) : null);

/** The answer of a response. Throws Unreachable where it breaks off. */
export async function decoded(response) {
  try {
    return await response.json();
  } catch {
    throw new Unreachable(); // it broke off
  }
}

const json = (request) => ({
  headers: { "Content-Type": "application/json" },
  body: JSON.stringify(request),
});

/** Ask the service; gives the decoded answer. */
export async function post(path, request, signal = null) {
  return decoded(await send(path, { ...json(request), signal }));
}

export async function postFile(path, file, type, signal = null) {
  return decoded(await send(path, { headers: { "Content-Type": type }, body: file, signal }));
}

/** Ask for a file and give it as a blob. */
export async function postForFile(path, request, signal = null) {
  const response = await send(path, { ...json(request), signal });
  return response.blob().catch(() => {
    throw new Unreachable();
  });
}

/**
 * Make a call until the service answers; `told` hears why it is waited for. Throws Refused, and what `signal`
 * is aborted for.
 */
export async function insist(call, told, signal) {
  for (let failures = 0; ; failures += 1) {
    try {
      return await call();
    } catch (error) {
      signal.throwIfAborted();
      if (!(error instanceof Unreachable)) throw error;
      told(error.message);
      await new Promise((done) => {
        setTimeout(done, 1000 * error.wait(failures));
      });
      signal.throwIfAborted();
    }
  }
}

/**
 * Make a function that asks with the newest request only: one call runs, one waits, older ones are dropped.
 */
export function newestOnly(ask) {
  let running = false;
  let waiting = null;
  return async function run(...given) {
    if (running) {
      waiting = given;
      return;
    }
    running = true;
    try {
      await ask(...given);
    } finally {
      running = false;
      if (waiting) {
        const next = waiting;
        waiting = null;
        run(...next);
      }
    }
  };
}

/** Show the call and its Python in the page's boxes. */
export function show(path, request, method) {
  const box = document.getElementById("calls");
  box.hidden = false;
  document.getElementById("call-http").textContent = asCurl(path, request);
  document.getElementById("call-python").textContent = asPython(request, method);
}

function asCurl(path, request) {
  const quoted = (text) => text.replaceAll("'", "'\\''");
  const body = quoted(JSON.stringify(request, null, 1));
  const to = `${location.origin}${path}${access.curlOption()}`;
  const meshes = [request.design, request.compare?.design].flatMap((design) => design?.meshes ?? []);
  const files = [...new Set(meshes.map((mesh) => mesh.file).filter(Boolean))];
  const parts = files.map((file) => ` -F 'file=@"${quoted(file)}"'`);
  if (files.length) return `curl -s ${to} --form-string 'options=${body}'${parts.join("")}`;
  return `curl -s ${to} -H 'Content-Type: application/json' -d '${body}'`;
}

function asPython(request, method) {
  return `${access.pythonImport()}import ballgauge

request = ${literal(request, "")}
with ballgauge.Client("${location.origin}"${access.pythonArgument()}) as client:
    print(client.${method})
`;
}

function literal(value, margin) {
  const inner = `${margin}    `;
  if (value === true) return "True";
  if (value === false) return "False";
  if (value === null) return "None";
  if (Array.isArray(value)) {
    return value.length
      ? `[\n${value.map((each) => `${inner}${literal(each, inner)},\n`).join("")}${margin}]`
      : "[]";
  }
  if (typeof value === "object") {
    const members = Object.entries(value).map(
      ([name, each]) => `${inner}${JSON.stringify(name)}: ${literal(each, inner)},\n`,
    );
    return members.length ? `{\n${members.join("")}${margin}}` : "{}";
  }
  return JSON.stringify(value);
}
