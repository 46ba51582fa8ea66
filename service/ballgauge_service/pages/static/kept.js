// Requests that this browser keeps, each under a name of its own, and files of them.

import { element } from "./elements.js";
import { ofBrowser, ofTab } from "./store.js";

const COUNT = 30;

/** What is kept of one kind, such as "design". A tab goes on with the one it began. */
export class Kept {
  constructor(kind) {
    this.kind = kind;
    this.failed = false;
    this.use(ofTab.read(this.key("")) ?? newId());
  }

  key(id) {
    return `ballgauge.${this.kind}.${id}`;
  }

  /** Begin another; gives its id. */
  fresh() {
    return this.use(newId());
  }

  use(id) {
    this.id = id;
    this.last = this.load()?.text;
    ofTab.write(this.key(""), id);
    return id;
  }

  /** Where another tab has gone on with what this one began, its text stays, and this one gets a new name. */
  part() {
    const there = this.load();
    if (there && there.text !== this.last) this.fresh();
  }

  /** Keep a text; false where this browser does not. */
  save(name, text) {
    this.part();
    const entry = JSON.stringify({ at: Date.now(), name, text });
    this.failed = !ofBrowser.write(this.key(this.id), entry);
    if (!this.failed) this.last = text;
    return !this.failed;
  }

  /** The entry of an id, null where there is none. */
  load(id = this.id) {
    return ofBrowser.parsed(this.key(id));
  }

  forget(id) {
    ofBrowser.forget(this.key(id));
  }

  /** Every entry, newest first. */
  list() {
    return ofBrowser
      .names(this.key(""))
      .map((id) => ({ id, ...this.load(id) }))
      .filter((each) => each.text)
      .sort((a, b) => b.at - a.at)
      .slice(0, COUNT);
  }
}

const newId = () => Date.now().toString(36) + Math.random().toString(36).slice(2, 6);

/** A name as files have it. */
export const fileName = (name) =>
  name.replaceAll(/[^\p{L}\p{N}]+/gu, "-").replaceAll(/^-|-$/g, "") || "ballgauge";

/** Give a text to the person as a file. */
export function download(name, text) {
  const link = element("a", { href: URL.createObjectURL(new Blob([text], { type: "application/json" })) });
  link.download = `${fileName(name)}.json`;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 10000);
}
