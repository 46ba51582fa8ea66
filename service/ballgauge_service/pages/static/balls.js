// Balls kept in this browser or in a file, opened again, and two of them side by side.

import { LONGEST_OPENED } from "./address.js";
import * as calls from "./calls.js";
import { action, at, element, table } from "./elements.js";
import { stateOf } from "./form.js";
import { keepTyped } from "./record.js";
import { ofBrowser } from "./store.js";
import { gettext, outcomeWord, quantity } from "./words.js";

const KEPT = "ballgauge.balls";
const MOST = 20;
const LONGEST = 1000000;

/**
 * Run the part of a page that keeps its balls; `replace(state)` puts another one in the form and gives
 * whether it may. Gives what opens a request's text.
 */
export function keepBalls({ form, state, replace }) {
  const name = at("ball-keeper");
  const say = (words) => {
    at("balls-told").textContent = words;
  };

  keepTyped(name.id);

  function call(text) {
    name.value = text;
    name.dispatchEvent(new Event("input"));
  }

  /** What the form says, without the day that the page filled in. */
  function request() {
    const made = form.request();
    if (!form.form.elements["rules.on"].value) delete made.rules.on;
    if (!Object.keys(made.rules).length) delete made.rules;
    return made;
  }

  function keep() {
    const made = request();
    const called =
      name.value.trim() ||
      made.ball?.serial ||
      made.ball?.name ||
      new Date().toLocaleString(document.documentElement.lang);
    const ball = { name: called, check: made, state: [...form.state()] };
    if (!write([ball, ...read().filter((each) => each.name !== called)].slice(0, MOST)))
      say(gettext("This browser keeps nothing: save the ball to a file."));
    else say(gettext("Kept as {name}.", { name: called }));
    draw();
    return called;
  }

  function draw() {
    at("kept-balls").replaceChildren(
      ...read().map((ball) =>
        element(
          "li",
          element("span.kept-name", ball.name),
          action(gettext("Open"), () => open(ball), {
            "aria-label": gettext("Open {name}", { name: ball.name }),
          }),
          action(gettext("Compare"), () => state.act(({ answer }, signal) => compare(answer, ball, signal)), {
            "aria-label": gettext("Compare with {name}", { name: ball.name }),
          }),
          action(
            gettext("Forget"),
            () => {
              write(read().filter((each) => each.name !== ball.name));
              draw();
              say(gettext("{name} is forgotten.", { name: ball.name }));
              name.focus();
            },
            { "aria-label": gettext("Forget {name}", { name: ball.name }) },
          ),
        ),
      ),
    );
  }

  function open(ball) {
    if (replace(new Map(ball.state))) call(ball.name);
  }

  async function compare(answer, ball, signal) {
    const box = at("compared");
    box.replaceChildren(element("p", gettext("Waiting for the service…")));
    try {
      const on = { on: form.request().rules.on };
      const asked = { ball: {}, ...ball.check, rules: { ...on, ...ball.check.rules } };
      const other = await calls.insist(
        () => calls.post("/v1/checks", asked, signal),
        (words) => box.replaceChildren(element("p", words)),
        signal,
      );
      const rows = figures(answer).map(([title, value], index) => [title, value, figures(other)[index][1]]);
      box.replaceChildren(
        table(gettext("Side by side"), [gettext("quantity"), gettext("this ball"), ball.name], rows),
      );
    } catch (error) {
      if (!signal.aborted)
        box.replaceChildren(
          element(
            "p.refused",
            gettext("{name} cannot be judged: {reason}", { name: ball.name, reason: error.message }),
          ),
        );
    }
  }

  /** Put what a file or another page asks for in the form, and say what has no place there. */
  function put(text, told) {
    try {
      if (text.length > LONGEST) throw new TypeError("too large");
      const found = JSON.parse(text);
      const check = found.check ?? found;
      if (!["ball", "drilling", "design"].some((part) => typeof check?.[part] === "object"))
        throw new TypeError("no ball");
      if (JSON.stringify(check.design ?? null).length > LONGEST_OPENED) {
        say(gettext("Its design is too large for this page's address: ask by the interface."));
        return;
      }
      const kept = stateOf(check);
      if (!replace(new Map([...kept, ["units", "trade"]]))) return;
      call(found.player ?? "");
      const lost = [...kept.keys()].filter((each) => !form.form.elements[each]);
      say(
        lost.length
          ? gettext("Opened. This page has no field for, and leaves out: {names}", { names: lost.join(", ") })
          : told,
      );
    } catch {
      say(gettext("This file was not saved by this page."));
    }
  }

  at("keep-ball").addEventListener("click", keep);
  at("save-ball").addEventListener("click", () => {
    const player = name.value.trim();
    const text = JSON.stringify({ check: request(), ...(player ? { player } : {}) }, null, 1);
    element("a", {
      download: "ball.json",
      href: URL.createObjectURL(new Blob([text], { type: "application/json" })),
    }).click();
  });
  at("open-ball").addEventListener("change", async (event) => {
    const [file] = event.target.files;
    if (file) put(await file.text(), gettext("Opened: {name}.", { name: file.name }));
    event.target.value = "";
  });
  window.addEventListener("storage", ({ key }) => key === KEPT && draw());
  draw();
  return (text) => put(text, "");
}

/** The numbers by which two layouts are told apart, with their titles. */
function figures({ outcome, findings, derived }) {
  const worst = findings
    .filter((each) => each.margin !== null && !each.advisory)
    .sort((a, b) => relative(a) - relative(b))[0];
  const reading = derived.balance?.measured ?? derived.balance?.predicted;
  const { drilled, layout } = derived;
  return [
    [gettext("Verdict"), outcomeWord(outcome)],
    [
      gettext("worst margin"),
      worst ? `${quantity(worst.margin, worst.unit, { signed: true })}, ${gettext(worst.title)}` : "–",
    ],
    ...["top", "side", "finger"].map((way) => [
      { top: gettext("top"), side: gettext("side"), finger: gettext("finger") }[way],
      quantity(reading?.[way] ?? null, "oz", { signed: true }),
    ]),
    [gettext("weight"), quantity(drilled?.weight ?? null, "lb")],
    [gettext("RG, low axis"), quantity(drilled?.rg ?? null, "in")],
    [gettext("differential"), quantity(drilled?.differential ?? null, "in")],
    [gettext("pin to PAP"), quantity(layout?.pin_to_pap ?? null, "in")],
    [gettext("pin to VAL"), quantity(layout?.pin_to_val ?? null, "in")],
  ];
}

/** A margin as a share of what is allowed, so that ounces and inches can be compared. */
function relative({ margin, limit }) {
  const { min = null, max = null } = limit ?? {};
  const room = min !== null && max !== null ? max - min : Math.abs(max ?? min ?? 1);
  return margin / (room || 1);
}

function read() {
  const found = ofBrowser.parsed(KEPT);
  const isBall = (each) =>
    typeof each?.name === "string" && Array.isArray(each.state) && typeof each.check === "object";
  return Array.isArray(found) ? found.filter(isBall) : [];
}

const write = (balls) => ofBrowser.write(KEPT, JSON.stringify(balls));
