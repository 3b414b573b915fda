// @ts-check
// The conditions of car and bay: what has to be answered beside the set-up itself.

import { byId, h } from "./dom.js";
import { amountText, answer as answered, farOutside, figureOf, gateState, gateWord, left, limits, parseAmount, unitName } from "./gatestate.js";
import { decimal } from "./format.js";
import { gateGlyph } from "./glyph.js";
import { thumbs } from "./picture.js";
import { CAUTIONS, gate as name, GRADES, sentence } from "./words.js";

const EVIDENCE = /** @type {const} */ ([["declared", "Seen by me"], ["measured", "Measured"], ["photographed", "Photographed"]]);
const DEMANDS = /** @type {Record<string, string>} */ ({ measured: "has to be measured", photographed: "has to be photographed" });
let evidence = "declared";
/** Figures that were typed and not entered yet, by gate: they stay while the list is drawn anew or left. @type {Map<string, string>} */
const typed = new Map();
/** The gate and figure that was asked about because it is far outside its limits: entered again it is sent. */
let doubted = "";

/**
 * @param {import("./watch.js").Watch} w
 * @param {(type: string, data: object) => Promise<any>} act
 * @param {(of: {gate: string}, look?: string) => void} photo opens the photos, to take one of the gate or to look at one
 */
