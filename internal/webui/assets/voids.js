// @ts-check
// What makes a set-up one that stands no longer, as a short list of big buttons: where a hand or a foot was, in the order in
// which it happens. Each is held, because what was measured falls with it.

import { h } from "./dom.js";
import { hold } from "./hold.js";
import { CAUSES } from "./words.js";

/** The usual ones first; the rest behind one more press. */
const USUAL = ["fixture-touched", "car-moved", "door-opened", "person-in-or-out", "load-changed", "mark-lost"];

/** @param {(cause: string) => void} act */
export function voids(act) {
  const button = (/** @type {string} */ cause) => hold({ id: "void-" + cause, class: "second" }, /** @type {any} */ (CAUSES)[cause], () => act(cause));
  const rest = h("div", { class: "menu", hidden: true }, Object.keys(CAUSES).filter((c) => !USUAL.includes(c)).map(button));
  const more = h("button", { type: "button", id: "void-more", class: "second", onclick: () => { rest.hidden = false; more.hidden = true; rest.querySelector("button")?.focus(); } }, "Something else");
  return h("section", { class: "scroll" }, h("h1", null, "What changed? Hold it."), h("p", { class: "then" }, "What was measured then no longer stands. While a leg runs, it interrupts it."),
    h("div", { class: "menu" }, USUAL.map(button), more), rest);
}
