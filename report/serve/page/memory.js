// What the page remembers, in the browser's own storage: a browser that allows none remembers nothing, and all else works.

// Memory is one of the two storages: "localStorage", which outlives the page, or "sessionStorage", which is this window's.
export class Memory {
  #kind;

  constructor(kind) {
    this.#kind = kind;
  }

  // recall gives what was remembered under that name, or otherwise.
  recall(name, otherwise) {
    try {
      const text = window[this.#kind].getItem("fettle " + name);
      return text === null ? otherwise : JSON.parse(text);
    } catch {
      return otherwise;
    }
  }

  remember(name, what) {
    try {
      window[this.#kind].setItem("fettle " + name, JSON.stringify(what));
    } catch {
      // no storage, or a full one
    }
  }

  forget(name) {
    try {
      window[this.#kind].removeItem("fettle " + name);
    } catch {
      // no storage
    }
  }
}

export const thisWindow = new Memory("sessionStorage");
export const thisBrowser = new Memory("localStorage");
