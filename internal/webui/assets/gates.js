// @ts-check
// The conditions of car and bay: what has to be answered beside the set-up itself.

import { byId, h } from "./dom.js";
import { decimal, parse } from "./format.js";
import { gateState, gateWord } from "./gatestate.js";
import { gateGlyph } from "./glyph.js";
import { CAUTIONS, gate as name, GRADES } from "./words.js";

const EVIDENCE = /** @type {const} */ ([["declared", "Seen by me"], ["measured", "Measured"], ["photographed", "Photographed"]]);
let evidence = "declared";

/**
 * @param {import("./watch.js").Watch} w
 * @param {(type: string, data: object) => Promise<any>} act
 */
export function gates(w, act) {
  const answer = (/** @type {any} */ g, /** @type {boolean} */ met) => () => {
    const data = { gate: g.gate, met, evidence };
    if (g.gate === "temperature-noted") {
      const t = parse(/** @type {HTMLInputElement} */ (byId("temperature")).value, 3);
      if (t === null) { byId("temperature").focus(); return; }
      Object.assign(data, { value: { amount: t, unit: "mC" } });
    }
    act("record-gate", data);
  };
  const row = (/** @type {any} */ g) => h("li", { class: "gate " + gateState(g), id: "gate-" + g.gate },
    gateGlyph(gateState(g)), h("span", { class: "gate-name" }, h("b", null, name(g.gate)), h("span", { class: "quiet" }, `${/** @type {any} */ (GRADES)[g.grade]}${g.by === "request" ? ", before the request" : ", before the leg"}: ${gateWord(g)}`)),
    g.gate === "temperature-noted"
      ? h("span", { class: "gate-keys" }, h("label", { class: "unseen", for: "temperature" }, "Temperature in degrees Celsius"),
        h("input", { id: "temperature", type: "text", inputmode: "decimal", class: "short", autocomplete: "off", value: g.value ? decimal(g.value.amount, 3, 1) : "" }), h("span", { class: "unit" }, "°C"),
        h("button", { type: "button", id: "yes-" + g.gate, onclick: answer(g, true), "aria-label": "Note: " + name(g.gate) }, "Note"))
      : h("span", { class: "gate-keys" },
        h("button", { type: "button", id: "yes-" + g.gate, onclick: answer(g, true), "aria-label": "Met: " + name(g.gate), "aria-pressed": String(g.answered && g.met) }, "Met"),
        h("button", { type: "button", id: "no-" + g.gate, onclick: answer(g, false), "aria-label": "Not met: " + name(g.gate), "aria-pressed": String(g.answered && !g.met) }, "Not met")));
  const known = h("div", { class: "segments", role: "group", "aria-label": "How you know" }, EVIDENCE.map(([v, text]) =>
    h("button", { type: "button", class: "segment", "aria-pressed": String(v === evidence), onclick: (/** @type {Event} */ e) => {
      evidence = v;
      for (const b of known.children) b.setAttribute("aria-pressed", String(b === e.currentTarget));
    } }, text)));
  return h("section", { class: "scroll", "aria-labelledby": "gates-title" }, h("h1", { id: "gates-title" }, "Car and bay"),
    known, h("ul", { class: "gates" }, w.state.gates.map(row)), h("p", { class: "caution" }, CAUTIONS.gates));
}
