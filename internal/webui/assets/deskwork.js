// @ts-check
// The focused calibration at the desk: the next step, composed, over the place of its answer, beside the bench that shows
// what is known.

import { Refused } from "./api.js";
import { byId, drop, h, kept, part } from "./dom.js";
import { clock, lengthShort, timeOfDay, unit } from "./format.js";
import { seam } from "./seam.js";
import { gate as gateName, line, sentence, side, task, where } from "./words.js";

const SLIPS = { transposed: "two digits swapped", tenfold: "ten times off", "one-digit": "one digit off" };
const bench = part(() => import("./bench.js")), sheet = part(() => import("./sheet.js")), forms = part(() => import("./deskforms.js")), finish = part(() => import("./finish.js")), photos = part(() => import("./photos.js"));

export class DeskWork {
  /** @param {import("./link.js").Link} link @param {(text: string) => void} notice @param {() => void} redraw @param {(w: import("./watch.js").Watch) => void} stop */
  constructor(link, notice, redraw, stop) {
    this.stop = stop;
    this.link = link;
    this.notice = notice;
    this.redraw = redraw;
    /** @type {"" | "waive" | "note" | "return" | "completed" | "not-completed" | "sheet" | "declare" | "offer" | "take" | "take-over" | "reopen" | "photos"} */
    this.form = "";
    /** @type {import("./watch.js").Watch | null} */
    this.w = null;
    this.said = "";
    bench.warm();
  }

  /** @param {string} type @param {object} [data] @returns {Promise<boolean>} whether it was accepted */
  async act(type, data = {}) {
    const w = this.w;
    if (!w) return false;
    this.notice("");
    let accepted = false;
    try {
      await w.command(type, data);
      accepted = true;
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      await w.look(); // first what came in between, then that it did
      this.notice(e.slug === "stale" ? "Something came in between. Look again, then decide." : e.text());
    }
    this.redraw();
    return accepted;
  }

  /** Gives the command of the form that is open, which has done its work once it is accepted. @param {string} type @param {object} data */
  async send(type, data) {
    const { w, form } = this, name = this.formName();
    if (!(await this.act(type, data))) return;
    drop(name);
    if (this.w === w && this.form === form) this.open("");
  }

  /** A form stays by this name, with what was typed. */
  formName() {
    return [this.w?.ref.id, this.form, this.form === "take" && this.w?.offer("specialist")?.at].join(" ");
  }

  /** The next step as far as it is the desk's: what Enter sends. @returns {{title: any, text: any, label: string, send: (() => void) | null, key?: string} | null} */
  next() {
    const w = /** @type {import("./watch.js").Watch} */ (this.w), s = w.state, t = s.turn;
    const handed = w.offer("specialist");
    if (!w.mine && ["guided", "stopped"].includes(s.phase)) return handed ? { title: "A hand-over waits", text: "Read the card, then say it.", label: "Read the card", send: () => this.open("take") } : { title: "With a colleague", text: "If they went off duty without handing over, take over with a reason.", label: "Take over without them", key: "T", send: () => this.open("take-over") };
    if (!w.mine) return null;
    if (s.phase === "declared" && !s.signs.some((/** @type {any} */ x) => x.by.role === "specialist")) return { title: "Sign", text: "For method and result.", label: "Sign", send: () => this.act("sign") };
    if (t.outcome) return { title: "The job was withdrawn", text: "Nothing more is done on this car. You or the bay declare it withdrawn.", label: "Open the form", send: () => this.open("declare") };
    if (t.who !== "specialist") return null;
    const step = s.steps.find((/** @type {any} */ one) => one.number === t.step);
    switch (t.do) {
      case "claim": return { title: "Waiting in the queue", text: "Claim it from the strips above.", label: "", send: null };
      case "issue-sheet": return { title: "Issue a set-up sheet", text: "The bay has made none.", label: "Open the form", send: () => this.open("sheet") };
      case "adopt-sheet": return { title: `Adopt sheet ${s.sheet.sheet}`, text: bench.show((m) => m.sheetWords(s.sheet)), label: "Adopt", send: () => this.act("adopt-sheet", { sheet: s.sheet.sheet }) };
      case "instruct": {
        const data = { step: t.kind, ...(t.position && t.kind === "go-to-position" && { position: t.position }) };
        return { title: bench.show((m) => m.preview(w, t)), text: "", label: "Send", send: () => this.act("instruct", data) };
      }
      case "confirm": return { title: ["Confirm: ", line(w.words.step, "desk")], text: "Read back as you said it.", label: "Confirm", send: () => this.act("confirm", { step: step.number }) };
      case "correct": return { title: ["Say again: ", line(w.words.step, "desk")], text: ["The bay pressed ", this.pressed(), step.slip && `: ${/** @type {any} */ (SLIPS)[step.slip]}`, step.wrong?.includes("unit") && ": right in the other unit"], label: "Say again", key: "A", send: () => this.act("correct", { step: step.number }) };
      case "waive": return { title: `Let it pass, or have it met: ${gateName(t.gate)}`, text: bench.show((m) => s.gates.filter((/** @type {any} */ g) => g.gate === t.gate).map(m.gateStands)), label: "Waive", key: "W", send: () => this.open("waive") };
      case "go": return { title: "Go", text: "The bay is clear. Your word starts the leg.", label: "Go", key: "G", send: () => this.act("go") };
      case "end-leg": return { title: "How did the leg end?", text: where(s), label: "Completed", key: "C", send: () => this.act("end-leg", { outcome: "completed" }) };
      case "restart": return { title: "Agree to restart", text: "The bay agrees. Does the vehicle's routine still hold?", label: "Restart, routine holds", key: "H", send: () => this.act("restart", { routine_holds: true }) };
      case "declare": return { title: "Declare the outcome", text: s.positions.length ? "Every position has a completed leg." : "", label: "Open the form", send: () => this.open("declare") };
    }
    return { title: sentence(task(t)), text: "", label: "", send: null };
  }

