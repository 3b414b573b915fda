// @ts-check
// Slot and tongue: the limit as a slot, the measured place with its doubt as a tongue. The tongue is as wide as the doubt
// makes the slot narrow: it fits exactly where at least 95 % of the doubt lies within the limit, so picture and verdict agree.

import { h, s } from "./dom.js";
import { deviation } from "./format.js";
import { quantity } from "./words.js";

/** The normal distribution function; Abramowitz and Stegun 26.2.17, error below 7.5e-8. @param {number} z */
function phi(z) {
  const t = 1 / (1 + 0.2316419 * Math.abs(z));
  const tail = 0.3989422804 * Math.exp((-z * z) / 2) * t * (0.31938153 + t * (-0.356563782 + t * (1.781477937 + t * (-1.821255978 + t * 1.330274429))));
  return z > 0 ? 1 - tail : tail;
}

/** Half the tongue's width for a limit t and a standard uncertainty u. @param {number} t @param {number} u */
export function halfWidth(t, u) {
  const within = (/** @type {number} */ d) => phi((t - d) / u) - phi((-t - d) / u);
  if (within(0) < 0.95) return t * 1.4; // wider than the slot: nothing could fit
  let [low, high] = [0, t];
  for (let i = 0; i < 30; i++) {
    const middle = (low + high) / 2;
    if (within(middle) >= 0.95) low = middle;
    else high = middle;
  }
  return t - low;
}

/** @param {any} j a judged quantity @param {boolean} behind */
export function slot(j, behind) {
  const d = j.deviation_um ?? j.deviation_udeg ?? 0;
  const u = j.standard_uncertainty_um ?? j.standard_uncertainty_udeg ?? 0;
  const t = j.tolerance_um ?? j.tolerance_udeg ?? 1;
  const fits = j.conformance_ppm >= 950_000;
  const mirrored = j.quantity === "lateral" || j.quantity === "azimuth"; // vehicle left at screen left
  const at = (/** @type {number} */ v) => 100 + ((mirrored ? -v : v) / (3 * t)) * 100;
  const x = at(Math.max(-3 * t, Math.min(3 * t, d)));
  const w = (Math.min(halfWidth(t, Math.max(u, 1)), 3 * t) / (3 * t)) * 100;
  const ticks = [];
  for (let i = -3; i <= 3; i++) ticks.push(s("path", { d: `M${100 + (i * 100) / 3} 58v${i === 0 ? -12 : -6}`, class: "tick" }));
  return h("div", { class: "slot " + (fits ? "met" : "bay") },
    s("svg", { viewBox: "0 0 200 60", "aria-hidden": "true", preserveAspectRatio: "none" },
      s("rect", { x: 0, y: 0, width: 100 - 100 / 3, height: 26, class: "jaw" }), s("rect", { x: 100 + 100 / 3, y: 0, width: 100 - 100 / 3, height: 26, class: "jaw" }),
      ticks, s("path", { d: "M0 58h200", class: "tick" }),
      s("rect", { x: Math.max(0, Math.min(200 - 4, x - w)), y: fits ? 4 : 32, width: Math.max(4, 2 * w), height: fits ? 48 : 24, class: fits ? "tongue" : "tongue" }),
      Math.abs(d) > 3 * t && s("path", { d: x > 100 ? "M186 30l12 10-12 10z" : "M14 30L2 40l12 10z", class: "arrow" })),
    h("span", { class: "slot-name" }, quantity(j.quantity)), h("b", { class: "slot-value" }, deviation(j, behind)));
}
