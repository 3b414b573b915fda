// @ts-check
// The bench at the desk: what is known of the focused calibration, drawn. Plan, gates, readings with how each fits the rest,
// verdict, and what holds the two words.

import { h, part } from "./dom.js";
import { decimal, degText, lengthShort, lengthText, timeOfDay } from "./format.js";
import { answer, gateState, gateWord, left, limits } from "./gatestate.js";
import { gateGlyph, verdictGlyph } from "./glyph.js";
import { plan } from "./plan.js";
import { seam } from "./seam.js";
import { slot } from "./slot.js";
import { datum, gate as gateName, line, reading, side, tone, value, verdict, where } from "./words.js";

/** @typedef {import("./watch.js").Watch} Watch */

const drives = part(() => import("./drive.js")), photos = part(() => import("./photos.js"));

/** @param {Watch} w @param {() => void} open the photos, at one that was pressed */
export function head(w, open) {
  const s = w.state;
  return h("div", { class: "bench-head" }, h("h1", null, where(s)), facts(w), s.photos.length > 0 && photos.show((m) => m.thumbs(w, s.photos.slice(-6), (id) => { m.look(w, id); open(); }, "bench")),
    h("span", { class: "spring" }), h("span", { class: "quiet" }, w.register?.organisation?.phone && `Telephone ${w.register.organisation.phone}`));
}

/** @param {Watch} w */
export function setUp(w) {
  const s = w.state;
  return [plan(w, { suspects: s.place.verdict?.suspects }) ?? h("p", { class: "quiet" }, s.sheet ? "No plan view: the car's dimensions are not to be seen from here." : s.procedure?.set_ups.length === 0 ? "On the road: nothing is placed." : "No set-up sheet yet."),
    s.procedure && h("p", { class: "quiet" }, `Procedure: ${s.procedure.title}, version ${s.procedure.version}`), gateList(w)];
}

/** What was answered, and within what it should be. @param {any} g */
const gateFigures = (g) => [answer(g), limits(g)].filter(Boolean).map((x) => "; " + x).join("");
/** How a gate stands, in words. @param {any} g */
export const gateStands = (g) => gateWord(g) + gateFigures(g);

/** @param {Watch} w */
function facts(w) {
  const s = w.state, scan = w.job?.scans?.at(-1);
  const open = s.gates.filter((/** @type {any} */ g) => ["open", "not"].includes(gateState(g))).length;
  return [h("span", { class: "fact" }, gateGlyph(open ? "open" : "met"), `Gates ${s.gates.length - open} of ${s.gates.length}`),
    h("span", { class: "fact" }, gateGlyph(scan ? (scan.codes.some((/** @type {any} */ c) => c.blocking) ? "not" : "met") : "open"), scan ? `Scan ${scan.when}: ${scan.codes.length} codes, ${scan.codes.filter((/** @type {any} */ c) => c.blocking).length} blocking` : "No scan yet")];
}

/** @param {Watch} w */
function gateList(w) {
  const s = w.state;
  const open = s.gates.filter((/** @type {any} */ g) => !["met", "waived"].includes(gateState(g)));
  return h("details", { class: "gate-list", id: "gate-list", open: open.some((/** @type {any} */ g) => g.answered) }, h("summary", null, open.length ? `${open.length} ${open.length === 1 ? "gate" : "gates"} not met or not answered` : "All gates met"),
    h("ul", null, s.gates.map((/** @type {any} */ g) => h("li", null, gateGlyph(gateState(g)), h("span", null, gateName(g.gate), ", ", h("b", null, gateWord(g)), h("span", { class: "quiet" }, gateFigures(g), left(g)), g.asks && h("span", { class: "quiet asks-of" }, g.asks))))));
}

