// @ts-check
// A hand-over on either side: the card that the server made, which whoever comes reads and then says again with the card
// put away. The server compares.

import { h, put } from "./dom.js";
import { timeOfDay } from "./format.js";
import { sentence, task } from "./words.js";

const STAGES = /** @type {Record<string, string>} */ ({ none: "Not measured", placed: "Placed and measured", locked: "Clamps tight", frozen: "Frozen", held: "Frozen, closing readings held" });

/** @param {any} offer @param {import("./watch.js").Watch} w */
function card(offer, w) {
  const c = offer.card, points = offer.points && w.sealed(offer.points);
  const row = (/** @type {string} */ name, /** @type {any} */ value) => value && [h("dt", { class: "quiet" }, name), h("dd", null, value)];
  return h("dl", { class: "card", id: "card" }, row("Position", c.position || "no sheet yet"), row("Set-up", STAGES[c.stage]), row("Attempt", c.attempt ? `${c.attempt}, ${c.legs} legs completed` : "none is open"),
    row("Car and stand", c.frozen ? "must not be moved" : "may be moved"), row("Open step", c.step && `step ${c.step}`), row("Void", c.void && sentence(c.void)),
    row("Gates that hold a leg back", String(c.gates_open)), row("Next", sentence(task(offer.next)) || "nothing is due"), row("Open points", points));
}

/**
 * @param {any} offer
 * @param {import("./watch.js").Watch} w
 * @param {(type: string, data: object) => Promise<any>} act
 */
export function take(offer, w, act) {
  const box = h("div", { class: "handover" });
  /** @type {Record<string, any>} */
  const said = {};
  const choice = (/** @type {string} */ what, /** @type {string} */ legend, /** @type {[any, string][]} */ options) => {
    const group = h("div", { class: "segments", role: "group", "aria-label": legend }, options.map(([value, text]) => h("button", { type: "button", class: "segment", id: `say-${what}-${value}`, "aria-pressed": "false", onclick: (/** @type {Event} */ e) => {
      said[what] = value;
      for (const b of group.children) b.setAttribute("aria-pressed", String(b === e.currentTarget));
      /** @type {HTMLButtonElement} */ (send).disabled = Object.keys(said).length < 4;
    } }, text)));
    return h("div", null, h("p", { class: "quiet" }, legend), group);
  };
  const names = w.state.positions.map((/** @type {any} */ p) => /** @type {[string, string]} */ ([p.name, p.name]));
  const most = Math.max(offer.card.attempt, w.state.attempts.length) + 1;
  const send = h("button", { type: "button", id: "take-handover", class: "desk-key primary bay", disabled: true, onclick: () => act("take-handover", { ...said, position: said.position || undefined }) }, "Take over");
  const read = () => put(box, h("p", { class: "then" }, `Handed over at ${timeOfDay(Date.parse(offer.at))}. Read it, then say it from memory.`), card(offer, w),
    h("button", { type: "button", id: "card-read", class: "desk-key primary bay", onclick: say }, "Read: say it"));
  const say = () => put(box, choice("position", "Where does the stand stand?", names.length ? names : [["", "no sheet yet"]]), choice("stage", "How far is the set-up?", Object.entries(STAGES)),
    choice("attempt", "Which attempt is open?", [...Array(most + 1).keys()].map((n) => [n, n ? String(n) : "none"])), choice("frozen", "Car and stand", [[true, "must not be moved"], [false, "may be moved"]]),
    h("p", { class: "send-line" }, send, h("button", { type: "button", class: "second desk-key quiet-key", onclick: read }, "Read the card again")));
  read();
  return box;
}

/** @param {any} mine the offer that stands, if any @param {import("./watch.js").Watch} w @param {(type: string, data: object) => Promise<any>} act */
export function offer(mine, w, act) {
  const points = h("textarea", { id: "points", rows: 3, maxlength: 2000 });
  const send = () => act("offer-handover", /** @type {HTMLTextAreaElement} */ (points).value.trim() ? { points: /** @type {HTMLTextAreaElement} */ (points).value.trim() } : {});
  return h("div", { class: "handover" }, h("p", { class: "then" }, mine ? "Offered. A colleague of yours signs in and takes it. Until then it is yours. If the work goes on, offer it anew." : "The card is made by the server: position, set-up, what is frozen, the next step."),
    mine && card(mine, w), h("label", { for: "points" }, "Open points, in your own words"), points,
    h("button", { type: "button", id: "offer-handover", class: "desk-key primary bay", onclick: send }, mine ? "Offer it anew" : "Offer the hand-over"));
}
