// One request on a page: edited by fields and as JSON, in step; undone, kept, saved, opened, and answered.

import * as address from "./address.js";
import * as calls from "./calls.js";
import { at, element } from "./elements.js";
import { Field } from "./fields.js";
import { copy } from "./frame.js";
import { History, found, replaced } from "./history.js";
import { Kept, download } from "./kept.js";
import { PAUSE, PageState } from "./state.js";
import { gettext } from "./words.js";

const LONGEST_STATE = 6000;
const LATER = 200;
const same = (one, other) => JSON.stringify(one) === JSON.stringify(other);

export class Editor {
  /**
   * `kind` names what is kept; `path` and `method` say how it is asked for; `asked(request)` is what is sent;
   * `show(answer, request)` draws; `pause` is null where a button asks; `fresh` is what an empty page starts
   * with; `carry(ball, fresh)` makes a request of the ball that another page carries along; `ask` asks in
   * place of `calls.post`; `pack` and `unpack` change what is saved to and opened from a file.
   */
  constructor({
    kind,
    path,
    method,
    asked = (request) => request,
    show,
    pause = PAUSE,
    fresh = null,
    carry = null,
    ask = (request, signal) => calls.post(path, request, signal),
    pack = (request) => request,
    unpack = (request) => request,
  }) {
    this.path = path;
    this.method = method;
    this.asked = asked;
    this.show = show;
    this.pause = pause;
    this.carry = carry;
    this.pack = pack;
    this.unpack = unpack;
    this.reach = null;
    this.examples = JSON.parse(at("examples").textContent);
    this.fresh = fresh ?? Object.values(this.examples)[0];
    this.text = at("request");
    this.kept = new Kept(kind);
    this.history = new History(this.fresh);
    this.fields = new Map();
    this.listeners = [];
    this.broken = "";
    this.saved = this.fresh;
    this.state = new PageState({
      form: this,
      read: () => (this.broken ? null : this.asked(this.request)),
      moved: () => this.moved(),
      ask,
      show: (answer, request) => this.draw(answer, request),
    });
    this.wire();
  }

  get request() {
    return this.history.now;
  }

  /** Call `listener(request, source)` after every change; `source` is the id of the field that made it. */
  listen(listener) {
    this.listeners.push(listener);
  }

  /** Watch over a field; `drop` those of a path that is drawn anew. */
  add(field) {
    this.fields.set(field.id, field);
    field.fill(found(this.request, field.path));
    return field;
  }

  /** A new field at a path of the request, watched over. */
  field(spec, path, take = (...given) => this.take(...given)) {
    return this.add(new Field(spec, path, take));
  }

  drop(start) {
    for (const id of this.fields.keys()) if (id.startsWith(start)) this.fields.delete(id);
  }

  /** What a field says: the value at a path of the request. */
  take(path, value, unfinished = false, left = false) {
    const key = path.join(".");
    if (!same(found(this.request, path), value)) this.set(path, value, { key, source: key, unfinished });
    if (left) {
      this.typing = null;
      this.history.close();
      this.fields.get(key)?.fill(found(this.request, path));
      if (this.pause !== null || this.state.name === "refused") this.state.left();
    } else this.typing = key;
  }

  /**
   * Put another request in place of this one; one of the same key as the last is the same step of undoing.
   */
  put(request, { key = null, source = null, unfinished = false } = {}) {
    this.history.put(request, key);
    this.changed(source, unfinished ? null : this.pause);
  }

  /** Put a value at a path of the request; undefined takes what is there out. */
  set(path, value, options = {}) {
    this.put(replaced(this.request, path, value), options);
  }

  changed(source = null, pause = this.pause) {
    if (source !== "request") {
      this.text.value = JSON.stringify(this.request, null, 1);
      this.read("");
    }
    for (const field of this.fields.values()) field.fill(found(this.request, field.path), source);
    this.refresh(source);
    this.keepSoon();
    this.state.edited(pause);
  }

  refresh(source = null) {
    for (const listener of this.listeners) listener(this.request, source);
    at("start").value = this.example() ?? (same(this.request, this.fresh) ? "empty" : "");
    at("undo").disabled = !this.history.canUndo;
    at("redo").disabled = !this.history.canRedo;
  }

  step(way) {
    if (this.history.step(way)) this.changed(null, this.pause === null ? null : 0);
  }