export function gates(w, act, photo) {
  const known = (/** @type {any} */ g) => (DEMANDS[g.demands] ? g.demands : evidence);
  const answer = (/** @type {any} */ g, /** @type {boolean} */ met) => () => {
    const data = { gate: g.gate, met, evidence: known(g) }, f = figureOf(g);
    if (f && met) {
      const input = /** @type {HTMLInputElement} */ (byId("value-" + g.gate)), n = parseAmount(input.value, f.unit);
      byId("problem-" + g.gate).textContent = n === null ? `A number alone, in ${unitName(f.unit)}.` : "";
      if (n === null) return input.focus();
      const far = farOutside(f, n), asked = `${g.gate} ${n}`;
      if (far && doubted !== asked) {
        doubted = asked;
        const problem = byId("problem-" + g.gate);
        problem.textContent = `${amountText(n, f.unit)} is far outside ${far}. Enter it again to send it.`;
        input.focus();
        return problem.scrollIntoView({ block: "nearest" });
      }
      Object.assign(data, { value: { amount: n, unit: f.unit } });
      if (data.evidence === "declared" && g.figure) data.evidence = "measured"; // a figure is read off something
    }
    typed.delete(g.gate);
    act("record-gate", data);
  };
  const keys = (/** @type {any} */ g) => {
    const f = figureOf(g), text = name(g.gate), no = h("button", { type: "button", id: "no-" + g.gate, onclick: answer(g, false), "aria-label": "Not met: " + text, "aria-pressed": String(g.answered && !g.met && !g.ran_out) }, "Not met");
    const shot = g.demands === "photographed" && h("button", { type: "button", id: "photo-" + g.gate, onclick: () => photo({ gate: g.gate }), "aria-label": "Photo: " + text }, "Photo");
    if (!f) {
      return h("span", { class: "gate-keys" }, shot, h("button", { type: "button", id: "yes-" + g.gate, onclick: answer(g, true), "aria-label": "Met: " + text, "aria-pressed": String(g.answered && g.met && !g.ran_out) }, "Met"), no);
    }
    const digits = { um: 3, udeg: 6, mV: 3, hPa: 3, mC: 3 }[/** @type {string} */ (f.unit)] ?? 0;
    const shown = g.value && f.unit !== "um" ? decimal(g.value.amount, digits, digits).replace(/(\.\d*?)0+$/, "$1").replace(/\.$/, "").replace("\u2212", "-") : "";
    const input = h("input", { id: "value-" + g.gate, type: "text", inputmode: "decimal", class: "short", autocomplete: "off", value: typed.get(g.gate) ?? shown, oninput: (/** @type {Event} */ e) => typed.set(g.gate, /** @type {HTMLInputElement} */ (e.target).value), onkeydown: (/** @type {KeyboardEvent} */ e) => { if (e.key === "Enter") answer(g, true)(); } });
    return h("span", { class: "gate-keys" }, shot, h("label", { class: "unseen", for: "value-" + g.gate }, `${text}, in ${unitName(f.unit)}`), input, h("span", { class: "unit" }, unitName(f.unit)),
      h("button", { type: "button", id: "yes-" + g.gate, onclick: answer(g, true), "aria-label": "Enter: " + text }, g.grade === "recorded" ? "Note" : "Enter"), g.grade !== "recorded" && no);
  };
  const row = (/** @type {any} */ g) => {
    const by = g.limits_by && w.state.procedure?.register === w.state.shop && w.people(w.register?.members?.[g.limits_by]?.name);
    const rule = [limits(g, by), DEMANDS[g.demands]].filter(Boolean).join("; "), counts = left(g);
    return h("li", { class: "gate " + gateState(g), id: "gate-" + g.gate }, gateGlyph(gateState(g)),
      h("span", { class: "gate-name" }, h("b", null, name(g.gate)), g.asks && h("span", null, g.asks), h("span", { class: "quiet" }, `${/** @type {any} */ (GRADES)[g.grade]}${g.by === "request" ? ", before the request" : ", before the leg"}: `, h("b", null, gateWord(g)), answered(g) && " (" + answered(g) + ")"), (rule || counts) && h("span", { class: "quiet" }, rule, rule ? counts : typeof counts === "string" ? counts.slice(2) : [counts[0].slice(2), ...counts.slice(1)]),
        figureOf(g) && h("span", { class: "problem", id: "problem-" + g.gate, role: "alert" }),
        g.photos && thumbs(w, w.state.photos.filter((/** @type {any} */ p) => g.photos.includes(p.photo)), (id) => photo({ gate: g.gate }, id), g.gate)), keys(g));
  };
  const open = w.state.gates.filter((/** @type {any} */ g) => gateState(g) !== "met" && gateState(g) !== "waived").length;
  const how = h("div", { class: "segments", role: "group", "aria-label": "How you know" }, EVIDENCE.map(([v, text]) =>
    h("button", { type: "button", class: "segment", "aria-pressed": String(v === evidence), onclick: (/** @type {Event} */ e) => {
      evidence = v;
      for (const b of how.children) b.setAttribute("aria-pressed", String(b === e.currentTarget));
    } }, text)));
  // What is still to be answered is in sight, unless somebody is at another one.
  requestAnimationFrame(() => { if (!box.contains(document.activeElement)) box.querySelector(".gate.open, .gate.not")?.scrollIntoView({ block: "nearest" }); });
  const box = h("section", { class: "scroll", "aria-labelledby": "gates-title" }, h("h1", { id: "gates-title" }, `Car and bay${open ? `: ${open} open` : ""}`),
    w.state.procedure && h("p", { class: "quiet then" }, `${w.state.procedure.title}: ${w.state.procedure.source.title}, ${w.state.procedure.source.dated}, version ${w.state.procedure.source.version}`),
    how, h("ul", { class: "gates" }, w.state.gates.map(row)), h("p", { class: "caution" }, CAUTIONS.gates));
  return box;
}

/** A gate that waits for the desk to let it pass: what was answered, against what. @param {import("./watch.js").Watch} w @param {string} gate */
export function passing(w, gate) {
  const g = w.state.gates.find((/** @type {any} */ one) => one.gate === gate), is = answered(g), rule = limits(g);
  return [h("p", { class: "then", id: "passing" }, h("b", null, name(gate)), is && [": ", is], `, ${g.met ? "outside its caution" : "not met"}.`),
    g.asks && h("p", { class: "then quiet" }, g.asks), rule && h("p", { class: "then" }, sentence(rule), "."), h("p", { class: "then" }, "The desk lets it pass or not. You can answer it again.")];
}
