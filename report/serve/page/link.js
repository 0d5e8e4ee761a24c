// The connection to the bench. What goes over it is in protocol.go: orders to the bench, events from it.
//
// While it is gone the link tries to come back, at once and then each second. What was asked and not answered is then settled: an emergency stop
// goes out before anything else; what only carries what was typed goes out again, under its old number, so that the bench does it once;
// everything else is given up, since what moves something must never do so late.

import { thisWindow } from "./memory.js";

const REPLACED = 4001; // the bench closes a connection so when another window has come with the same id: this page was copied
const AGAIN_MS = 1000;
const OPENING_MS = 4000;
const GRACE_MS = 2000; // on top of two beats: so long without a word is a lost link

export class Link {
  #socket = null;
  #opened = 0; // when the attempt began that is going on
  #open = false;
  #heard = Date.now(); // the last word from the bench
  #everyMS = 1000;
  #beat = 0;
  #retry = 0;
  #window = thisWindow.recall("window", "");
  #last = thisWindow.recall("order", 0); // the highest number of an order
  #waiting = new Map(); // number of an order that is not answered: {order, settle}
  #stopOwed = false;
  #on;

  // on has what is called: state(state) with all there is to be seen, lost() when the link goes, found() when it is back, and
  // stopped() when the bench has answered an emergency stop.
  constructor(on) {
    this.#on = on;
    if (!/^[0-9a-f]{32}$/.test(this.#window)) this.#rename();
    this.#setBeat(1000);
    window.addEventListener("online", () => this.#soon());
    document.addEventListener("visibilitychange", () => document.hidden || this.#soon());
    this.#connect();
  }

  get open() {
    return this.#open;
  }

  // silentMS is how long ago the bench was heard.
  get silentMS() {
    return Date.now() - this.#heard;
  }

  // stop sends an emergency stop, now, before anything else is done. It says whether it could go out; if not, it does when the link is back.
  stop() {
    const id = ++this.#last;
    if (this.#open) {
      this.#socket.send(`{"id":${id},"do":"stop"}`);
      this.#waiting.set(id, { order: { id, do: "stop" }, settle: () => {} });
    }
    this.#stopOwed = true;
    thisWindow.remember("order", this.#last);
    return this.#open;
  }

  // ask sends an order and gives what became of it: the bench's answer, or {refused} where the link was gone before one came.
  ask(order) {
    if (!this.#open) return Promise.resolve({ refused: "Not sent: there is no link to the bench." });
    order = { id: ++this.#last, ...order };
    thisWindow.remember("order", this.#last);
    return new Promise((settle) => {
      this.#waiting.set(order.id, { order, settle });
      this.#socket.send(JSON.stringify(order));
    });
  }

  // owes says whether an order of that kind is not answered.
  owes(kind) {
    return [...this.#waiting.values()].some((w) => w.order.do === kind);
  }

  #connect() {
    clearTimeout(this.#retry);
    const url = new URL("live", location.href);
    url.protocol = url.protocol.replace("http", "ws");
    url.search = "?window=" + this.#window;
    url.hash = "";
    const socket = new WebSocket(url);
    this.#socket = socket;
    this.#opened = Date.now();
    socket.onopen = () => {
      this.#open = true;
      this.#heard = Date.now();
      const typed = [...this.#waiting.values()];
      if (this.#stopOwed) this.stop();
      for (const { order } of typed) socket.send(JSON.stringify(order));
      this.#on.found();
    };
    socket.onmessage = (event) => this.#hear(event.data);
    socket.onclose = (event) => {
      if (event.code === REPLACED) {
        this.#waiting.clear();
        this.#rename();
      }
      this.#drop();
    };
  }

  #hear(data) {
    this.#heard = Date.now();
    const { answer, state } = JSON.parse(data);
    if (state) {
      this.#setBeat(Math.max(state.silence_ms / 4, 100));
      this.#on.state(state);
    }
    if (!answer) return;
    const asked = this.#waiting.get(answer.id);
    this.#waiting.delete(answer.id);
    if (asked?.order.do === "stop") {
      this.#stopOwed = this.owes("stop");
      this.#on.stopped(answer);
    }
    asked?.settle(answer);
  }

  // drop lets go of a connection that is no good any more, and sees to the next one.
  #drop() {
    const socket = this.#socket;
    if (!socket) return;
    this.#socket = null;
    socket.onopen = socket.onmessage = socket.onclose = null;
    socket.close();
    const was = this.#open;
    this.#open = false;
    for (const [id, { order, settle }] of this.#waiting) {
      if (order.do === "note") continue;
      this.#waiting.delete(id);
      settle({ refused: "The link was lost before the bench answered. Look before you ask again." });
    }
    this.#retry = setTimeout(() => this.#connect(), was ? 100 : AGAIN_MS);
    this.#on.lost();
  }

  // soon tries again at once, where a try is due.
  #soon() {
    if (!this.#socket) this.#connect();
    else this.#tick();
  }

  #tick() {
    if (!this.#socket) return;
    if (!this.#open) {
      if (Date.now() - this.#opened > OPENING_MS) this.#drop();
    } else if (this.silentMS > 2 * this.#everyMS + GRACE_MS) {
      this.#drop();
    } else {
      this.#socket.send(JSON.stringify({ id: ++this.#last, do: "beat" }));
      thisWindow.remember("order", this.#last);
    }
  }

  #setBeat(ms) {
    if (ms === this.#everyMS && this.#beat) return;
    this.#everyMS = ms;
    clearInterval(this.#beat);
    this.#beat = setInterval(() => this.#tick(), ms);
  }

  #rename() {
    const bytes = crypto.getRandomValues(new Uint8Array(16));
    this.#window = Array.from(bytes, (b) => b.toString(16).padStart(2, "0")).join("");
    thisWindow.remember("window", this.#window);
  }
}
