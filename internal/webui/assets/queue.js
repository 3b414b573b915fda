// @ts-check
// The desk's queue: in the server's order, with its class and reasons in words, to whom each request is offered, and until
// when the car is promised.

import { h } from "./dom.js";
import { clock, dayTime } from "./format.js";
import { sensor, sentence } from "./words.js";

const CLASSES = /** @type {Record<string, string>} */ ({ held: "Car is held", ready: "Frozen and ready", promised: "Promised", ordinary: "Ordinary", advice: "A question" });

/** What the bay was told of the wait. @param {any} e */
const said = (e) => e && (e.nobody ? "The bay was told: nobody on duty." : `The bay was told: ${Math.round(e.low_s / 60)} to ${Math.max(1, Math.round(e.high_s / 60))} min.`);

/**
 * @param {any[]} rows of GET /v1/queue
 * @param {{name: (member: string) => string, shop: (org: string) => string, claim: (row: any) => void, decline: (row: any, reason: string) => void, now: number}} desk
 */
export function queueRows(rows, desk) {
  return rows.map((r) => {
    const p = r.place, q = r.summary.queue ?? {}, id = r.stream.id;
    const reason = h("input", { id: "why-" + id, type: "text", maxlength: 400, "aria-label": "Why it is not for you" });
    const no = h("form", { class: "decline", hidden: true }, reason, h("button", { type: "submit", class: "desk-key quiet-key" }, "Decline"));
    no.addEventListener("submit", (e) => {
      e.preventDefault();
      const text = /** @type {HTMLInputElement} */ (reason).value.trim();
      if (text) desk.decline(r, text); else reason.focus();
    });
    const offered = p.offered_to.map(desk.name).filter(Boolean);
    return h("article", { class: "strip waiting", id: "waits-" + id },
      h("div", { class: "strip-name" }, h("b", null, `${p.position}  ${sensor(r.summary.sensor)}`), h("span", { class: "quiet" }, [desk.shop(r.org), r.summary.verdict ? "set-up begun: " + r.summary.verdict : "set-up not begun"].filter(Boolean).join(" · "))),
      h("div", { class: "grow place" }, h("b", { class: "class " + p.class }, CLASSES[p.class] ?? sentence(p.class)), " ",
        h("span", null, p.reasons.map((/** @type {any} */ x) => x.words).join(" ")),
        h("span", { class: "quiet" }, [q.promised && `Car promised for ${dayTime(Date.parse(q.promised))}.`, q.languages && `Speaks ${q.languages.join(" or ")}.`, `Due ${dayTime(Date.parse(p.due))}.`, said(q.estimate),
          offered.length ? `Offered to ${offered.join(", ")}.` : "Offered to nobody on duty.", p.not_you.length ? "Not offered to you: " + p.not_you.map((/** @type {any} */ x) => x.words).join(" ") : ""].filter(Boolean).join(" ")), no),
      h("b", { class: "strip-clock", "data-since": String(Date.parse(r.queued_at)) }, clock(desk.now - Date.parse(r.queued_at))),
      h("div", { class: "pair-keys" }, h("button", { type: "button", class: "desk-key claim", id: "claim-" + id, onclick: () => desk.claim(r) }, "Claim"),
        h("button", { type: "button", class: "plain", id: "decline-" + id, onclick: () => { no.hidden = !no.hidden; if (!no.hidden) reason.focus(); } }, "Decline")));
  });
}
