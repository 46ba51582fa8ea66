// Calls of the service, and the same calls as text to copy.

import * as access from "./access.js";

/** A refusal of the service: `problem` is its problem document (RFC 9457). */
export class Refused extends Error {
  constructor(problem) {
    super(problem.detail ?? problem.title);
    this.problem = problem;
  }
}

/** Ask the service, once more for each key that it asks for; gives the response. */
export function send(path, options) {
  return access.allowed((key) => fetch(path, { method: "POST", ...options, headers: { ...options.headers, ...key } }));
}

/** Ask the service; gives the decoded answer. */
export async function post(path, request) {
  const response = await send(path, { headers: { "Content-Type": "application/json" }, body: JSON.stringify(request) });
  const answer = await response.json();
  if (!response.ok) throw new Refused(answer);
  return answer;
}

export async function postFile(path, file, type) {
  const response = await send(path, { headers: { "Content-Type": type }, body: file });
  const answer = await response.json();
  if (!response.ok) throw new Refused(answer);
  return answer;
}

/** Ask for a file and give it as a blob. */
export async function postForFile(path, request) {
  const response = await send(path, { headers: { "Content-Type": "application/json" }, body: JSON.stringify(request) });
  if (!response.ok) throw new Refused(await response.json());
  return response.blob();
}

/** Make a function that asks with the newest request only: one call runs, one waits, older ones are dropped. */
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
  const body = JSON.stringify(request, null, 1).replaceAll("'", "'\\''");
  return `curl -s ${location.origin}${path}${access.curlOption()} -H 'Content-Type: application/json' -d '${body}'`;
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
    return value.length ? `[\n${value.map((each) => `${inner}${literal(each, inner)},\n`).join("")}${margin}]` : "[]";
  }
  if (typeof value === "object") {
    const members = Object.entries(value).map(([name, each]) => `${inner}${JSON.stringify(name)}: ${literal(each, inner)},\n`);
    return members.length ? `{\n${members.join("")}${margin}}` : "{}";
  }
  return JSON.stringify(value);
}