  /** Show what is wrong with the JSON's text; the fields wait until it can be read. */
  read(problem) {
    this.broken = problem;
    if (problem) this.text.closest("details").open = true;
    at("request-error").hidden = !problem;
    at("request-error").textContent = problem;
    at("take-back").hidden = !problem;
    at("board").disabled = Boolean(problem);
    this.text.setAttribute("aria-invalid", String(Boolean(problem)));
  }

  typedText() {
    const problem = unreadable(this.text.value);
    this.read(problem);
    if (problem) {
      this.keepSoon();
      this.state.stop();
      this.state.move("refused", { problem: { status: 422, detail: problem } });
    } else this.put(JSON.parse(this.text.value), { key: "request", source: "request" });
  }

  isUnsaved() {
    return this.broken !== "" || (!same(this.request, this.saved) && !this.example());
  }

  /** The name of the example that the request is, if any. */
  example() {
    return Object.keys(this.examples).find((name) => same(this.examples[name], this.request));
  }

  /** Begin with another request; asks where something unsaved would go out of sight. */
  begin(request, ask = true) {
    if (
      ask &&
      this.isUnsaved() &&
      !window.confirm(gettext("Leave what is on the page? It stays among the kept ones of this browser."))
    )
      return false;
    this.keep();
    this.kept.fresh();
    this.saved = request;
    this.history.reset(request);
    this.changed(null, this.pause === null ? null : 0);
    return true;
  }

  /** Keep what stands here soon; the address says it at once, or a reload would not have it. */
  keepSoon() {
    clearTimeout(this.timer);
    this.kept.part();
    address.write(this.stateOf());
    this.timer = setTimeout(() => this.keep(), LATER);
  }

  keep() {
    clearTimeout(this.timer);
    if (this.isUnsaved())
      this.kept.save(this.name(), this.broken ? this.text.value : JSON.stringify(this.request));
    address.put(this.stateOf());
    this.tellKept();
  }

  name() {
    return this.request.design?.name || this.example() || "";
  }

  stateOf() {
    if (this.broken) return new Map([["kept", this.kept.id]]);
    const name = this.example();
    if (name) return new Map([["start", name]]);
    if (same(this.request, this.fresh)) return new Map();
    const compact = JSON.stringify(this.request);
    return new Map(compact.length <= LONGEST_STATE ? [["request", compact]] : [["kept", this.kept.id]]);
  }

  tellKept() {
    const isLong = this.stateOf().has("kept");
    at("kept").hidden = !this.kept.failed && !isLong;
    at("kept").textContent = this.kept.failed
      ? gettext("This browser keeps nothing more. Save to a file, or it is lost when the page is left.")
      : isLong
        ? gettext(
            "Kept in this browser alone: it is too large for an address. Save to a file to give it away.",
          )
        : "";
    const unnamed = gettext("without a name");
    const others = this.kept.list().filter((each) => each.id !== this.kept.id);
    at("recent").replaceChildren(
      element("option", { value: "" }, "–"),
      ...others.map((each) =>
        element(
          "option",
          { value: each.id },
          [each.name || unnamed, new Date(each.at).toLocaleString()].join(" · "),
        ),
      ),
    );
    at("recent").closest("label").hidden = at("recent").options.length < 2;
  }

  /** Take up what the address, or else this tab, says. */
  restore(state = address.read()) {
    const kept = state.has("kept") ? this.kept.load(state.get("kept")) : null;
    if (state.has("kept") && kept) this.kept.use(state.get("kept"));
    const text = kept?.text ?? state.get("request");
    const example = this.examples[state.get("start")];
    const problem = text === undefined ? "" : unreadable(text);
    const carried = state.has("carried") ? this.carried(state.get("carried")) : null;
    const request = text !== undefined && !problem ? JSON.parse(text) : (example ?? carried ?? this.fresh);
    // What is kept under this tab's name is another request: it stays there.
    const mine = kept ? null : this.kept.load();
    if (request === carried || (mine && mine.text !== JSON.stringify(request))) this.kept.fresh();
    this.saved = kept || request === carried ? null : request;
    this.history.reset(request);
    this.changed(null, this.pause === null ? null : 0);
    if (problem) {
      this.text.value = text;
      this.typedText();
    } else if (this.pause === null && text !== undefined) this.state.settle();
    if (state.has("kept") && !kept) this.say(gettext("What this address names is not kept in this browser."));
  }

  /** The request for the ball that another page carries along; null where it carries none. */
  carried(text) {
    const ball = unreadable(text) ? null : JSON.parse(text);
    return ball && this.carry ? this.carry(ball, this.fresh) : null;
  }