  /** What the bay pressed at its last read-back. */
  pressed() {
    const last = [...(this.w?.entries ?? [])].reverse().find((e) => e.type === "read-back");
    const d = last?.body.command?.data ?? {};
    if (d.target) return h("b", null, d.target);
    return [h("b", null, d.value ? `${d.value} ${d.unit}` : lengthShort(d.value_um ?? 0)), d.side ? [d.side === "left" || d.side === "right" ? " to vehicle " : " ", side(d.side, "bay")] : ""];
  }

  /** @param {string} key @returns {boolean} whether it meant something */
  key(key) {
    const w = this.w;
    if (!w?.state || this.form || (!w.mine && !["enter", "t", "n", "s"].includes(key))) return false;
    if (w.seen.seq !== w.seq && key !== "s") return false; // a drawing waits for a button: nothing is decided on what is not seen
    const next = this.next(), letter = next?.key?.toLowerCase();
    switch (key) {
      case "enter":
        if (!next?.send || letter) return false;
        next.send();
        return true;
      case "g": this.act("go"); return true;
      case "s": this.stop(w); return true;
      case "c": if (w.state.phase === "running") this.act("end-leg", { outcome: "completed" }); return true;
      case "h": case "r": if (w.state.phase === "stopped") this.act("restart", { routine_holds: key === "h" }); return true;
      case "a": if (w.state.turn.do === "correct" || w.state.turn.do === "confirm") this.act("correct", { step: w.state.turn.step }); return true;
      case "v": if (w.state.phase === "running") this.open("completed"); return true;
      case "x": if (w.state.phase === "running") this.open("not-completed"); return true;
      case "w": this.open("waive"); return true;
      case "n": this.open("note"); return true;
      case "f": this.open("photos"); return true;
      case "b": this.open("return"); return true;
      case "p": this.open("offer"); return true;
      case "t": if (!w.mine) this.open("take-over"); return true;
      case "o": if (w.state.phase === "guided" || w.state.phase === "stopped") this.open("declare"); return true;
    }
    return false;
  }

  /** @param {DeskWork["form"]} form */
  open(form) {
    if (!form) drop(this.formName());
    this.form = form;
    this.redraw();
    if (!form) return byId("main").focus({ preventScroll: true });
    const first = () => /** @type {HTMLElement | null} */ (document.querySelector(":is(#desk-form, .desk-sheet) :is(select, input, textarea, .segment)"))?.focus();
    (form === "sheet" ? sheet : forms).warm().then(first);
  }

  /** @param {import("./watch.js").Watch} w @param {{show: (on: unknown, draw: () => any) => boolean}} main */
  draw(w, main) {
    this.w = w;
    const s = w.state;
    // Photos keep themselves up to date, so that nothing is taken out of a hand that draws.
    if (main.show(this.form === "photos" ? [w.ref.id] : [w.ref.id, w.stamp, unit(), s.turn, this.form, w.mine, w.jobSeq, w.register !== null, w.entries.at(-1)?.seq >= s.seq], () => {
      if (this.form === "photos") return h("section", null, photos.show((m) => m.room(w, { leave: () => this.open("") })));
      if (this.form === "sheet") return h("section", { class: "desk-sheet" }, kept(this.formName(), () => sheet.show((m) => m.sheetForm(w, (data) => this.send("issue-sheet", data)))));
      return [bench.show((m) => m.head(w, () => this.open("photos"))),
        h("div", { class: "bench" }, h("section", { class: "bench-plan", "aria-label": "Plan" }, bench.show((m) => m.setUp(w))), h("section", { class: "bench-readings", "aria-label": "Readings" }, bench.show((m) => m.readings(w))),
          h("section", { class: "bench-next", "aria-label": "Next step" }, this.formBox() ?? this.nextBox(), bench.show((m) => [m.twoWords(w, () => this.act("go")), m.log(w)])))];
    })) w.saw();
    const next = this.next();
    const say = next ? `Your turn: ${task(s.turn)}` : "";
    if (say !== this.said) byId("say").textContent = say;
    this.said = say;
    this.tick();
  }

