// The drawing of the section, to scale, in the direction of the run: where it enters is at the left. While a run is noted it is a slider by which to
// say where the vehicle stopped.

const HEIGHT = 132;
const RAILS = 76; // from the top, in pixels, as all that follows
const MARGIN = 14;
const BEFORE = 0.16; // of the section's length, is shown of the track before it
const VEHICLE_MM = 130; // about as long as a short railcar in H0, 1:87.1; invented, since no trial says it

const svg = (kind, attributes, ...inside) => {
  const e = document.createElementNS("http://www.w3.org/2000/svg", kind);
  for (const [name, value] of Object.entries(attributes)) e.setAttribute(name, value);
  e.append(...inside);
  return e;
};

export class Drawing {
  #box;
  #onPick;
  #shown = { section: null, against: false, view: null, stop: NaN, picks: false };
  #drawn = "";
  #moving = null; // the part of the drawing that the vehicle is

  // A Drawing draws in box, and tells onPick a place in mm past where the run enters, once one is picked.
  constructor(box, onPick) {
    this.#box = box;
    this.#onPick = onPick;
    new ResizeObserver(() => this.#draw()).observe(box);
    box.addEventListener("pointerdown", (event) => {
      if (!this.#shown.picks || !event.isPrimary) return;
      box.setPointerCapture(event.pointerId);
      this.#pick(this.#at(event.clientX));
    });
    box.addEventListener("pointermove", (event) => {
      if (box.hasPointerCapture(event.pointerId)) this.#pick(this.#at(event.clientX));
    });
    box.addEventListener("keydown", (event) => this.#key(event));
  }

  // show draws the section: view is where the vehicle is, or null; stop where it is said to have stopped, or NaN; picks says whether a
  // place can be picked.
  show(shown) {
    this.#shown = shown;
    this.#draw();
  }

  // by moves the place that is picked by so many mm.
  by(mm) {
    const from = Number.isNaN(this.#shown.stop) ? this.#shown.section.stop_mm : this.#shown.stop;
    this.#pick(Math.round(from) + mm);
  }

  get #end() {
    return Math.max(this.#shown.section.length_mm, this.#shown.section.room_mm);
  }

  #pick(mm) {
    this.#onPick(Math.min(Math.max(Math.round(mm), 1), this.#end));
  }

  #key(event) {
    if (!this.#shown.picks) return;
    const step = event.shiftKey ? 10 : 1;
    const by = { ArrowRight: step, ArrowUp: step, ArrowLeft: -step, ArrowDown: -step, PageUp: 100, PageDown: -100 }[event.key];
    if (by) this.by(by);
    else if (event.key === "Home") this.#pick(1);
    else if (event.key === "End") this.#pick(this.#end);
    else return;
    event.preventDefault();
  }

  get #scale() {
    const from = -BEFORE * this.#end;
    const to = this.#end * 1.05;
    return { from, to, pixels: (this.#box.clientWidth - 2 * MARGIN) / (to - from) };
  }

  // x is where a place is in the drawing, at what in the browser's window.
  #x(mm) {
    const { from, to, pixels } = this.#scale;
    return MARGIN + (Math.min(Math.max(mm, from), to) - from) * pixels;
  }

  #at(clientX) {
    const { from, pixels } = this.#scale;
    return from + (clientX - this.#box.getBoundingClientRect().left - MARGIN) / pixels;
  }

  #draw() {
    const { section, against, stop, picks } = this.#shown;
    if (!section || !this.#box.clientWidth) return;
    this.#describe();
    const now = JSON.stringify([section, against, stop, picks, this.#box.clientWidth]);
    if (now !== this.#drawn) {
      this.#drawn = now;
      this.#box.replaceChildren(this.#picture());
    }
    this.#place();
  }

  #picture() {
    const { section, against, stop, picks } = this.#shown;
    const width = this.#box.clientWidth;
    const x = (mm) => this.#x(mm);
    const line = (kind, x1, y1, x2, y2) => svg("line", { class: kind, x1, y1, x2, y2 });
    const label = (mm, y, words, kind = "") => {
      const near = Math.min(Math.max(x(mm), 42), width - 42);
      return svg("text", { class: kind, x: near, y, "text-anchor": "middle" }, words);
    };
    const parts = [
      svg("defs", {}, svg("pattern", { id: "hatch", width: 6, height: 6, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)" },
        svg("rect", { class: "hatch", width: 2, height: 6 }))),
      svg("rect", { class: "stretch", x: x(0), y: RAILS - 12, width: x(section.length_mm) - x(0), height: 24 }),
    ];
    if (!against) {
      const [low, high] = [x(section.stop_mm - section.within_mm), x(section.stop_mm + section.within_mm)];
      parts.push(
        svg("rect", { class: "target", x: low, y: RAILS - 18, width: Math.max(high - low, 3), height: 36 }),
        svg("rect", { x: low, y: RAILS - 18, width: Math.max(high - low, 3), height: 36, fill: "url(#hatch)" }),
        label(section.stop_mm, RAILS + 34, `${section.stop_mm} ± ${section.within_mm}`),
        line("post", x(section.room_mm), RAILS + 20, x(section.room_mm), RAILS - 34),
        svg("circle", { class: "signal", cx: x(section.room_mm), cy: RAILS - 38, r: 6 }),
        label(section.room_mm, RAILS + 50, `mark ${section.room_mm}`),
      );
    }
    parts.push(line("rail", 0, RAILS - 5, width, RAILS - 5), line("rail", 0, RAILS + 5, width, RAILS + 5));
    for (const gate of against ? [] : section.gates_mm) {
      if (gate > this.#scale.from) parts.push(line("gate", x(gate), RAILS - 16, x(gate), RAILS + 16));
    }
    parts.push(
      line("trigger", x(0), RAILS - 22, x(0), RAILS + 22),
      label(0, RAILS + 50, against ? "enters here" : "trigger 0"),
    );
    this.#moving = svg("path", { class: "vehicle" });
    parts.push(this.#moving);
    if (picks && !Number.isNaN(stop)) {
      const at = x(stop);
      parts.push(
        line("picked", at, 26, at, RAILS + 22),
        svg("path", { class: "picked", d: `M${at - 8} 18h16l-8 12z` }),
        label(stop, 13, `${stop} mm`, "strong"),
      );
    }
    return svg("svg", { width, height: HEIGHT, viewBox: `0 0 ${width} ${HEIGHT}`, "aria-hidden": "true", focusable: "false" }, ...parts);
  }

  // place puts the vehicle where it is, which changes many times a second.
  #place() {
    const { view, against, section } = this.#shown;
    if (!view) {
      this.#moving.setAttribute("d", "");
      return;
    }
    const past = Math.min(view.past_mm, this.#end * 1.05);
    const nose = this.#x(past);
    const length = Math.max(VEHICLE_MM * this.#scale.pixels, 20);
    this.#moving.setAttribute("d", `M${nose - length} ${RAILS - 10}h${length - 8}l8 10l-8 10h${8 - length}z`);
    this.#moving.classList.toggle("dark", !view.lights);
  }

  #describe() {
    const { section, against, stop, picks } = this.#shown;
    const box = this.#box;
    if (picks) {
      const known = !Number.isNaN(stop);
      const attributes = {
        role: "slider",
        tabindex: "0",
        "aria-label": "Where it stopped",
        "aria-valuemin": 1,
        "aria-valuemax": this.#end,
        "aria-valuenow": known ? Math.min(Math.max(stop, 1), this.#end) : 1,
        "aria-valuetext": known ? `${stop} mm past the trigger` : "not said yet",
      };
      for (const [name, value] of Object.entries(attributes)) box.setAttribute(name, value);
      return;
    }
    for (const name of ["aria-valuemin", "aria-valuemax", "aria-valuenow", "aria-valuetext", "tabindex"]) box.removeAttribute(name);
    box.setAttribute("role", "img");
    box.setAttribute("aria-label", against
      ? `The section of ${section.length_mm} mm, entered from its far end`
      : `The section of ${section.length_mm} mm: stop wanted ${section.stop_mm} mm past the trigger, within ${section.within_mm} mm; ` +
        `the mark not to be passed is at ${section.room_mm} mm`);
  }
}
