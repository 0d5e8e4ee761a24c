// The bench on the page. A state from the bench is the whole of what there is to be seen, and every one is shown from scratch; what does not
// change in it is left alone. index.html has all the parts.

import { by, fill, make, plural, row, say, show } from "./dom.js";
import { Link } from "./link.js";
import { thisBrowser } from "./memory.js";
import { TrialView } from "./trial.js";

const ARMING_MS = 500; // what moves something can't be pressed sooner after it has appeared: a double tap on what was there before is not meant
const ASKED_MS = 5000; // for so long a button that has to be pressed twice remembers the first time
const STOPPED_MS = 10000; // for so long the bar says that the track is off, if it does not come on again before
const SAID_MS = 15000;

const TRACKS = { off: "Track off", programming: "Programming track on", main: "Track on", unknown: "Track not known" };
const PHASES = { planned: "Planned", writing: "Writing", proven: "Proven", not_proven: "Not proven", stopped: "Stopped half-way" };
const TYPED = "\n"; // the value of the choice that is no file: no name of a file of sets has a line break in it

let state = null;
let armedAt = 0; // from when on what moves something can be pressed
let step = ""; // of the trial, that was shown last
let stop = ""; // what became of the stop that was asked last: asked, heard, "" a while later
let stopTimer = 0;
let parked = null; // what had the focus and was switched off

// The emergency stop comes first: it works whatever becomes of the rest of this file.

const bar = by("stop");

function halt() {
  link.stop(); // nothing comes before it
  stop = "asked";
  clearTimeout(stopTimer);
  showStop();
}

bar.addEventListener("pointerdown", (event) => {
  halt();
  event.preventDefault(); // the focus stays where it is
});
bar.addEventListener("click", (event) => {
  if (event.detail === 0) halt(); // pressed by a key or a screen reader: no pointer went down
});
const inField = (e) => e.matches?.("input, textarea, select");
document.addEventListener("keydown", (event) => {
  if (event.isComposing || event.ctrlKey || event.altKey || event.metaKey || inField(event.target)) return;
  if (event.key !== "Escape" && event.key !== " ") return;
  halt();
  event.preventDefault(); // Space presses no button: it might be one that moves something
}, { capture: true });
document.addEventListener("keyup", (event) => {
  if (event.key === " " && !inField(event.target)) event.preventDefault();
}, { capture: true });
document.addEventListener("keydown", (event) => {
  if (event.repeat && event.key === "Enter") event.preventDefault(); // a key that is held presses once
});

const link = new Link({
  state(next) {
    if (stop === "heard" && state?.track === "off" && next.track !== "off") stop = ""; // it is on again: that stop is over
    state = next;
    showAll();
  },
  found: showAll,
  lost: showAll,
  stopped() {
    stop = "heard";
    clearTimeout(stopTimer);
    stopTimer = setTimeout(() => {
      if (state?.track === "off") stop = "";
      showStop();
    }, STOPPED_MS);
    showStop();
  },
});

// ask sends an order, and says why where it is refused.
async function ask(order) {
  tell("");
  const answer = await link.ask(order);
  if (answer.refused && order.do !== "note") tell(answer.refused);
  return answer;
}

let saidTimer = 0;

function tell(words) {
  clearTimeout(saidTimer);
  say(by("said"), words);
  show(by("said"), words !== "");
  if (words) saidTimer = setTimeout(() => tell(""), SAID_MS);
}

// twice makes a button ask once more before it does what it says.
function twice(button, question, act) {
  const words = button.textContent;
  let asked = 0;
  const calm = () => {
    asked = 0;
    button.textContent = words;
  };
  button.addEventListener("click", () => {
    if (!asked) {
      asked = Date.now();
      button.textContent = question;
      setTimeout(calm, ASKED_MS);
    } else if (Date.now() - asked > ARMING_MS) {
      calm();
      act();
    }
  });
}

const trials = new TrialView(ask);

