// @ts-check
// The desk's queue: in the server's order, with its class and reasons in words, to whom each request is offered, and until
// when the car is promised.

import { h, kept } from "./dom.js";
import { clock, dayTime } from "./format.js";
import { sensor, sentence } from "./words.js";

const CLASSES = /** @type {Record<string, string>} */ ({ held: "Car is held", ready: "Frozen and ready", promised: "Promised", ordinary: "Ordinary", advice: "A question" });

/** What the bay was told of the wait. @param {any} e */
const said = (e) => e && (e.nobody ? "The bay was told: " + (e.why?.[0].words ?? "Nobody on duty.") : `The bay was told: ${Math.round(e.low_s / 60)} to ${Math.max(1, Math.round(e.high_s / 60))} min.`);

/** @param {{code: string, words: string}[]} why */
const notYou = (why) => (why.some((x) => x.code === "off-duty") ? "You are off duty." : why.length ? "Not offered to you: " + why.map((x) => x.words).join(" ") : "");

/** The form for why not; it stays, opened or not, while the queue around it is drawn anew. @param {string} id @param {(reason: string) => void} send */
function decline(id, send) {
  const reason = /** @type {HTMLInputElement} */ (h("input", { id: "why-" + id, type: "text", maxlength: 400 }));
  const form = h("form", { class: "decline", hidden: true }, h("label", { for: "why-" + id }, "Why it is not for you"), reason, h("button", { type: "submit", class: "desk-key quiet-key" }, "Send the reason"));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    if (reason.value.trim()) send(reason.value.trim()); else reason.focus();
  });
  form.addEventListener("keydown", (e) => {
    if (e.key !== "Escape") return;
    form.hidden = true;
    document.getElementById("decline-" + id)?.focus();
  });
  return form;
}

/**
 * @param {any[]} rows of GET /v1/queue
 * @param {{name: (member: string) => string, shop: (org: string) => string, claim: (row: any) => void, decline: (row: any, reason: string) => void, now: number}} desk
 */
export function queueRows(rows, desk) {
  return rows.map((r) => {
    const p = r.place, q = r.summary.queue ?? {}, id = r.stream.id;
    const why = kept("why-" + id, () => decline(id, (reason) => desk.decline(r, reason))), no = /** @type {HTMLElement} */ (why.firstElementChild);
    const offered = p.offered_to.map(desk.name).filter(Boolean);
    return h("article", { class: "strip waiting", id: "waits-" + id },
      h("div", { class: "strip-name" }, h("b", null, `${p.position}  ${sensor(r.summary.sensor)}`), h("span", { class: "quiet" }, [desk.shop(r.org), r.summary.verdict ? "set-up begun: " + r.summary.verdict : "set-up not begun"].filter(Boolean).join(" · "))),
      h("div", { class: "grow place" }, h("b", { class: "class " + p.class }, CLASSES[p.class] ?? sentence(p.class)), " ",
        h("span", null, p.reasons.map((/** @type {any} */ x) => x.words).join(" ")),
        h("span", { class: "quiet" }, [q.promised && `Car promised for ${dayTime(Date.parse(q.promised))}.`, q.languages && `Speaks ${q.languages.join(" or ")}.`, `Due ${dayTime(Date.parse(p.due))}.`, said(q.estimate),
          offered.length ? `Offered to ${offered.join(", ")}.` : "Nobody on duty may take it.", notYou(p.not_you)].filter(Boolean).join(" ")), why),
      h("b", { class: "strip-clock", "data-since": String(Date.parse(r.queued_at)) }, clock(desk.now - Date.parse(r.queued_at))),
      h("div", { class: "pair-keys" }, h("button", { type: "button", class: "desk-key claim", id: "claim-" + id, onclick: () => desk.claim(r) }, "Claim"),
        h("button", { type: "button", class: "plain", id: "decline-" + id, onclick: () => { no.hidden = !no.hidden; if (!no.hidden) no.querySelector("input")?.focus(); } }, "Decline")));
  });
}
