// @ts-check
// The set-up at one position as the bay sees it: nothing known, a verdict with what to move, locked, frozen, held, and the
// two words.

import { h } from "./dom.js";
import { verdictGlyph } from "./glyph.js";
import { goal } from "./goal.js";
import { hold } from "./hold.js";
import { plan } from "./plan.js";
import { seam } from "./seam.js";
import { slot } from "./slot.js";
import { CAUSES, CAUTIONS, line, marked, plain, reading, tone, value, verdict } from "./words.js";

/** @typedef {import("./steps.js").Scene} Scene */
/** @typedef {{act: (type: string, data?: object) => Promise<any>, rounds: import("./rounds.js").Rounds, redraw: () => void}} Hands */

const primary = (/** @type {string} */ id, /** @type {string} */ text, /** @type {() => void} */ onclick) => () =>
  h("button", { type: "button", id, class: "primary bay", onclick }, text);

/** Parts of a sentence that go on in the middle of another. @param {any[]} parts @returns {any[]} */
const lower = (parts) => parts.map((x, i) => (i > 0 ? x : Array.isArray(x) ? lower(x) : typeof x === "string" ? x.charAt(0).toLowerCase() + x.slice(1) : x));

/** @param {import("./watch.js").Watch} w @param {Hands} hands @returns {Scene} */
export function placing(w, hands) {
  const p = w.state.place, turn = w.state.turn;
  const begin = (/** @type {"report" | "closing"} */ purpose, /** @type {boolean} */ moved, /** @type {any[]} */ list) => () => {
    hands.rounds.begin(purpose, moved, list, w.seen.seq);
    hands.redraw();
  };
  const key = ["placing", w.seq, turn];
  const simple = (/** @type {string} */ title, /** @type {any} */ text, /** @type {(() => any) | undefined} */ foot, caution = "") => ({
    key, spoken: title, primary: foot,
    body: () => h("section", { class: "two" }, h("div", null, h("h1", { class: "instruction", id: "instruction" }, title), h("p", { class: "then" }, text), caution && h("p", { class: "caution" }, caution)), plan(w)),
  });
  switch (p.stage) {
    case "none": {
      const all = w.state.sheet.measure ?? [];
      const why = p.void ? `Void: ${(/** @type {any} */ (CAUSES)[p.void] ?? p.void).toLowerCase()}. What was measured before no longer stands.` : `${all.length} readings at this position.`;
      if (!all.length) return simple("The sheet plans no readings", "Ask the desk for a sheet that does.", undefined);
      return {
        key, spoken: "Place, then measure", primary: primary("take-readings", "Take readings", begin("report", true, all)),
        body: () => h("section", { class: "two" }, h("div", null, h("h1", { class: "instruction medium", id: "instruction" }, "Place, then measure"),
          h("div", { id: "goal" }, goal(w.state.sheet.setup, w.planned() ?? w.state.sheet.setup.positions[0])), h("p", { class: p.void ? "then" : "caution" }, why), h("p", { class: "caution" }, CAUTIONS.move)), plan(w)),
      };
    }
    case "placed":
      return verdictScene(w, hands, begin);
    case "locked":
      return simple("Freeze", "From here on car and stand are not moved. Measuring is allowed.", primary("freeze", "Freeze: nothing moves now", () => hands.act("freeze")));
    case "frozen": {
      const moved = p.closing_verdict?.verdict === "moved";
      const list = closingOf(p.stands);
      return simple(moved ? "Something moved" : "Closing readings",
        moved ? "The closing readings do not agree with the set-up. Take them again, or say what changed." : `${list.length} readings show whether anything has moved since.`,
        primary("closing", moved ? "Closing readings again" : "Take closing readings", begin("closing", false, list)), CAUTIONS.readings);
    }
  }
  if (turn.do === "report-closing") {
    return simple("Closing readings again", "The last reading is more than 30 minutes old.", primary("closing", "Take closing readings", begin("closing", false, closingOf(p.stands))));
  }
  return wordsScene(w, hands);
}

/** What a verdict asks to be done next. @param {import("./watch.js").Watch} w */
function next(w) {
  const v = w.state.place.verdict, stands = w.state.place.stands;
  const withTool = (/** @type {any} */ a) => {
    const like = [...(w.state.sheet.measure ?? []), ...stands].find((m) => m.quantity === a.quantity) ?? stands[0];
    return { ...a, instrument: like?.instrument };
  };
  if (v.verdict === "remeasure") {
    const list = (v.suspects ?? []).map((/** @type {any} */ one) => stands[one.reading]);
    return { list: list.length ? list : stands, moves: [] };
  }
  if (v.verdict === "undetermined") {
    const same = (/** @type {any} */ a, /** @type {any} */ b) => a.quantity === b.quantity && a.from === b.from && a.to === b.to;
    const left = (w.state.sheet.measure ?? []).filter((/** @type {any} */ m) => !stands.some((/** @type {any} */ r) => same(m, r)));
    if (left.length) return { list: left, moves: [], further: true };
    const asks = v.would_find?.[0]?.any_of?.[0] ?? (v.next ? [v.next] : []);
    return { list: asks.map(withTool), moves: [], further: true };
  }
  const moves = v.verdict === "unsure" || v.verdict === "adjust" ? w.words.moves : [];
  return { list: v.verdict === "unsure" && v.next ? [withTool(v.next)] : [], moves };
}

