// @ts-check
// Slot and tongue: the limits as a slot, the measured place with its doubt as a tongue. The tongue is as wide as the doubt
// makes the slot narrow: it fits exactly where at least 95 % of the doubt lies within the limits, so picture and verdict agree.
// Where one side alone is limited the slot is open to the other.

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

/** Both limits, and half the slot's width; a slot that is open to one side is drawn as wide as the server weighs it. @param {any} j */
function edges(j) {
  const both = j.tolerance_um ?? j.tolerance_udeg;
  const lower = both !== undefined ? -both : (j.lower_um ?? j.lower_udeg ?? -Infinity), upper = both ?? j.upper_um ?? j.upper_udeg ?? Infinity;
  const open = !Number.isFinite(upper - lower), room = j.deviation_udeg === undefined ? 5000 : 250_000;
  const t = open ? Math.max(room, Math.min(-lower, upper)) : (upper - lower) / 2;
  return { lower, upper, open, t, middle: open ? (lower === -Infinity ? upper - t : lower + t) : (lower + upper) / 2 };
}

/** @param {any} j a judged quantity @param {boolean} behind */
export function slot(j, behind) {
  const d = j.deviation_um ?? j.deviation_udeg ?? 0;
  const u = Math.max(j.standard_uncertainty_um ?? j.standard_uncertainty_udeg ?? 0, 1);
  const { lower, upper, open, t, middle } = edges(j);
  const fits = j.conformance_ppm >= 950_000;
  const mirrored = j.quantity === "lateral" || j.quantity === "azimuth"; // vehicle left at screen left
  const at = (/** @type {number} */ v) => 100 + ((mirrored ? middle - v : v - middle) / (3 * t)) * 100;
  const x = at(Math.max(middle - 3 * t, Math.min(middle + 3 * t, d)));
  const w = (Math.min(open ? 1.645 * u : halfWidth(t, u), 3 * t) / (3 * t)) * 100;
  const jaw = (/** @type {number} */ v, /** @type {boolean} */ right) => Number.isFinite(v) && s("rect", { x: right ? at(v) : 0, y: 0, width: right ? 200 - at(v) : at(v), height: 26, class: "jaw" });
  const ticks = [];
  for (let i = -3; i <= 3; i++) ticks.push(s("path", { d: `M${100 + (i * 100) / 3} 58v-6`, class: "tick" }));
  return h("div", { class: "slot " + (fits ? "met" : "bay") },
    s("svg", { viewBox: "0 0 200 60", "aria-hidden": "true", preserveAspectRatio: "none" },
      jaw(lower, mirrored), jaw(upper, !mirrored),
      ticks, s("path", { d: `M${Math.max(0, Math.min(200, at(0)))} 58v-12`, class: "tick" }), s("path", { d: "M0 58h200", class: "tick" }),
      s("rect", { x: Math.max(0, Math.min(200 - 4, x - w)), y: fits ? 4 : 32, width: Math.max(4, 2 * w), height: fits ? 48 : 24, class: "tongue" }),
      Math.abs(d - middle) > 3 * t && s("path", { d: x > 100 ? "M186 30l12 10-12 10z" : "M14 30L2 40l12 10z", class: "arrow" })),
    h("span", { class: "slot-name" }, quantity(j.quantity)), h("b", { class: "slot-value" }, deviation(j, behind)));
}
