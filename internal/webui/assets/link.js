// @ts-check
// The live connection: it says hello, beats, notices a line that is dead though nothing failed, comes back with a growing
// and partly random pause, resumes every followed stream after its last entry, and sends commands until they are answered,
// each under the id it was given first. Commands wait in sessionStorage, so a reload loses none.

import { LATER, newId, Refused } from "./api.js";

/** Words that must be meant at the moment they arrive: they are never kept for a line that comes back later. */
const PERISHABLE = new Set(["bay-clear", "go", "restart", "confirm"]);
const PERISH_MS = 5000;
/** A command that is not answered in this time, while nothing else is heard either, was said into a dead line. */
const ANSWER_MS = 5000;
/** A socket over which nobody said welcome in this time was opened into nothing. */
const OPEN_MS = 8000;
const KEY = "readback.outbox";
const NETWORK = "Check the network here";

/** @typedef {{kind: string, id: string}} Ref */
/** @typedef {{id: string, stream: Ref, base: number, type: string, data: object, at: number, member: string, org?: string}} Kept */

export class Link extends EventTarget {
  constructor() {
    super();
    /** @type {"linked" | "lost" | "out"} */
    this.state = "lost";
    this.reason = "";
    this.skew = 0; // the server's clock minus ours, ms
    this.member = this.org = "";
    /** @type {string[]} */
    this.roles = [];
    /** @type {WebSocket | null} */
    this.socket = null;
    /** @type {Map<string, {ref: Ref, after: number, entry: (e: any) => void, here?: (people: any[]) => void, live?: (value: any) => void}>} */
    this.follows = new Map();
    /** @type {Map<string, {resolve: (v: any) => void, reject: (e: unknown) => void}>} */
    this.waiting = new Map();
    /** @type {Kept[]} */
    this.outbox = JSON.parse(sessionStorage.getItem(KEY) ?? "[]");
    this.tries = 0;
    this.heard = 0;
    this.beat = 15_000;
    this.n = 0;
    addEventListener("online", () => this.connect());
    addEventListener("visibilitychange", () => document.visibilityState === "visible" && this.check());
    this.connect();
  }

  /** The server's time, ms. */
  now() {
    return Date.now() + this.skew;
  }

  /** @param {"linked" | "lost" | "out"} state @param {string} [reason] */
  set(state, reason = "") {
    this.state = state;
    this.reason = reason;
    this.dispatchEvent(new Event("state"));
  }

  connect() {
    if (this.socket || this.state === "out") return;
    clearTimeout(this.again);
    const ws = new WebSocket((location.protocol === "https:" ? "wss://" : "ws://") + location.host + "/v1/live", "readback.v1");
    this.socket = ws;
    this.heard = Date.now();
    clearTimeout(this.opening);
    this.opening = setTimeout(() => {
      if (this.socket !== ws || this.state === "linked") return;
      this.tries ||= 1;
      this.dead(ws);
    }, OPEN_MS);
    ws.onopen = () => this.say({ say: "hello", protocol: 1, client: "readback-pages/1" });
    ws.onmessage = (m) => {
      this.heard = Date.now();
      this.hear(JSON.parse(m.data));
    };
    ws.onclose = (e) => this.closed(ws, e.code, e.reason);
    clearInterval(this.pulse);
    this.pulse = setInterval(() => this.check(), this.beat);
  }

  /** @param {WebSocket} ws @param {number} code @param {string} reason */
  closed(ws, code, reason) {
    if (this.socket !== ws) return;
    this.socket = null;
    clearInterval(this.pulse);
    if (code >= 4101 && code <= 4103) {
      this.set("out", reason);
      location.assign("/sign-in?to=" + encodeURIComponent(location.pathname));
      return;
    }
    if ([1000, 1002, 1003, 1009].includes(code) || (code >= 4100 && code <= 4199)) {
      this.set("out", reason || "The connection was ended.");
      return;
    }
    this.set("lost", this.tries ? NETWORK : ""); // one that went is mostly back at once
    const pause = Math.min(500 * 2 ** this.tries++, 15_000);
    this.again = setTimeout(() => this.connect(), pause / 2 + (pause / 2) * Math.random());
  }

  /** Beats, and takes a connection for dead that has not been heard for two and a half beats. */
  check() {
    if (!this.socket) return this.connect();
    if (Date.now() - this.heard > 2.5 * this.beat) {
      this.dead(this.socket);
    } else if (this.state === "linked") {
      this.say({ say: "beat", n: ++this.n });
    }
  }

  /** @param {WebSocket} ws */
  dead(ws) {
    this.closed(ws, 1006, "");
    ws.close();
  }

  /** @param {object} message */
  say(message) {
    if (this.socket?.readyState === WebSocket.OPEN) this.socket.send(JSON.stringify(message));
  }

