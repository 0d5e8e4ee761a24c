// The few ways in which the page is changed. All words go in as text: what comes from a file is never taken for HTML.

export const by = (id) => document.getElementById(id);

// What can't be seen, or turns the order of other characters: controls, marks of direction, and what has no width. What joins letters, or
// keeps them apart, in words of some languages is left.
const UNSEEN = /(?![\u200c\u200d])[\p{Cc}\p{Cf}\p{Zl}\p{Zp}]/gu;

// legible is a text with what can't be seen in it written out: "[U+202E]". A line break is a space.
export const legible = (words) =>
  words.replaceAll("\n", " ").replace(UNSEEN, (c) => `[U+${c.codePointAt(0).toString(16).toUpperCase().padStart(4, "0")}]`);

export function say(element, words) {
  words = legible(words);
  if (element.textContent !== words) element.textContent = words;
}

export function show(element, visible) {
  if (element.hidden === visible) element.hidden = !visible;
}

// make is an element of that kind, with these properties, and with elements or text inside.
export function make(kind, properties = {}, ...inside) {
  const e = Object.assign(document.createElement(kind), properties);
  e.append(...inside.map((i) => (typeof i === "string" ? legible(i) : i)));
  return e;
}

const filled = new WeakMap();

// fill fills a list or the body of a table with what each item makes, and leaves it alone while the items are the same: what has the focus
// keeps it, and what is being pressed stays.
export function fill(element, items, each) {
  const now = JSON.stringify(items);
  if (filled.get(element) === now) return;
  filled.set(element, now);
  element.replaceChildren(...items.map(each));
}

// row is a row of a table, its first cell the row's heading. A number, or a string of figures, is aligned as a number.
export function row(first, ...others) {
  const cell = (kind, what) => {
    const words = what === null || what === undefined ? "–" : String(what);
    const e = make(kind, { className: /^[\d.,@–-]+$/.test(words) ? "number" : "" });
    e.append(make("bdi", {}, words));
    return e;
  };
  const head = cell("th", first);
  head.scope = "row";
  return make("tr", {}, head, ...others.map((o) => cell("td", o)));
}

// plural is "1 run" or "3 runs".
export const plural = (n, what) => `${n} ${what}${n === 1 ? "" : "s"}`;
