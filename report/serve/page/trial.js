// A trial on the page: the run at hand in its phase, where it stopped, and what the runs show so far.

import { by, fill, make, plural, row, say, show } from "./dom.js";
import { thisBrowser } from "./memory.js";
import { Drawing } from "./section.js";

const OUTCOMES = { stopped: "stopped", overran: "overran", slowed: "slowed down and ran on", ignored: "ran on as if there were no section" };
const PHASES = { agree: "agreeing", place: "placing", moving: "moving", note: "noting", done: "finished", alone: "alone" };

const TRIGGER = "past the trigger";
const FAR_END = "past the far end, where it entered";

// inMM is the number that was typed, with a comma or a point; NaN where it is none.
function inMM(text) {
  text = text.trim().replace(",", ".");
  return /^\d{1,6}(\.\d{0,3})?$|^\.\d{1,3}$/.test(text) ? Number(text) : NaN;
}

export class TrialView {
  #ask;
  #trial = null;
  #mine = false; // this window drives
  #draft = null; // what is typed of the run that is noted: {of, stop, took, note}
  #field = by("stop-mm"); // the one that the number keys go to
  #sent = false; // what was typed is on its way
  #drawing = new Drawing(by("section"), (mm) => this.#type({ stop: String(mm) }));
  #plot = "";

