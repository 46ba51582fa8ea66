// Where a page stands. A verdict, and what rests on it, is there only while the page is `current`: while the
// service has answered exactly what the form shows.
//
//   empty     nothing to ask for            editing   typed, not asked for yet; what is shown is old
//   waiting   asked, no answer yet          current   the answer belongs to what the form shows
//   refused   the service says what is wrong   offline   the service gives no answer; asked again by itself
//
// `html[data-state]` names the state; what has the attribute `data-current` can be seen and used in `current`
// alone.

import { Unreachable } from "./calls.js";
import { element } from "./elements.js";
import { clearProblem, showProblem } from "./problem.js";
import { gettext } from "./words.js";

/** Milliseconds after the last key before what was typed is judged. */
export const PAUSE = 250;
const SLOW = 500;
const NEVER = null;

export class PageState {
  /**
   * `read()` gives the request that the form stands for, null where it asks for nothing. `ask(request,
   * signal)` promises the answer. `show(answer, request)` draws it. `moved(name, error)` hears of every move.
   * `form` shows a refusal's errors at its fields. Has `name`, the state, and `answered`, the answer with its
   * request.
   *
   * @param {Record<string, any>} given
   */
  constructor({ read, ask, show, moved = () => {}, form = null }) {
    this.read = read;
    this.ask = ask;
    this.show = show;
    this.moved = moved;
    this.form = form;
    this.name = "empty";
    this.answered = null;
    this.failures = 0;
    this.timer = 0;
    this.call = new AbortController();
    this.verdict = document.getElementById("verdict");
    this.before = this.verdict ? [...this.verdict.childNodes] : [];
    this.note = element("p.standing");
    document.documentElement.dataset.state = "empty";
    window.addEventListener("online", () => this.name === "offline" && this.settle());
  }

  /** What the form shows has changed: it is judged after `pause` milliseconds, by `settle` where null. */
  edited(pause = PAUSE) {
    this.stop();
    const request = this.read();
    if (request === null) {
      this.answered = null;
      this.move("empty");
    } else if (this.fits(request)) this.draw();
    else {
      this.move("editing");
      if (pause !== NEVER) this.timer = setTimeout(() => this.settle(), pause);
    }
  }

  /** Ask for what the form shows, now; nothing happens where it is answered. */
  async settle() {
    this.stop();
    const request = this.read();
    if (request === null || this.fits(request)) return this.edited();
    const { signal } = this.call;
    if (this.name !== "offline") this.move("waiting");
    try {
      const answer = await this.ask(request, signal);
      if (signal.aborted) return undefined;
      // A form that changed without an event, such as by the browser's own filling in.
      if (text(this.read()) !== text(request)) return this.edited();
      this.answered = { request, answer };
      this.draw();
      document.documentElement.dataset.answered = String(
        Number(document.documentElement.dataset.answered ?? 0) + 1,
      );
    } catch (error) {
      if (!signal.aborted) this.fail(error);
    }
    return undefined;
  }

  /** A field was left: what was typed is meant. */
  left() {
    if (this.name === "editing") this.settle();
    else if (this.name === "refused") showProblem(this.form, this.error);
  }

  /** Do something with the answer: `work(answered, signal)`, only while it belongs to what the form shows. */
  async act(work) {
    const request = this.read();
    if (this.name !== "current" || request === null || !this.fits(request)) {
      this.edited(0);
      return;
    }
    await work(this.answered, this.call.signal);
  }

  /** Draw the answer again, such as in other units. */
  redraw() {
    if (this.name === "current") this.draw();
  }

  fits(request) {
    return this.answered !== null && text(this.answered.request) === text(request);
  }

  draw() {
    this.show(this.answered.answer, this.answered.request);
    this.move("current");
  }

  fail(error) {
    if (!(error instanceof Unreachable)) return this.move("refused", error);
    this.timer = setTimeout(() => this.settle(), 1000 * error.wait(this.failures));
    this.failures += 1;
    return this.move("offline", error);
  }

  /** Drop the call under way, and what waits to be asked. */
  stop() {
    clearTimeout(this.timer);
    clearTimeout(this.slow);
    clearTimeout(this.later);
    this.call.abort();
    this.call = new AbortController();
  }

  move(name, error = null) {
    clearTimeout(this.slow);
    this.name = name;
    this.error = error;
    if (name === "current" || name === "refused") this.failures = 0;
    document.documentElement.dataset.state = name;
    // An error in the field that is being typed in can wait a little: it may be right soon.
    if (name === "refused")
      this.later = setTimeout(() => this.left(), this.form?.isTyping(error) ? 4 * PAUSE : 0);
    else if (name !== "editing" && name !== "waiting") clearProblem(this.form);
    if (this.verdict) this.tell(name, error);
    const results = document.getElementById("results");
    if (results) {
      results.classList.toggle("stale", name !== "current");
      results.dataset.old = gettext("Old");
      if (name === "empty") results.replaceChildren();
    }
    this.moved(name, error);
  }

  /** Say in the verdict's place where the page stands. */
  tell(name, error) {
    const { verdict, note } = this;
    const stale = (name === "editing" || name === "waiting") && "key" in verdict.dataset;
    verdict.dataset.stale = String(stale);
    if (stale) verdict.dataset.old = gettext("Old: it belongs to what stood here before.");
    if (name === "current") note.remove();
    else delete verdict.dataset.outcome;
    if (!stale && name !== "current") {
      delete verdict.dataset.key;
      verdict.replaceChildren(...(name === "empty" || name === "editing" ? this.before : [note]));
    }
    const needsKey = () => document.getElementById("access")?.hidden === false;
    if (name === "waiting")
      this.slow = setTimeout(() => {
        const words = gettext("Waiting for the service…");
        this.say(needsKey() ? gettext("Waiting for the access key.") : words);
      }, SLOW);
    if (name === "refused") this.say(gettext("No verdict: what is marked must be corrected first."));
    if (name === "offline") this.say(error.message);
  }

  say(words) {
    // A screen reader need not hear it again.
    if (this.note.isConnected && this.note.textContent === words) return;
    this.note.textContent = words;
    this.verdict.append(this.note);
  }
}

const text = JSON.stringify;
