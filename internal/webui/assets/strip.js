// @ts-check
// The last 24 minutes of a calibration as a conversation: the desk's time above the line, the bay's below, a running leg
// across it.

import { s } from "./dom.js";

const SPAN_MS = 24 * 60_000;

/** @param {import("./watch.js").Watch} w @param {number} now */
export function strip(w, now) {
  const x = (/** @type {number} */ at) => Math.max(0, Math.min(680, 680 * (1 - (now - at) / SPAN_MS)));
  const blocks = [], e = w.entries;
  for (let i = 1; i <= e.length; i++) {
    const from = e[i - 1], to = e[i];
    const a = x(from.at), b = x(to ? to.at : now);
    if (b <= 0) continue;
    const running = from.type === "leg-started";
    const who = to ? to.role : w.state.turn.who;
    if (running) blocks.push(s("rect", { x: a, y: 2, width: Math.max(2, b - a), height: 36, class: "both" }));
    else if (who) blocks.push(s("rect", { x: a, y: who === "specialist" ? 2 : 22, width: Math.max(2, b - a), height: 16, class: who === "specialist" ? "up" : "low" }));
  }
  const ticks = [];
  for (let i = 0; i <= 24; i += 4) ticks.push(`M${(680 * i) / 24} 16v8`);
  return s("svg", { class: "conversation", viewBox: "0 0 690 40", preserveAspectRatio: "none", "aria-hidden": "true" }, blocks, s("path", { d: "M0 20h684" + ticks.join(""), class: "axis" }), s("path", { d: "M690 13l-8 7 8 7z", class: "now" }));
}