  // ask(order) sends an order and gives its answer.
  constructor(ask) {
    this.#ask = ask;
    for (const e of document.querySelectorAll("[data-outcome]")) {
      e.addEventListener("click", () => ask({ do: "outcome", run: this.#run, outcome: e.dataset.outcome }));
    }
    by("agree").addEventListener("click", () => ask({ do: "agree" }));
    by("drive").addEventListener("click", () => ask({ do: "drive", run: this.#run }));
    by("mark").addEventListener("click", () => ask({ do: "pass_mark", run: this.#run }));
    by("close-trial").addEventListener("click", () => ask({ do: "close_trial" }));
    this.#listenToPad();
    by("noting").addEventListener("submit", (event) => {
      event.preventDefault();
      this.#save(false);
    });
    by("keep").addEventListener("click", () => this.#save(true));
  }

  get #run() {
    return this.#trial?.run?.number ?? 0;
  }

  // undo asks that the run before does not count.
  undo() {
    return this.#ask({ do: "undo_run", run: this.#run });
  }

  // step says which run it is and how far it has come: another one is another thing to do.
  get step() {
    const t = this.#trial;
    return t ? `${t.file} ${t.phase} ${this.#run}` : "";
  }

  // next is the element with which to go on.
  get next() {
    const t = this.#trial;
    if (!t) return by("trial-head");
    const first = document.querySelector("[data-outcome]");
    return {
      agree: by("agree"),
      place: by("drive"),
      moving: t.of_speed ? by("mark") : first,
      note: t.run?.outcome === "stopped" ? by("stop-mm") : by("save"),
    }[t.phase] ?? by("run-head");
  }

  // top is the element that is to be seen at the top while next is used: the drawing, where it is of use.
  get top() {
    return ["moving", "note"].includes(this.#trial?.phase) && !by("drawing").hidden ? by("drawing") : this.next;
  }

  // show shows a State's trials and the one that is open.
  show(state) {
    const t = state.trial;
    this.#trial = t;
    this.#mine = state.seat === "mine";
    show(by("trial-choice"), !t);
    show(by("running"), Boolean(t));
    fill(by("trials"), state.trials, (file) => {
      const open = make("button", { type: "button" }, make("bdi", {}, file));
      open.dataset.drives = "";
      open.addEventListener("click", () => this.#ask({ do: "open_trial", file }));
      return make("li", {}, open);
    });
    show(by("trials-none"), state.trials.length === 0);
    if (t) this.#showTrial(t);
  }

  #showTrial(t) {
    by("running").dataset.phase = t.phase;
    say(by("trial-title"), t.title);
    say(by("trial-vehicle"), t.vehicle);
    say(by("trial-made"), `${t.made} of ${plural(t.of, "run")} made`);
    const head = { done: "All runs are made", agree: "Before anything moves", alone: "The bench is at work" };
    say(by("run-head"), head[t.phase] ?? (t.run ? `Run ${t.run.number} of ${t.of}` : ""));
    say(by("run-words"), t.run && t.phase !== "agree" ? t.run.words : "");
    for (const [phase, id] of Object.entries(PHASES)) show(by(id), t.phase === phase);

    say(by("moves"), t.moves);
    say(by("place-words"), t.view
      ? "The track is off. The bench puts the vehicle down before the section."
      : "The track is off. Put the vehicle down at rest, at least 1 m before the section.");
    say(by("moving-words"), t.of_speed
      ? "It moves. Press as it passes the mark, and again a lap later."
      : "It moves. Say what became of it once it is over: the track goes off then.");
    show(by("outcomes"), !t.of_speed);
    show(by("mark"), t.of_speed);

    this.#showNoting(t);
    this.#showDrawing(t);
    this.#showSoFar(t);
    show(by("close-trial"), t.phase !== "moving");
    show(by("undo-run"), t.made > 0 && ["place", "note", "done"].includes(t.phase));
  }

  #showNoting(t) {
    if (t.phase !== "note" || !t.run) {
      this.#draft = null;
      if (t.run) thisBrowser.forget("run"); // what was typed of a run that is made anew says nothing of it
      return;
    }
    const of = `${t.file} ${t.run.number}`;
    if (this.#draft?.of !== of) {
      const kept = thisBrowser.recall("run", null);
      const seen = { of, stop: t.run.stop_mm ? String(t.run.stop_mm) : "", took: t.run.stop_s ? String(t.run.stop_s) : "", note: t.run.note ?? "" };
      this.#draft = kept?.of === of ? kept : seen;
      this.#sent = false;
      this.#wrong("");
      this.#doubt([]);
      by("stop-mm").value = this.#draft.stop;
      by("stop-s").value = this.#draft.took;
      by("note").value = this.#draft.note;
    }
    say(by("noted-outcome"), OUTCOMES[t.run.outcome] ?? "is over");
    say(document.querySelector("label[for=stop-mm]"), "Stopped, mm " + (t.run.way === "against" ? FAR_END : TRIGGER));
    show(by("where"), t.run.outcome === "stopped");
  }

  #showDrawing(t) {
    show(by("drawing"), !t.of_speed && t.section.length_mm > 0 && t.phase !== "done");
    if (t.of_speed) return;
    const picks = this.#mine && t.phase === "note" && t.run?.outcome === "stopped";
    const against = t.run?.way === "against";
    const stop = this.#draft ? inMM(this.#draft.stop) : NaN;
    this.#drawing.show({ section: t.section, against, view: t.view, stop, picks });
    let words = "";
    if (t.view) {
      const past = Math.round(t.view.past_mm);
      const place = past < 0 ? `${-past} mm before ${against ? "the far end" : "the trigger"}` : `${past} mm past ${against ? "the far end" : "the trigger"}`;
      words = `Simulated: leading end ${place}, ${Math.round(t.view.speed_mm_s)} mm/s, lights ${t.view.lights ? "on" : "off"}.`;
    }
    if (picks) words = "Tap where its leading end stands, or use the keys.";
    say(by("section-words"), words);
  }

  #showSoFar(t) {
    show(by("verdict"), Boolean(t.verdict));
    if (t.verdict) {
      by("verdict-box").className = "verdict " + t.verdict.word;
      const end = t.verdict.sentence.indexOf(": ") + 1; // "Unfit: it overran …"
      say(by("verdict-word"), t.verdict.sentence.slice(0, end));
      say(by("verdict-sentence"), t.verdict.sentence.slice(end).trim());
      const others = (t.verdict.reasons ?? []).filter((r) => !t.verdict.sentence.includes(r));
      fill(by("verdict-reasons"), others, (words) => make("li", {}, words));
    }
    show(by("book-doubts"), t.doubts?.length > 0);
    fill(by("book-doubts").querySelector("ul"), t.doubts ?? [], (words) => make("li", {}, words));
    show(by("runs"), t.runs?.length > 0);
    fill(by("runs").querySelector("tbody"), (t.runs ?? []).toReversed(), (r) =>
      row(r.number, `${r.lead}, ${r.way}`, r.speed_mm_s ? Math.round(r.speed_mm_s) : null, r.outcome || null, r.stop_mm ? Math.round(r.stop_mm) : null));
    this.#showPlot(t);
  }

  // showPlot puts the picture in place of the one before only once it is there, so that nothing jumps.
  #showPlot(t) {
    const key = t.plot + " " + t.plot_alt;
    if (key === this.#plot) return;
    this.#plot = key;
    if (!t.plot) {
      show(by("plot"), false);
      return;
    }
    const picture = make("picture", {},
      make("source", { media: "(max-width: 43rem)", srcset: t.plot + "?narrow" }),
      make("img", { src: t.plot, alt: t.plot_alt }));
    const put = () => {
      if (key !== this.#plot) return;
      by("plot").replaceChildren(picture);
      show(by("plot"), true);
    };
    picture.lastChild.addEventListener("load", put, { once: true });
    picture.lastChild.addEventListener("error", () => {
      if (key === this.#plot) this.#plot = ""; // the link is gone: the next state asks again
    }, { once: true });
  }

  #listenToPad() {
    const pad = by("pad");
    for (const key of ["1", "2", "3", "4", "5", "6", "7", "8", "9", ".", "0", "⌫"]) {
      const e = make("button", { type: "button" }, key);
      e.dataset.types = "";
      if (key === "⌫") e.setAttribute("aria-label", "Delete a figure");
      if (key === ".") e.setAttribute("aria-label", "Point");
      e.addEventListener("click", () => this.#press(key));
      pad.append(e);
    }
    for (const e of document.querySelectorAll("#pad button, .nudges button")) {
      e.addEventListener("pointerdown", (event) => event.preventDefault()); // the field keeps the focus, and its selection
    }
    for (const e of document.querySelectorAll("[data-by]")) {
      e.addEventListener("click", () => this.#drawing.by(Number(e.dataset.by)));
    }
    for (const id of ["stop-mm", "stop-s"]) {
      by(id).addEventListener("focus", () => {
        this.#field = by(id);
        this.#field.select();
      });
    }
    for (const [id, name] of [["stop-mm", "stop"], ["stop-s", "took"], ["note", "note"]]) {
      by(id).addEventListener("input", () => this.#type({ [name]: by(id).value }));
    }
  }

  #press(key) {
    const f = this.#field;
    let [from, to] = [f.selectionStart, f.selectionEnd];
    if (key === "⌫") {
      if (from === to) from = Math.max(from - 1, 0);
      f.setRangeText("", from, to, "end");
    } else if (f.value.length - (to - from) < f.maxLength) {
      f.setRangeText(key, from, to, "end");
    }
    f.dispatchEvent(new Event("input"));
  }

  // type takes what is typed or picked, and keeps it until the bench has it.
  #type(changed) {
    if (!this.#draft) return;
    Object.assign(this.#draft, changed);
    thisBrowser.remember("run", this.#draft);
    const e = by("stop-mm");
    if (e.value !== this.#draft.stop) e.value = this.#draft.stop;
    this.#wrong("");
    this.#doubt([]);
    if (this.#trial) this.#showDrawing(this.#trial);
  }

  async #save(sure) {
    if (!this.#draft || this.#sent) return;
    const order = { do: "note", run: this.#run, note: this.#draft.note.trim(), sure };
    if (this.#trial.run.outcome === "stopped") {
      order.stop_mm = inMM(this.#draft.stop);
      order.stop_s = this.#draft.took.trim() === "" ? 0 : inMM(this.#draft.took);
      if (!(order.stop_mm > 0)) return this.#wrong("Say where it stopped: a number of mm above 0, such as 1400.", by("stop-mm"));
      if (Number.isNaN(order.stop_s)) return this.#wrong("Say how long it took in seconds, such as 9.4, or leave it empty.", by("stop-s"));
    }
    const of = this.#draft.of;
    this.#sent = true;
    const answer = await this.#ask(order);
    if (this.#draft?.of === of) this.#sent = false;
    if (answer.refused) return this.#wrong(answer.refused);
    if (answer.doubts?.length) return this.#doubt(answer.doubts);
    if (thisBrowser.recall("run", null)?.of === of) thisBrowser.forget("run");
  }

  #wrong(words, field) {
    say(by("wrong"), words);
    for (const id of ["stop-mm", "stop-s"]) by(id).setAttribute("aria-invalid", String(field === by(id)));
    field?.focus();
  }

  #doubt(words) {
    fill(by("doubts").querySelector("ul"), words, (w) => make("li", {}, w));
    show(by("doubts"), words.length > 0);
    if (words.length > 0) by("keep").scrollIntoView({ block: "nearest" });
  }
}