  /** The form that is open in the place of the next step. What can be waived changes: that one is drawn anew. */
  formBox() {
    if (!this.form) return null;
    const make = () => forms.show((m) => m.deskForm(this));
    return this.form === "waive" ? make() : kept(this.formName(), make);
  }

  nextBox() {
    const w = /** @type {import("./watch.js").Watch} */ (this.w), s = w.state, next = this.next();
    const last = w.entries.at(-1);
    const head = h("p", { class: "quiet" }, last ? `${timeOfDay(last.at)} ${last.role === "technician" ? "bay" : last.role === "specialist" ? "desk" : last.role}: ${last.type.replaceAll("-", " ")}` : "");
    const bay = s.turn.who === "technician";
    const asks = next ? h("div", { class: "asks-box desk" }, h("p", { class: "quiet" }, "Next step, composed"), h("p", { class: "next-title" }, next.title), next.text && h("p", null, next.text),
      next.send && h("p", { class: "send-line" }, h("button", { type: "button", id: "next", class: "desk-key", onclick: next.send }, h("kbd", null, next.key ?? "Enter"), next.label), this.others()))
      : h("div", { class: "asks-box" }, h("p", { class: "quiet" }, s.phase === "stopped" ? "Stopped" : "Nothing of yours is due"), s.phase === "stopped" && this.restartKeys());
    const reopen = w.mine && s.phase === "declared" && h("p", { class: "send-line" }, h("button", { type: "button", id: "reopen", class: "desk-key quiet-key", onclick: () => this.open("reopen") }, "Reopen"));
    if (s.phase === "closed") return [head, h("div", { class: "asks-box closed" }, h("p", { class: "next-title" }, "Closed: " + s.result.outcome.replace("-", " "))), finish.show((m) => m.record(w))];
    if (s.phase === "declared") return [head, asks, finish.show((m) => m.record(w)), reopen];
    if (s.earlier.length) return [head, asks, seam(bay ? "open" : "met", undefined, 40), h("div", { class: "answers-box" }, finish.show((m) => m.record(w)))];
    return [head, asks, seam(bay ? "open" : "met", undefined, 40), h("div", { class: "answers-box " + (bay ? "bay" : "") }, h("p", null, !w.mine ? "With a colleague" : bay ? ["The bay: ", h("b", null, task(s.turn))] : "The bay waits for you"))];
  }

  restartKeys() {
    const agreed = (this.w?.state.stop?.agreed ?? []).includes("specialist");
    if (agreed) return h("p", null, "You agree to restart. The bay has not yet.");
    return h("p", { class: "send-line" }, h("button", { type: "button", id: "restart-holds", class: "desk-key", onclick: () => this.act("restart", { routine_holds: true }) }, h("kbd", null, "H"), "Restart, routine holds"),
      h("button", { type: "button", id: "restart-anew", class: "desk-key quiet-key", onclick: () => this.act("restart", { routine_holds: false }) }, h("kbd", null, "R"), "Restart, new attempt"));
  }

  /** What else could be done instead of the next step. */
  others() {
    const t = /** @type {any} */ (this.w).state.turn;
    const b = (/** @type {string} */ id, /** @type {string} */ k, /** @type {string} */ text, /** @type {() => void} */ onclick) => h("button", { type: "button", id, class: "desk-key quiet-key", onclick }, k && h("kbd", null, k), text);
    if (t.do === "confirm") return b("say-again", "A", "Say again", () => this.act("correct", { step: t.step }));
    if (t.do === "end-leg") return [b("completed-values", "V", "Completed, with values", () => this.open("completed")), b("not-completed", "X", "Not completed", () => this.open("not-completed"))];
    if (t.do === "restart") return b("restart-anew", "R", "Restart, new attempt", () => this.act("restart", { routine_holds: false }));
    return null;
  }

  tick() {
    const el = document.getElementById("word-left"), word = this.w?.state?.word;
    if (!el) return;
    const left = word ? 60 - Math.floor((this.link.now() - Date.parse(word.at)) / 1000) : 0;
    if (word && left < 0) return void this.w?.look();
    el.textContent = word ? `${clock(left * 1000)} left` : "both inside 60 s";
  }
}

