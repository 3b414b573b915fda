// @ts-check
// The focused calibration at the desk: plan, readings with how each fits the rest, verdict, gates; and the next step,
// composed, over the place of its answer.

import { Refused } from "./api.js";
import { byId, h, part } from "./dom.js";
import { clock, decimal, degText, lengthShort, lengthText, timeOfDay, unit } from "./format.js";
import { answer, gateState, gateWord, left, limits } from "./gatestate.js";
import { gateGlyph, verdictGlyph } from "./glyph.js";
import { plan } from "./plan.js";
import { seam } from "./seam.js";
import { slot } from "./slot.js";
import { datum, gate as gateName, line, reading, sentence, side, task, tone, value, verdict, where } from "./words.js";

const SLIPS = { transposed: "two digits swapped", tenfold: "ten times off", "one-digit": "one digit off" };
const sheet = part(() => import("./sheet.js")), forms = part(() => import("./deskforms.js")), finish = part(() => import("./finish.js")), drives = part(() => import("./drive.js")), photos = part(() => import("./photos.js"));

/** What was answered, and within what it should be. @param {any} g */
const gateFigures = (g) => [answer(g), limits(g)].filter(Boolean).map((x) => "; " + x).join("");

export class DeskWork {
  /** @param {import("./link.js").Link} link @param {(text: string) => void} notice @param {() => void} redraw */
  constructor(link, notice, redraw) {
    this.link = link;
    this.notice = notice;
    this.redraw = redraw;
    /** @type {"" | "waive" | "note" | "return" | "completed" | "not-completed" | "sheet" | "declare" | "offer" | "take" | "take-over" | "reopen" | "photos"} */
    this.form = "";
    /** @type {import("./watch.js").Watch | null} */
    this.w = null;
    this.said = "";
    this.form0 = { key: "", box: /** @type {any} */ (null) };
  }