  /** @param {any} m */
  hear(m) {
    if (m.now) this.skew = Date.parse(m.now) - Date.now();
    const follow = m.stream && this.follows.get(m.stream.id);
    switch (m.say) {
      case "welcome":
        this.welcome(m);
        break;
      case "entry":
        if (follow && m.seq > follow.after) {
          follow.after = m.seq;
          follow.entry(m);
        }
        break;
      case "presence":
        follow?.here?.(m.here);
        break;
      case "live":
        follow?.live?.(m);
        break;
      case "accepted":
        this.answered(m.command, m, null);
        break;
      case "refused": {
        const refused = new Refused(m.problem);
        if (m.command && LATER.has(refused.slug)) setTimeout(() => this.resend(m.command), 1000);
        else if (m.command) this.answered(m.command, null, refused);
        break;
      }
      case "ended":
        if (follow && m.reason !== "out-of-sight") setTimeout(() => this.state === "linked" && this.ask(follow), 500);
        break;
    }
  }

  /** @param {any} m */
  welcome(m) {
    this.member = m.member;
    this.org = m.org;
    this.roles = m.roles;
    this.beat = m.heartbeat_s * 1000;
    clearInterval(this.pulse);
    this.pulse = setInterval(() => this.check(), this.beat);
    this.tries = 0;
    for (const f of this.follows.values()) this.ask(f);
    for (const c of [...this.outbox]) {
      const late = PERISHABLE.has(c.type) && Date.now() - c.at > PERISH_MS;
      if (late) this.answered(c.id, null, new Refused({ detail: "There was no link when you said it, and too long has passed. Look, and say it again if it still holds." }));
      else if (c.member && (c.member !== m.member || (c.org ?? m.org) !== m.org)) this.answered(c.id, null, new Refused({ detail: "Somebody else signed in meanwhile." }));
      else this.send(c);
    }
    this.set("linked");
  }

  /** @param {{ref: Ref, after: number}} f */
  ask(f) {
    this.say({ say: "follow", stream: f.ref, after: f.after });
  }

  /**
   * Follows a stream from an entry on; entry gets each later one once, in order.
   * @param {Ref} ref @param {number} after @param {(e: any) => void} entry @param {(people: any[]) => void} [here] who takes part now @param {(value: any) => void} [live] what instruments read now
   */
  follow(ref, after, entry, here, live) {
    const f = { ref, after, entry, here, live };
    this.follows.set(ref.id, f);
    if (this.state === "linked") this.ask(f);
  }

  /** @param {string} id */
  unfollow(id) {
    const f = this.follows.get(id);
    if (f && this.follows.delete(id)) this.say({ say: "unfollow", stream: f.ref });
  }

  /**
   * Gives a command on what has been seen of the stream. The promise is kept when the entry is durable.
   * @param {Ref} stream @param {number} base @param {string} type @param {object} [data]
   * @returns {Promise<any>}
   */
  command(stream, base, type, data = {}) {
    if (PERISHABLE.has(type) && this.state !== "linked") {
      return Promise.reject(new Refused({ detail: "There is no link now. Say it when there is one: it must hold at that moment." }));
    }
    const c = { id: newId(), stream, base, type, data, at: Date.now(), member: this.member, org: this.org };
    return new Promise((resolve, reject) => {
      this.waiting.set(c.id, { resolve, reject });
      this.outbox.push(c);
      this.keep();
      if (this.state === "linked") this.send(c);
    });
  }

  /** @param {Kept} c */
  send(c) {
    const { id, base, type, data } = c, ws = this.socket, sent = Date.now();
    this.say({ say: "command", stream: c.stream, command: { id, base, type, data } });
    // An answer may be slow though the line lives: a beat finds out.
    const silent = () => ws && this.socket === ws && this.heard <= sent && this.outbox.some((one) => one.id === id);
    setTimeout(() => silent() && this.say({ say: "beat", n: ++this.n }), ANSWER_MS / 2);
    setTimeout(() => silent() && this.dead(/** @type {WebSocket} */ (ws)), ANSWER_MS);
  }

  /** @param {string} id */
  resend(id) {
    const c = this.outbox.find((one) => one.id === id);
    if (c && this.state === "linked") this.send(c);
  }

  /** @param {string} id @param {any} receipt @param {Refused | null} refused */
  answered(id, receipt, refused) {
    const c = this.outbox.find((one) => one.id === id);
    this.outbox = this.outbox.filter((one) => one.id !== id);
    this.keep();
    const w = this.waiting.get(id);
    this.waiting.delete(id);
    if (w) refused ? w.reject(refused) : w.resolve(receipt);
    else if (refused && c) this.dispatchEvent(new CustomEvent("orphan", { detail: { command: c, refused } }));
  }

  keep() {
    sessionStorage.setItem(KEY, JSON.stringify(this.outbox));
    this.dispatchEvent(new Event("outbox"));
  }
}
