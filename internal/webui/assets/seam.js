// @ts-check
// The seam: above it what was asked, below it what was answered. While an answer is owed the lower ticks stand half a
// division off; when it agrees they slide into line and both turn mint.

import { s } from "./dom.js";

/** @param {"open" | "met"} state @param {number} [share] of sixty seconds that has passed, 0 to 1 @param {number} [divisions] */
export function seam(state, share, divisions = 100) {
  const ticks = (/** @type {boolean} */ low) => {
    let d = "";
    for (let i = 0; i <= divisions; i++) {
      const x = (i * 1200) / divisions, size = i % 5 === 0 ? 14 : 8;
      d += low ? `M${x} 24v${size}` : `M${x} 16v${-size}`;
    }
    return d;
  };
  return s("svg", { class: `seam ${state}${divisions < 100 ? " few" : ""}`, viewBox: "0 0 1200 40", preserveAspectRatio: "none", "aria-hidden": "true" },
    s("path", { d: ticks(false), class: "upper" }), s("path", { d: ticks(true), class: "lower" }), s("path", { d: "M0 20h1200", class: "line" }),
    share !== undefined && s("path", { d: `M0 20h${1200 * share}M${1200 * share} 4v32`, class: "passed" }));
}