/** @param {import("./watch.js").Watch} w @param {Hands} hands @param {(purpose: "report" | "closing", moved: boolean, list: any[]) => () => void} begin @returns {Scene} */
function verdictScene(w, hands, begin) {
  const p = w.state.place, v = p.verdict, word = verdict(v), t = tone(v);
  const all = w.state.sheet.measure?.length ? w.state.sheet.measure : p.stands;
  const { list, moves, further } = next(w);
  const passes = v.verdict === "within" || p.waived;
  const first = moves[0];
  const behind = w.state.sheet.setup.side === "behind", from = w.state.sheet.setup.datum;
  const say = [word, first?.spoken, !first && !passes && list[0] && plain(reading(list[0], "", from))].filter(Boolean).join(". ");
  const foot = passes ? primary("lock", "Clamps tight: lock", () => hands.act("lock"))
    : moves.length ? primary("moved", "Moved: measure again", begin("report", true, all))
      : list.length ? primary("again", further ? (list.length === 1 ? "Take this reading" : `Take the ${list.length} that are left`) : list.length === 1 ? "Take it again" : `Take ${list.length} again`, begin("report", false, list))
        : primary("again", "Measure all again", begin("report", false, all));
  return {
    key: ["verdict", w.seq], spoken: say, primary: foot,
    body: () => h("section", { class: "two verdict" },
      h("div", null,
        h("p", { class: "verdict-word " + t, id: "verdict" }, verdictGlyph(v.verdict), h("span", null, word)),
        p.waived && h("p", { class: "then" }, "The desk lets it pass, with its reason."),
        first && h("h1", { class: "instruction medium", id: "instruction" }, marked(first.verb, "bay"), " ", h("span", { class: "figure-line" }, h("b", { class: "figure bay" }, first.figure), first.unit === "°" ? "" : "\u00a0", h("span", { class: "rest" }, first.unit)), " ", marked(first.side, "bay")),
        moves.slice(1).map((/** @type {any} */ m) => h("p", { class: "then" }, "then ", lower(line(m)))),
        !first && !passes && list.length > 0 && list.length <= 3 && [h("h1", { class: "instruction medium", id: "instruction" }, reading(list[0], "bay", from)),
          list.slice(1).map((/** @type {any} */ r) => h("p", { class: "then" }, "and ", lower(reading(r, "", from))))],
        !first && !passes && v.verdict === "remeasure" && h("p", { class: "then" }, v.suspects?.length ? `The others contradict ${list.length === 1 ? "it" : "one of them"}. Move nothing.` : "The readings contradict each other."),
        v.copied && h("p", { class: "then" }, "Every reading is exactly as planned. Were they measured?"),
        h("div", { class: "slots" }, (v.judged ?? []).map((/** @type {any} */ j) => slot(j, behind)))),
      plan(w, { suspects: v.suspects })),
  };
}

/** @param {import("./watch.js").Watch} w @param {Hands} hands @returns {Scene} */
function wordsScene(w, hands) {
  const word = w.state.word;
  const saidAt = word ? Date.parse(word.at) : 0;
  const passed = word ? Math.min(60, Math.max(0, Math.floor((w.link.now() - saidAt) / 1000))) : 0;
  const mine = word?.role === "technician", theirs = word?.role === "specialist";
  const noScan = !w.job?.scans?.length;
  const left = 60 - passed;
  return {
    // While somebody may be holding the button only the desk's word draws the scene anew.
    key: ["words", w.seq, mine, theirs, noScan], spoken: mine ? "Bay clear is said. Wait for go." : "Say bay clear when nobody is in the area.",
    body: () => h("section", { class: "words" },
      h("div", { class: "word asks " + (theirs ? "desk said" : "waits"), id: "word-go" }, h("b", null, "Go"), h("span", null, theirs ? ["The desk said it"] : "The desk's word")),
      h("div", { id: "word-seam", class: "word-seam" }, seam("open", word ? passed / 60 : 0)),
      mine ? h("div", { class: "word answers-word bay said", id: "word-clear" }, h("b", null, "Bay clear"), h("span", null, "You said it. Stay out of the area."))
        : hold({ id: "bay-clear", class: "word answers-word bay" }, [h("b", null, "Bay clear"), h("span", null, "Nobody in the area. Hold until filled")], () => hands.act("bay-clear")),
      h("p", { class: "then", id: "left" }, word ? `${left} s left for both words` : "Both words inside 60 s start the leg"),
      w.state.turn.until && h("p", { class: "caution" }, "The first answer to a gate runs out in ", h("b", { "data-until": w.state.turn.until }), "."), noScan && h("p", { class: "caution" }, "No scan is recorded yet: a leg needs one. More, then Scan."), h("p", { class: "caution" }, CAUTIONS.clear)),
  };
}

/** The readings that stand, with how each fits the rest. @param {import("./watch.js").Watch} w @param {Hands} hands */
export function standing(w, hands) {
  const p = w.state.place;
  return h("section", { class: "scroll" }, h("h1", null, "Readings that stand"), !p.stands.length && h("p", { class: "quiet" }, "None."),
    h("ul", { class: "gates" }, p.stands.map((/** @type {any} */ r, /** @type {number} */ i) => h("li", { class: "gate" },
      h("span", { class: "gate-name" }, h("b", null, `${i + 1}  `, reading(r, "", w.state.sheet.setup.datum)), h("span", { class: "quiet" }, value(r))),
      (p.stage === "placed" || p.stage === "locked") && h("span", { class: "gate-keys" }, h("button", { type: "button", onclick: () => { hands.rounds.begin("report", false, [r], w.seen.seq); hands.redraw(); } }, "Take again"))))));
}

/** Readings that can show after freezing whether anything moved: those from the nearest hubs, and the distance. @param {any[]} stands */
function closingOf(stands) {
  const axle = stands.some((r) => r.from?.startsWith("front-")) ? "front-" : "rear-";
  const list = stands.filter((r) => r.quantity === "datum-distance" || r.from?.startsWith(axle));
  return list.length ? list : stands;
}
