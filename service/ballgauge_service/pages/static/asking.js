// A question that takes its time: its progress is shown, it can be stopped, and a refusal marks its fields.

import * as calls from "./calls.js";
import { clearProblem, showProblem } from "./problem.js";
import { gettext, plain } from "./words.js";

export class Asking {
  /** `send(request, options)` asks the service; the others are elements of the page. */
  constructor({ editor, send, button, stop, progress, told }) {
    this.editor = editor;
    this.send = send;
    this.button = button;
    this.stop = stop;
    this.progress = progress;
    this.told = told;
    this.call = null;
    stop.addEventListener("click", () => this.call?.abort());
  }

  /** The answer; null where it was refused or stopped, or while another question waits. */
  async ask(request) {
    if (this.call || this.editor.broken) return null;
    this.call = new AbortController();
    this.running(true);
    const started = performance.now();
    let answer = null;
    try {
      answer = await this.follow(request, this.call.signal);
      clearProblem(this.editor);
      this.told.textContent = gettext("Done in {seconds} s.", {
        seconds: plain((performance.now() - started) / 1000, 1),
      });
    } catch (error) {
      const stopped = this.call.signal.aborted;
      this.told.textContent = stopped ? gettext("Stopped.") : gettext("This was not done");
      if (!stopped) showProblem(this.editor, error);
    }
    this.running(false);
    this.call = null;
    return answer;
  }

  running(is) {
    this.button.setAttribute("aria-busy", String(is));
    this.stop.hidden = !is;
    this.progress.hidden = !is;
    this.progress.value = 0;
    if (is) this.told.textContent = gettext("Asking the service…");
  }

  /** Ask and read the lines of progress up to the answer. */
  async follow(request, signal) {
    const response = await this.send(request, { accept: "application/x-ndjson", signal });
    const reader = response.body.pipeThrough(new TextDecoderStream()).getReader();
    for (let rest = ""; ; ) {
      const { done, value } = await reader.read();
      if (done) throw new calls.Unreachable();
      const lines = (rest + value).split("\n");
      rest = lines.pop();
      for (const line of lines.map((each) => JSON.parse(each))) {
        if (line.result) return line.result;
        if (line.problem) throw new calls.Refused(line.problem);
        this.progress.value = line.progress;
      }
    }
  }
}

/**
 * A job of a request with what it needs of the rest: the design, its drilling, the rules.
 *
 * @returns {any}
 */
export function jobAlone({ design, drilling, balance_arm: arm, rules }, kind, job) {
  return {
    design,
    ...(drilling && { drilling }),
    ...(arm !== undefined && { balance_arm: arm }),
    ...(rules && { rules }),
    detail: "numbers",
    [kind]: job,
  };
}
