// @ts-check
// The shapes that say what is known, beside the word and the colour that say it too.

import { s } from "./dom.js";

/** Whose turn: the upper half is the desk, the lower half the bay. @param {"technician" | "specialist" | "running" | ""} who */
export function turnGlyph(who) {
  const up = who === "specialist" || who === "running";
  const low = who === "technician" || who === "running";
  return s("svg", { class: "glyph", viewBox: "0 0 44 40", "aria-hidden": "true" },
    s("path", { d: "M9 2h26l7 7v9H2V9z", class: up ? "on" : "off" }),
    s("path", { d: "M2 22h40v9l-7 7H9l-7-7z", class: low ? "on" : "off" }));
}

/** @param {boolean} joined */
export function linkGlyph(joined) {
  return s("svg", { class: "glyph wide", viewBox: "0 0 48 24", "aria-hidden": "true" },
    joined
      ? [s("path", { d: "M2 3h20v6h6v6h-6v6H2z", class: "on" }), s("path", { d: "M46 3H26v3h5v12h-5v3h20z", class: "on" })]
      : [s("path", { d: "M2 3h14v6h6v6h-6v6H2z", class: "off" }), s("path", { d: "M46 3H30v18h16z", class: "off dashed" })]);
}

export const stopGlyph = () => s("svg", { class: "glyph", viewBox: "0 0 40 40", "aria-hidden": "true" },
  s("path", { d: "M13 3h14l10 10v14L27 37H13L3 27V13z", fill: "none", stroke: "currentColor", "stroke-width": 4 }), s("rect", { x: 14, y: 14, width: 12, height: 12, fill: "currentColor" }));

export const speakGlyph = () => s("svg", { class: "glyph", viewBox: "0 0 40 32", "aria-hidden": "true", fill: "none", stroke: "currentColor", "stroke-width": 3 },
  s("path", { d: "M4 12h6l8-8v24l-8-8H4z", fill: "currentColor", stroke: "none" }), s("path", { d: "M24 10q4 6 0 12M30 5q8 11 0 22" }));

/** A verdict: the slot above, the tongue below, seated or not. @param {string} verdict */
export function verdictGlyph(verdict) {
  const slot = [s("rect", { x: 2, y: 2, width: 24, height: 34, class: "jaw" }), s("rect", { x: 54, y: 2, width: 24, height: 34, class: "jaw" })];
  const tongue = {
    within: () => [s("rect", { x: 30, y: 6, width: 20, height: 60, class: "tongue" }), s("rect", { x: 2, y: 66, width: 76, height: 6, class: "tongue" })],
    adjust: () => [s("rect", { x: 22, y: 46, width: 36, height: 20, class: "tongue", transform: "rotate(-22 40 56)" })],
    unsure: () => [s("rect", { x: 46, y: 40, width: 20, height: 28, class: "outline" }), s("path", { d: "M46 54l14-14M46 66l20-20M54 68l12-12", class: "hatch" })],
    remeasure: () => [s("path", { d: "M14 44h18l-6 6 6 6-6 6 6 6H14z", class: "tongue" }), s("path", { d: "M66 44H46l-6 6 6 6-6 6 6 6h20z", class: "tongue" })],
  }[verdict] ?? (() => [s("rect", { x: 4, y: 44, width: 72, height: 22, class: "outline dashed" })]);
  return s("svg", { class: "verdict-glyph", viewBox: "0 0 80 76", "aria-hidden": "true" }, slot, tongue());
}

/** A condition: a seated block, an open slot, or a closed one with a stroke. @param {"met" | "open" | "waived" | "not"} state */
export function gateGlyph(state) {
  return s("svg", { class: "glyph gate-" + state, viewBox: "0 0 32 32", "aria-hidden": "true" },
    s("path", { d: "M3 4h8v12h10V4h8v24H3z", class: state === "met" ? "jaw-on" : "jaw-off" }),
    state === "met" && s("rect", { x: 11, y: 2, width: 10, height: 14, class: "plug" }),
    state === "waived" && s("path", { d: "M11 10h10", class: "stroke" }),
    state === "not" && s("path", { d: "M6 30L26 2", class: "stroke" }));
}