  /** @param {string} type @param {object} [data] */
  async act(type, data = {}) {
    const w = this.w;
    if (!w) return;
    this.notice("");
    try {
      await w.command(type, data);
      this.form = "";
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      this.notice(e.slug === "stale" ? "Something came in between. Look again, then decide." : e.text());
      await w.look();
    }
    this.redraw();
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
      case "issue-sheet": return { title: "Issue a set-up sheet", text: "The bay has made none.", label: "Open the form", send: () => { this.form = "sheet"; this.redraw(); } };
      case "adopt-sheet": return { title: `Adopt sheet ${s.sheet.sheet}`, text: sheetWords(s.sheet), label: "Adopt", send: () => this.act("adopt-sheet", { sheet: s.sheet.sheet }) };
      case "instruct": {
        const data = { step: t.kind, ...(t.position && t.kind === "go-to-position" && { position: t.position }) };
        return { title: preview(w, t), text: "", label: "Send", send: () => this.act("instruct", data) };
      }
      case "confirm": return { title: ["Confirm: ", line(w.words.step, "desk")], text: "Read back as you said it.", label: "Confirm", send: () => this.act("confirm", { step: step.number }) };
      case "correct": return { title: ["Say again: ", line(w.words.step, "desk")], text: ["The bay pressed ", this.pressed(), step.slip && `: ${/** @type {any} */ (SLIPS)[step.slip]}`, step.wrong?.includes("unit") && ": right in the other unit"], label: "Say again", key: "A", send: () => this.act("correct", { step: step.number }) };
      case "waive": return { title: `Let it pass, or have it met: ${gateName(t.gate)}`, text: s.gates.filter((/** @type {any} */ g) => g.gate === t.gate).map((/** @type {any} */ g) => gateWord(g) + gateFigures(g)), label: "Waive", key: "W", send: () => this.open("waive") };
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

  /** A form stays as it is, with what was typed, whatever comes in beside it. @param {() => any} make */
  kept(make) {
    const s = this.w?.state, key = this.w?.ref.id + this.form + (this.form === "waive" ? JSON.stringify([s.place.waived, s.gates]) : "");
    if (this.form0.key !== key) this.form0 = { key, box: h("div", null, make()) };
    return this.form0.box;
  }

  /** @param {string} key @returns {boolean} whether it meant something */
  key(key) {
    const w = this.w;
    if (!w?.state || this.form || (!w.mine && !["enter", "t", "n", "s"].includes(key))) return false;
    const next = this.next(), letter = next?.key?.toLowerCase();
    switch (key) {
      case "enter":
        if (!next?.send || letter) return false;
        next.send();
        return true;
      case "g": this.act("go"); return true;
      case "s": this.act("stop"); return true;
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
    this.form = form;
    this.redraw();
    forms.warm().then(() => /** @type {HTMLElement | null} */ (document.querySelector("#desk-form select, #desk-form input, #desk-form textarea"))?.focus());
  }

  /** @param {import("./watch.js").Watch} w @param {{show: (on: unknown, draw: () => any) => boolean}} main */
  draw(w, main) {
    this.w = w;
    const s = w.state;
    if (!this.form) this.form0.key = "";
    // Photos keep themselves up to date, so that nothing is taken out of a hand that draws.
    main.show(this.form === "photos" ? [w.ref.id] : [w.ref.id, w.stamp, unit(), s.turn, this.form, w.mine, w.jobSeq, w.register !== null, w.entries.at(-1)?.seq >= s.seq], () => {
      if (this.form === "photos") return h("section", null, this.kept(() => photos.show((m) => m.room(w, { leave: () => this.open("") }))));
      if (this.form === "sheet") return h("section", { class: "desk-sheet" }, this.kept(() => sheet.show((m) => m.sheetForm(w, (data) => this.act("issue-sheet", data)))));
      return [h("div", { class: "bench-head" }, h("h1", null, where(s)), this.facts(), s.photos.length > 0 && photos.show((m) => m.thumbs(w, s.photos.slice(-6), (id) => { m.look(w, id); this.open("photos"); }, "bench")), h("span", { class: "spring" }), h("span", { class: "quiet" }, w.register?.organisation?.phone && `Telephone ${w.register.organisation.phone}`)),
        h("div", { class: "bench" }, h("section", { class: "bench-plan", "aria-label": "Plan" }, plan(w, { suspects: s.place.verdict?.suspects }) ?? h("p", { class: "quiet" }, s.sheet ? "No plan view: the car's dimensions are not to be seen from here." : s.procedure?.set_ups.length === 0 ? "On the road: nothing is placed." : "No set-up sheet yet."), s.procedure && h("p", { class: "quiet" }, `Procedure: ${s.procedure.title}, version ${s.procedure.version}`), this.gateList()),
          h("section", { class: "bench-readings", "aria-label": "Readings" }, this.readings()), h("section", { class: "bench-next", "aria-label": "Next step" }, this.form ? this.kept(() => forms.show((m) => m.deskForm(this))) : this.nextBox(), this.wordsBox(), this.log()))];
    });
    const next = this.next();
    const say = next ? `Your turn: ${task(s.turn)}` : "";
    if (say !== this.said) byId("say").textContent = say;
    this.said = say;
    this.tick();
  }

  facts() {
    const w = /** @type {import("./watch.js").Watch} */ (this.w), s = w.state, scan = w.job?.scans?.at(-1);
    const open = s.gates.filter((/** @type {any} */ g) => ["open", "not"].includes(gateState(g))).length;
    return [h("span", { class: "fact" }, gateGlyph(open ? "open" : "met"), `Gates ${s.gates.length - open} of ${s.gates.length}`),
      h("span", { class: "fact" }, gateGlyph(scan ? (scan.codes.some((/** @type {any} */ c) => c.blocking) ? "not" : "met") : "open"), scan ? `Scan ${scan.when}: ${scan.codes.length} codes, ${scan.codes.filter((/** @type {any} */ c) => c.blocking).length} blocking` : "No scan yet")];
  }

  gateList() {
    const s = /** @type {any} */ (this.w).state;
    const open = s.gates.filter((/** @type {any} */ g) => !["met", "waived"].includes(gateState(g)));
    return h("details", { class: "gate-list", id: "gate-list", open: open.some((/** @type {any} */ g) => g.answered) }, h("summary", null, open.length ? `${open.length} ${open.length === 1 ? "gate" : "gates"} not met or not answered` : "All gates met"),
      h("ul", null, s.gates.map((/** @type {any} */ g) => h("li", null, gateGlyph(gateState(g)), h("span", null, g.asks?.replace(/\.$/, "") ?? gateName(g.gate), ", ", h("b", null, gateWord(g)), h("span", { class: "quiet" }, gateFigures(g), left(g)))))));
  }

  readings() {
    const w = /** @type {any} */ (this.w), s = w.state, p = s.place, v = p.verdict;
    const road = s.procedure?.drive && drives.show((m) => m.driven(s));
    if (!v && road && !s.sheet) return road;
    if (!v) return [road, h("p", { class: "verdict-word quiet" }, p.void ? `Void: ${p.void.replaceAll("-", " ")}` : "No readings stand here"), s.sheet && h("p", { class: "quiet" }, sheetWords(s.sheet))];
    const suspects = new Map((v.suspects ?? []).map((/** @type {any} */ one) => [one.reading, one]));
    const moves = v.verdict === "adjust" || v.verdict === "unsure" ? w.words.moves : [];
    const behind = s.sheet.setup.side === "behind";
    return [h("p", { class: "verdict-word " + tone(v), id: "verdict" }, verdictGlyph(v.verdict), h("span", null, verdict(v))),
      h("p", { class: "why" }, p.waived ? "Let pass by you, with a reason." : v.verdict === "remeasure" ? this.contradiction(v) : moves.length ? moves.map((/** @type {any} */ m, /** @type {number} */ i) => [i ? "; " : "", line(m, "bay")]) : v.copied ? "Every reading is exactly as planned: were they measured?" : ""),
      h("table", { class: "readings" }, h("thead", null, h("tr", null, h("th", { scope: "col" }), h("th", { scope: "col" }, "Reading"), h("th", { scope: "col", class: "n" }, "Value"), h("th", { scope: "col", class: "n" }, "Against the rest"))),
        h("tbody", null, p.stands.map((/** @type {any} */ r, /** @type {number} */ i) => {
          const a = v.readings?.[i], z = a?.standardised_residual_ppm, sus = /** @type {any} */ (suspects.get(i));
          const off = sus && (sus.likely_error_um !== undefined ? lengthText(Math.abs(sus.likely_error_um)) : degText(Math.abs(sus.likely_error_udeg)));
          const long = sus && (sus.likely_error_um ?? sus.likely_error_udeg) > 0;
          return h("tr", { class: sus ? "suspect" : "" }, h("td", { class: "n" }, i + 1), h("th", { scope: "row" }, reading(r)), h("td", { class: "n" }, value(r)),
            h("td", { class: "n" }, sus ? h("b", { class: "bay" }, `${off} too ${long ? "large" : "small"}`) : a?.smallest_error_um === undefined && a?.smallest_error_udeg === undefined ? h("span", { class: "quiet" }, "unchecked") : z === undefined ? "" : residual(z)));
        }))),
      h("div", { class: "slots" }, (v.judged ?? []).map((/** @type {any} */ j) => slot(j, behind))), road];
  }

  /** @param {any} v */
  contradiction(v) {
    const names = (v.suspects ?? []).map((/** @type {any} */ one) => one.reading + 1);
    return names.length ? `Reading ${names.join(" or ")} and the others contradict. Left out, the rest agree.` : "The readings contradict each other; no single one stands out.";
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

  /** The two words and what holds them. */
  wordsBox() {
    const w = /** @type {any} */ (this.w), s = w.state, p = s.place;
    if (!s.sheet || ["declared", "closed"].includes(s.phase)) return null;
    const fitted = s.steps.filter((/** @type {any} */ one) => one.step === "fit-target" && one.state === "done").at(-1)?.target === s.sheet.target;
    const gates = s.gates.every((/** @type {any} */ g) => !["open", "not"].includes(gateState(g)));
    const still = p.stage === "frozen" || p.stage === "held";
    const hold = (/** @type {boolean} */ ok, /** @type {string} */ name, /** @type {string} */ yes, /** @type {string} */ no) => h("li", null, gateGlyph(ok ? "met" : "open"), `${name}: ${ok ? yes : no}`);
    const word = s.word;
    return h("div", { class: "two-words" }, h("h2", null, "Start on two words ", h("span", { class: "quiet", id: "word-left" }, "both inside 60 s")),
      h("div", { class: "pair" }, h("div", { class: "mini" },
        h("button", { type: "button", id: "go", class: "mini-word up" + (word?.role === "specialist" ? " said" : ""), disabled: p.stage !== "held" || word?.role === "specialist" || s.phase !== "guided", onclick: () => this.act("go") }, "Go"), seam("open", undefined, 20), h("div", { class: "mini-word low" + (word?.role === "technician" ? " said" : "") }, "Bay clear")),
        h("ul", null, hold(gates, "Gates", "met", "not all"), hold(Boolean(w.job?.scans?.length), "Scan", "recorded", "none yet"), hold(fitted, "Target", "fitted", "not read back"), hold(p.verdict?.verdict === "within" || Boolean(p.waived), "Set-up", p.waived ? "let pass" : "within", "not within"), hold(still, "Frozen", "yes", "not yet"), hold(p.stage === "held", "Closing", "held", p.closing_verdict?.verdict === "moved" ? "moved" : "not taken"))));
  }

  log() {
    const w = /** @type {import("./watch.js").Watch} */ (this.w);
    return h("details", { class: "log", id: "log" }, h("summary", null, `${w.entries.length} ${w.entries.length === 1 ? "entry" : "entries"}`), h("ol", { reversed: true }, [...w.entries].reverse().slice(0, 40).map((e) => h("li", { value: e.seq }, `${timeOfDay(e.at)} ${e.type.replaceAll("-", " ")}`, h("span", { class: "quiet" }, ` ${e.role}`)))));
  }

  tick() {
    const el = document.getElementById("word-left"), word = this.w?.state?.word;
    if (!el) return;
    const left = word ? 60 - Math.floor((this.link.now() - Date.parse(word.at)) / 1000) : 0;
    if (word && left < 0) return void this.w?.look();
    el.textContent = word ? `${clock(left * 1000)} left` : "both inside 60 s";
  }
}

/** @param {any} ppm */
function residual(ppm) {
  const text = decimal(Math.abs(ppm), 6, 1);
  return text === "0.0" ? "agrees" : `${text} σ ${ppm > 0 ? "large" : "small"}`;
}

/** @param {any} sheet */
function sheetWords(sheet) {
  const set = sheet.setup;
  return [`${sheet.source.title}, ${sheet.source.dated}, version ${sheet.source.version}. `, set.distance_um !== undefined ? `${lengthShort(set.distance_um)} ${set.side === "behind" ? "behind" : "ahead of"} ${datum(set.datum)}, ` : "", `${set.positions.length} position${set.positions.length === 1 ? "" : "s"}, by the ${datum(set.line)}. `,
    sheet.limits === "own" ? "Limits are the shop's own." : "Limits as stated."];
}

/** The instruction before it is sent, from the plan. @param {import("./watch.js").Watch} w @param {any} t */
function preview(w, t) {
  const s = w.state;
  if (t.kind === "fit-target") return ["Fit target ", h("b", null, s.sheet.target)];
  if (t.kind === "move") {
    const at = (s.place.verdict?.moves ?? []).findIndex((/** @type {any} */ one) => (one.end_um ?? one.by_um ?? 0) > 50_000);
    return at < 0 ? "Move the fixture" : line(w.words.moves[at], "desk");
  }
  if (t.kind === "set-distance") return ["Set target distance ", h("b", null, lengthShort(s.sheet.setup.distance_um)), ` from ${datum(s.sheet.setup.datum)}`];
  if (t.kind === "set-height") return ["Set target height ", h("b", null, lengthShort(s.sheet.setup.height_um)), ` above ${datum("wheel-plane")}`];
  const p = s.sheet.plan?.find((/** @type {any} */ one) => one.name === t.position);
  if (!p) return `Go to position ${t.position}`;
  if (p.lateral_um === 0) return [`Position ${t.position}: target at `, side("centre", "desk")];
  return [`Position ${t.position}: target to vehicle `, side(p.lateral_um > 0 ? "left" : "right", "desk"), " ", h("b", null, lengthShort(Math.abs(p.lateral_um))), ` from ${datum(s.sheet.setup.line)}`];
}
