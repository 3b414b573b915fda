// @ts-check
// The conditions of car and bay, and the scan: what has to be answered beside the set-up itself.

import { Refused } from "./api.js";
import { byId, h } from "./dom.js";
import { decimal, parse } from "./format.js";
import { gateGlyph } from "./glyph.js";
import { CAUTIONS, gate as name, GRADES } from "./words.js";

const EVIDENCE = /** @type {const} */ ([["declared", "Seen by me"], ["measured", "Measured"], ["photographed", "Photographed"]]);
let evidence = "declared";

/** @param {any} g */
export function gateState(g) {
  if (g.waived) return "waived";
  if (g.met || (g.grade === "recorded" && g.answered)) return "met";
  return g.answered ? "not" : "open";
}

/** @param {any} g */
export const gateWord = (g) => ({ waived: "let pass by the desk", met: g.grade === "recorded" ? "noted" : "met", not: "not met", open: "not answered" })[gateState(g)];

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

/**
 * @param {import("./watch.js").Watch} w
 * @param {(data: object) => Promise<any>} send
 */
export function scan(w, send) {
  const last = w.job?.scans?.[w.job.scans.length - 1];
  let when = w.state.attempts.length ? "after" : "before";
  const list = h("div", { class: "codes" });
  const add = () => {
    const n = list.children.length + 1;
    list.append(h("div", { class: "code", role: "group", "aria-label": "Code " + n },
      h("label", { class: "unseen", for: "code-" + n }, "Code " + n), h("input", { id: "code-" + n, type: "text", maxlength: 8, placeholder: "B1F0E-54", autocomplete: "off", autocapitalize: "characters", spellcheck: "false" }),
      h("label", { class: "unseen", for: "status-" + n }, "Status byte of code " + n), h("input", { id: "status-" + n, type: "text", inputmode: "numeric", class: "short", value: "8" }),
      h("label", { class: "choice" }, h("input", { type: "checkbox", id: "blocks-" + n }), h("span", null, "holds the routine back"))));
  };
  const segment = (/** @type {string} */ v, /** @type {string} */ text) => h("button", { type: "button", class: "segment", "aria-pressed": String(v === when), onclick: (/** @type {Event} */ e) => {
    when = v;
    const me = /** @type {Element} */ (e.currentTarget);
    for (const b of me.parentElement?.children ?? []) b.setAttribute("aria-pressed", String(b === me));
  } }, text);
  const form = h("form", { id: "scan", class: "scan", novalidate: true },
    h("h1", null, "Scan"), h("p", { class: "quiet" }, last ? `Last one: ${last.when} the work, ${last.codes.length} codes, ${last.codes.filter((/** @type {any} */ c) => c.blocking).length} hold the routine back.` : "None recorded yet. A leg needs one."),
    h("div", { class: "segments", role: "group", "aria-label": "When" }, segment("before", "Before the work"), segment("after", "After the work")),
    list, h("button", { type: "button", class: "plain", onclick: add }, "Add a code"),
    h("p", { id: "scan-problem", class: "problem", role: "alert" }),
    h("button", { type: "submit", class: "primary" }, "Record the scan"));
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id));
    const codes = [...list.children].map((_, i) => ({ code: value(`code-${i + 1}`).value.trim().toUpperCase(), status: Number(value(`status-${i + 1}`).value), blocking: value(`blocks-${i + 1}`).checked })).filter((c) => c.code);
    try {
      await send({ when, codes, source: "typed" }); // and then this form is gone
    } catch (err) {
      byId("scan-problem").textContent = err instanceof Refused ? err.text() : String(err);
    }
  });
  return form;
}
