// The texts that a browser keeps, of this tab or of all its tabs; one that keeps nothing is no error.

class Store {
  constructor(area) {
    this.area = area; // a browser may refuse the very name of it
  }

  /** The text of a name, null where there is none. */
  read(name) {
    return this.tried(() => this.area().getItem(name)) ?? null;
  }

  /** What was kept as JSON, null where there is none or it is none. */
  parsed(name) {
    return this.tried(() => JSON.parse(this.area().getItem(name))) ?? null;
  }

  /** Keep a text; false where this browser does not. */
  write(name, text) {
    return this.tried(() => this.area().setItem(name, text) ?? true) === true;
  }

  forget(name) {
    return this.tried(() => this.area().removeItem(name) ?? true) === true;
  }

  /** What comes after `start` in each name that begins with it. */
  names(start) {
    const all = this.tried(() => Object.keys(this.area())) ?? [];
    return all.filter((name) => name.startsWith(start)).map((name) => name.slice(start.length));
  }

  tried(work) {
    try {
      return work();
    } catch {
      return undefined;
    }
  }
}

export const ofTab = new Store(() => sessionStorage);
export const ofBrowser = new Store(() => localStorage);