/** The readings, how each fits the rest, and the verdict. @param {Watch} w */
export function readings(w) {
  const s = w.state, p = s.place, v = p.verdict;
  const road = s.procedure?.drive && drives.show((m) => m.driven(s));
  if (!v && road && !s.sheet) return road;
  if (!v) return [road, h("p", { class: "verdict-word quiet" }, p.void ? `Void: ${p.void.replaceAll("-", " ")}` : "No readings stand here"), s.sheet && h("p", { class: "quiet" }, sheetWords(s.sheet))];
  const suspects = new Map((v.suspects ?? []).map((/** @type {any} */ one) => [one.reading, one]));
  const moves = v.verdict === "adjust" || v.verdict === "unsure" ? w.words.moves : [];
  const behind = s.sheet.setup.side === "behind";
  return [h("p", { class: "verdict-word " + tone(v), id: "verdict" }, verdictGlyph(v.verdict), h("span", null, verdict(v))),
    h("p", { class: "why" }, p.waived ? "Let pass by you, with a reason." : v.verdict === "remeasure" ? contradiction(v) : moves.length ? moves.map((/** @type {any} */ m, /** @type {number} */ i) => [i ? "; " : "", line(m, "bay")]) : v.copied ? "Every reading is exactly as planned: were they measured?" : ""),
    h("table", { class: "readings" }, h("thead", null, h("tr", null, h("th", { scope: "col" }), h("th", { scope: "col" }, "Reading"), h("th", { scope: "col", class: "n" }, "Value"), h("th", { scope: "col", class: "n" }, "Against the rest"))),
      h("tbody", null, p.stands.map((/** @type {any} */ r, /** @type {number} */ i) => {
        const a = v.readings?.[i], z = a?.standardised_residual_ppm, sus = /** @type {any} */ (suspects.get(i));
        const off = sus && (sus.likely_error_um !== undefined ? lengthText(Math.abs(sus.likely_error_um)) : degText(Math.abs(sus.likely_error_udeg)));
        const long = sus && (sus.likely_error_um ?? sus.likely_error_udeg) > 0;
        return h("tr", { class: sus ? "suspect" : "" }, h("td", { class: "n" }, i + 1), h("th", { scope: "row" }, reading(r, "", s.sheet.setup.datum)), h("td", { class: "n" }, value(r)),
          h("td", { class: "n" }, sus ? h("b", { class: "bay" }, `${off} too ${long ? "large" : "small"}`) : a?.smallest_error_um === undefined && a?.smallest_error_udeg === undefined ? h("span", { class: "quiet" }, "unchecked") : z === undefined ? "" : residual(z)));
      }))),
    h("div", { class: "slots" }, (v.judged ?? []).map((/** @type {any} */ j) => slot(j, behind))), road];
}

/** The two words and what holds them. @param {Watch} w @param {() => void} go says the desk's */
export function twoWords(w, go) {
  const s = w.state, p = s.place;
  if (!s.sheet || ["declared", "closed"].includes(s.phase)) return null;
  const fitted = s.steps.filter((/** @type {any} */ one) => one.step === "fit-target" && one.state === "done").at(-1)?.target === s.sheet.target;
  const gates = s.gates.every((/** @type {any} */ g) => !["open", "not"].includes(gateState(g)));
  const still = p.stage === "frozen" || p.stage === "held";
  const hold = (/** @type {boolean} */ ok, /** @type {string} */ name, /** @type {string} */ yes, /** @type {string} */ no) => h("li", null, gateGlyph(ok ? "met" : "open"), `${name}: ${ok ? yes : no}`);
  const word = s.word;
  return h("div", { class: "two-words" }, h("h2", null, "Start on two words ", h("span", { class: "quiet", id: "word-left" }, "both inside 60 s")),
    h("div", { class: "pair" }, h("div", { class: "mini" },
      h("button", { type: "button", id: "go", class: "mini-word up" + (word?.role === "specialist" ? " said" : ""), disabled: p.stage !== "held" || word?.role === "specialist" || s.phase !== "guided", onclick: go }, "Go"), seam("open", undefined, 20), h("div", { class: "mini-word low" + (word?.role === "technician" ? " said" : "") }, "Bay clear")),
      h("ul", null, hold(gates, "Gates", "met", "not all"), hold(Boolean(w.job?.scans?.length), "Scan", "recorded", "none yet"), hold(fitted, "Target", "fitted", "not read back"), hold(p.verdict?.verdict === "within" || Boolean(p.waived), "Set-up", p.waived ? "let pass" : "within", "not within"), hold(still, "Frozen", "yes", "not yet"), hold(p.stage === "held", "Closing", "held", p.closing_verdict?.verdict === "moved" ? "moved" : "not taken"))));
}

/** @param {Watch} w */
export function log(w) {
  return h("details", { class: "log", id: "log" }, h("summary", null, `${w.entries.length} ${w.entries.length === 1 ? "entry" : "entries"}`), h("ol", { reversed: true }, [...w.entries].reverse().slice(0, 40).map((e) => h("li", { value: e.seq }, `${timeOfDay(e.at)} ${e.type.replaceAll("-", " ")}`, h("span", { class: "quiet" }, ` ${e.role}`)))));
}

/** @param {any} v */
function contradiction(v) {
  const names = (v.suspects ?? []).map((/** @type {any} */ one) => one.reading + 1);
  return names.length ? `Reading ${names.join(" or ")} and the others contradict. Left out, the rest agree.` : "The readings contradict each other; no single one stands out.";
}

/** @param {any} ppm */
function residual(ppm) {
  const text = decimal(Math.abs(ppm), 6, 1);
  return text === "0.0" ? "agrees" : `${text} σ ${ppm > 0 ? "large" : "small"}`;
}

/** @param {any} sheet */
export function sheetWords(sheet) {
  const set = sheet.setup;
  return [`${sheet.source.title}, ${sheet.source.dated}, version ${sheet.source.version}. `, set.distance_um !== undefined ? `${lengthShort(set.distance_um)} ${set.side === "behind" ? "behind" : "ahead of"} ${datum(set.datum)}, ` : "", `${set.positions.length} position${set.positions.length === 1 ? "" : "s"}, by the ${datum(set.line)}. `,
    sheet.limits === "own" ? "Limits are the shop's own." : "Limits as stated."];
}

/** The instruction before it is sent, from the plan. @param {Watch} w @param {any} t */
export function preview(w, t) {
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