by("seat-take").addEventListener("click", () => ask({ do: "take_seat" }));
by("seat-leave").addEventListener("click", () => ask({ do: "leave_seat" }));
by("identify").addEventListener("click", () => ask({ do: "identify" }));
by("read-form").addEventListener("submit", (event) => {
  event.preventDefault();
  ask({ do: "read", registers: by("registers").value });
});
by("plan-form").addEventListener("submit", (event) => {
  event.preventDefault();
  const file = by("set-file").value;
  ask(file === TYPED ? { do: "plan", text: by("set-text").value } : { do: "plan", file });
});
by("apply").addEventListener("click", () => ask({ do: "apply" }));
by("resume").addEventListener("click", () => ask({ do: "resume" }));
twice(by("undo-batch"), "Press again to put it back", () => ask({ do: "undo_batch" }));
twice(by("undo-run"), "Press again: the run before does not count", () => trials.undo());

// What is typed is kept, so that a page that is opened again has it.
for (const id of ["registers", "set-text"]) {
  by(id).value = thisBrowser.recall(id, "");
  by(id).addEventListener("input", () => thisBrowser.remember(id, by(id).value));
}
by("set-file").addEventListener("change", () => {
  thisBrowser.remember("set-file", by("set-file").value);
  showSets();
});

window.addEventListener("hashchange", showPart);
setInterval(showLost, 500);
showAll();
showPart();

// showPart shows the part of the work that the address names.
function showPart() {
  const parts = ["decoder", "set", "trial"];
  const named = location.hash.slice(1);
  const part = parts.includes(named) ? named : "decoder";
  for (const p of parts) {
    show(by("part-" + p), p === part);
    if (p === part) by("to-" + p).setAttribute("aria-current", "page");
    else by("to-" + p).removeAttribute("aria-current");
  }
  if (parts.includes(named)) by(part === "trial" && state?.trial ? "trial-title" : part + "-head").focus({ preventScroll: true });
  window.scrollTo(0, 0);
}

function showAll() {
  showLost();
  showStop();
  if (!state) return;
  if (!location.hash && state.trial) location.replace("#trial");
  showBench();
  showDecoder();
  showSets();
  showBatch();
  trials.show(state);
  if (trials.step !== step) {
    step = trials.step;
    armedAt = Date.now() + ARMING_MS;
    if (leads()) trials.top.scrollIntoView({ block: trials.top === trials.next ? "nearest" : "start" });
    setTimeout(goOn, ARMING_MS + 20);
  }
  showDrives();
}

// leads says whether the page may go to the next thing to do in a trial: not while something is being typed, nor from the stop.
function leads() {
  const at = document.activeElement;
  const typing = inField(at) && at.checkVisibility();
  return step !== "" && state.seat === "mine" && !by("part-trial").hidden && !typing && at !== bar;
}

// goOn moves the focus to the next thing to do, once it can be pressed. What is to be seen was brought up before: nothing moves any more by then.
function goOn() {
  showDrives();
  if (leads()) trials.next.focus({ preventScroll: true });
}

function showLost() {
  show(by("lost"), !link.open);
  say(by("lost-for"), link.open ? "" : `No link for ${Math.round(link.silentMS / 1000)} s`);
  if (link.open) return;
  let words = "No link to the bench; the page goes on trying.";
  if (state?.seat === "mine") {
    words += ` The track goes off by itself once this page has been silent for ${state.silence_ms / 1000} s. What moves still after that: cut the track’s power by hand.`;
  }
  if (link.owes("note")) words += " The run that was typed is kept, and is sent again.";
  say(by("lost-words"), words);
}

function showStop() {
  const track = link.open && state ? state.track : "unknown";
  let words = "Emergency stop";
  if (stop === "asked") words = link.open ? "Stop asked" : "No link: cut the power by hand";
  if (stop === "heard") words = track === "off" ? "Stopped: the track is off" : "Stop heard: the track is not off yet";
  say(by("stop-words"), words);
  say(by("stop-live"), stop ? words : "");
  say(by("stop-state"), TRACKS[track].toLowerCase());
  bar.dataset.stop = stop;
  say(by("track-words"), TRACKS[track]);
  by("track").dataset.track = track;
}

