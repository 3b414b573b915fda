// @ts-check
// Going off duty while calibrations are held: which they are and what becomes of each is said before, and nobody is kept.

import { h } from "./dom.js";
import { sensor } from "./words.js";

/** @typedef {import("./watch.js").Watch} Watch */

/** What of hers or his is not finished. @param {Watch[]} list @returns {Watch[]} */
export const held = (list) => list.filter((w) => w.mine && w.state.claim && (["guided", "stopped", "running"].includes(w.state.phase) || unsigned(w)));

/** @param {Watch} w */
const unsigned = (w) => w.state.phase === "declared" && !w.state.signs.some((/** @type {any} */ x) => x.by.role === "specialist");

/** What is to be known of one alone. @param {Watch} w */
const alone = (w) => (unsigned(w) ? ": only you sign it as specialist" : w.state.phase === "running" ? ": its leg runs on, end it first" : "");

/** @param {Watch[]} list what is held @param {{stay: () => void, leave: () => void, focus: (id: string) => void}} then */
export function leaving(list, then) {
  return h("div", { class: "notice", role: "alertdialog", "aria-labelledby": "leaving-title" }, h("div", null, h("p", { id: "leaving-title" }, h("b", null, list.length === 1 ? "You hold a calibration." : list.length ? `You hold ${list.length} calibrations. For each of them:` : "You hold none any more.")),
    h("ul", null, list.map((w) => h("li", null, h("button", { type: "button", class: "plain", id: "leaving-" + w.ref.id, onclick: () => then.focus(w.ref.id) }, w.name()), h("span", null, " ", sensor(w.state.sensor), alone(w))))),
    list.length > 0 && h("p", null, "It stays yours while this page is open, but a colleague may take it over without asking you. Soon after the page is shut it goes back to the queue."),
    list.length > 0 && h("p", { class: "quiet" }, "Press its plate to hand it over (P) or to give it back (B).")),
  h("p", { class: "send-line" }, h("button", { type: "button", class: "desk-key", id: "stay", onclick: then.stay }, h("kbd", null, "Esc"), "Stay on duty"), h("button", { type: "button", class: "desk-key quiet-key", id: "leave", onclick: then.leave }, "Go off duty")));
}