  say(words) {
    at("kept").hidden = false;
    at("kept").textContent = words;
  }

  draw(answer, request) {
    at("results").replaceChildren(...this.show(answer, request).filter(Boolean));
    calls.show(this.path, request, this.method);
  }

  moved() {
    at("ask")?.setAttribute("aria-busy", String(this.state.name === "waiting"));
  }

  /** Whether all of a refusal's errors are at the field that is being typed in. */
  isTyping(error) {
    const errors = error.problem?.errors ?? [];
    return (
      Boolean(this.typing) &&
      errors.length > 0 &&
      errors.every((each) => this.nearest(each.pointer)?.id === this.typing)
    );
  }

  /** Show a refusal's errors at their fields; gives all of them with their fields' inputs. */
  showErrors(errors) {
    const told = new Map();
    const left = errors.map((error) => {
      const field = this.nearest(error.pointer);
      if (field) told.set(field, [...(told.get(field) ?? []), error.detail]);
      return {
        ...error,
        input: field?.input ?? null,
        detail: field ? error.detail : `${error.pointer}: ${error.detail}`,
      };
    });
    for (const field of this.fields.values()) field.tell(told.get(field)?.join("; "));
    return left;
  }

  /** The field at a pointer, or else the nearest around it or below it. */
  nearest(pointer) {
    const names = pointer
      .slice(1)
      .split("/")
      .map((name) => name.replaceAll("~1", "/").replaceAll("~0", "~"));
    this.reach?.(names);
    for (let length = names.length; length > 1; length -= 1) {
      const id = names.slice(0, length).join(".");
      if (this.fields.has(id)) return this.fields.get(id);
      const below = [...this.fields.values()].find((field) => field.id.startsWith(`${id}.`));
      if (below) return below;
    }
    return null;
  }

  async open(file) {
    const text = await file.text();
    const problem = unreadable(text);
    if (problem) this.say(gettext("{name} cannot be opened: {problem}", { name: file.name, problem }));
    else if (this.begin(await this.unpack(JSON.parse(text)))) this.state.settle();
  }

  wire() {
    this.text.addEventListener("input", () => this.typedText());
    this.text.addEventListener("change", () => this.history.close());
    at("take-back").addEventListener("click", () => this.changed(null, 0));
    at("undo").addEventListener("click", () => this.step(-1));
    at("redo").addEventListener("click", () => this.step(1));
    at("save").addEventListener("click", async () => {
      const { request } = this;
      download(this.name(), `${JSON.stringify(await this.pack(request), null, 1)}\n`);
      this.saved = request;
    });
    at("open").addEventListener("change", ({ target }) => {
      if (target.files[0]) this.open(target.files[0]);
      target.value = "";
    });
    at("start").addEventListener("change", ({ target }) => {
      if (target.value) this.begin(this.examples[target.value] ?? this.fresh);
      this.refresh("choice");
    });
    at("recent").addEventListener("change", ({ target }) => this.takeUp(target.value));
    at("form").addEventListener("submit", (event) => {
      event.preventDefault();
      if (!this.broken) this.state.settle();
    });
    at("share").addEventListener("click", ({ target }) => {
      this.keep();
      if (this.stateOf().has("kept"))
        this.say(gettext("It is too large for an address. Save it to a file instead."));
      else copy(location.href, target);
    });
    document.addEventListener("keydown", (event) => {
      const way = { z: event.shiftKey ? 1 : -1, y: 1 }[event.key.toLowerCase()];
      if (!(event.ctrlKey || event.metaKey) || !way || this.broken) return;
      event.preventDefault();
      this.step(way);
    });
    document.addEventListener("units", () => {
      for (const field of this.fields.values()) field.fill(found(this.request, field.path));
      this.refresh();
      this.state.redraw();
    });
    address.changed((state) => this.restore(state));
    window.addEventListener("pagehide", () => this.keep());
  }

  takeUp(id) {
    if (!id) return;
    this.keep();
    this.restore(new Map([["kept", id]]));
  }
}

function unreadable(text) {
  try {
    const request = JSON.parse(text);
    const isObject = request !== null && typeof request === "object" && !Array.isArray(request);
    return isObject ? "" : gettext("The request must be an object.");
  } catch (error) {
    return gettext("This is not JSON: {problem}", { problem: error.message });
  }
}

/** A part of the page with a picture and words under it. */
export function figure(picture, words, kind = "whole") {
  return element("figure", { class: kind }, picture, element("figcaption", words));
}