function showBench() {
  say(by("station"), state.station);
  const seat = { mine: "", taken: "Another window drives. This one watches, and can stop.", free: "Nobody drives." }[state.seat];
  show(by("seat"), seat !== "");
  say(by("seat-words"), seat);
  show(by("seat-take"), state.seat === "free");
  show(by("seat-leave"), state.seat === "mine");
  say(by("watching"), `${plural(state.watching, "window")} open.`);
  say(by("version"), `Fettle ${state.version}`);

  show(by("work"), state.doing !== "");
  say(by("work-words"), state.doing);
  if (state.of > 0) {
    by("work-bar").max = state.of;
    by("work-bar").value = state.done;
  } else {
    by("work-bar").removeAttribute("value");
  }
  say(by("work-left"), state.of > 0 ? `${state.done} of ${state.of}` : "");
  show(by("trouble"), state.trouble !== "");
  say(by("trouble-words"), state.trouble);
}

function showDecoder() {
  const facts = (state.identity ?? []).flatMap((f) => [["dt", f.label], ["dd", f.words]]);
  fill(by("identity"), facts, ([kind, words]) => make(kind, {}, make("bdi", {}, words)));
  show(by("identity"), facts.length > 0);
  const readings = state.readings ?? [];
  show(by("readings"), readings.length > 0);
  fill(by("readings").querySelector("tbody"), readings, (r) => {
    const words = r.state === "proven" ? r.words : r.words || r.state;
    return row(r.register, r.value, words);
  });
}

function showSets() {
  const chosen = by("set-file").value || thisBrowser.recall("set-file", "");
  const choices = [...(state?.sets ?? []), TYPED];
  fill(by("set-file"), choices, (value) => make("option", { value }, value === TYPED ? "typed or pasted here" : value));
  if (choices.includes(chosen)) by("set-file").value = chosen;
  show(by("set-typed"), by("set-file").value === TYPED);
}

function showBatch() {
  const b = state.batch;
  show(by("batch"), Boolean(b));
  if (!b) return;
  say(by("batch-title"), b.title);
  say(by("batch-phase"), PHASES[b.phase] ?? b.phase);
  say(by("batch-summary"), b.summary);
  show(by("apply"), b.phase === "planned");
  show(by("resume"), b.phase === "stopped");
  show(by("undo-batch"), b.journal !== "" && ["proven", "not_proven", "stopped"].includes(b.phase));
  fill(by("batch-rows"), b.rows ?? [], (r) => {
    const tr = row(r.register, r.before, r.wanted, r.after, r.words);
    tr.dataset.state = r.state;
    return tr;
  });
  say(by("batch-journal"), b.journal ? `Journal: ${b.journal}` : "");
}

// showDrives switches on what can be pressed: only in the window that drives, with a link, and while the bench is not at other work.
function showDrives() {
  const mine = state?.seat === "mine";
  const armed = Date.now() >= armedAt;
  const idle = state?.doing === "";
  const working = new Set(["identify", "read", "plan", "apply", "resume", "undo-batch"]); // on the programming track, one after the other
  for (const e of document.querySelectorAll("[data-drives]")) {
    let on = mine && link.open;
    if (working.has(e.id) && (!idle || state.track === "main")) on = false;
    if ("moves" in e.dataset && !armed) on = false;
    enable(e, on);
  }
  for (const e of document.querySelectorAll("[data-types]")) enable(e, mine);
  enable(by("seat-take"), link.open);
  enable(by("seat-leave"), link.open);
}

// enable switches a control on or off. One that had the focus gets it back with its next turn, if nothing else has it.
function enable(e, on) {
  if (e.disabled === !on) return;
  if (!on && e === document.activeElement) parked = e;
  e.disabled = !on;
  if (on && e === parked) {
    parked = null;
    if (document.activeElement === document.body && e.checkVisibility()) e.focus({ preventScroll: true });
  }
}
