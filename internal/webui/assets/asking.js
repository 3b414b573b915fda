// @ts-check
// Asking for a specialist with more than one press, and what was said of the wait.

import { get } from "./api.js";
import { field, h, put, select } from "./dom.js";
import { dayTime } from "./format.js";

const LANGUAGES = /** @type {[string, string][]} */ ([["", "any"], ["en", "English"], ["de", "German"], ["fr", "French"], ["es", "Spanish"]]);

const EVERY_MS = 15_000;

/** Reasons that pass by themselves when somebody comes on duty. */
const WAITS = new Set(["off-duty", "desk-closed"]);

/** @param {any} e */
function range(e) {
  const [low, high] = [Math.round(e.low_s / 60), Math.max(1, Math.round(e.high_s / 60))];
  return low === 0 ? `up to ${high} min` : low === high ? `about ${high} min` : `${low} to ${high} min`;
}

/**
 * An estimate. place is where the request stands now; null for what was said when it was asked for. desks is with how many
 * the shop has an agreement, where that is known.
 * @param {any} e @param {number | null} place @param {number} [desks] @param {any[]} [phones] the desks' numbers
 */
function outlook(e, place, desks, phones = []) {
  const at = place === null ? "" : place === 1 ? "First in the queue. " : `Place ${place} in the queue. `;
  if (desks === 0) return [h("p", { class: "then" }, h("b", null, "The shop has no agreement with a desk.")), h("p", { class: "then" }, "Nobody sees the request. An owner of the shop makes the agreement.")];
  if (e.nobody) {
    const why = e.why?.map((/** @type {any} */ x) => x.words) ?? ["Nobody is on duty who may take it."];
    return [h("p", { class: "then" }, h("b", null, why.join(" "))),
      h("p", { class: "then" }, at, e.opens ? `A desk opens next ${dayTime(Date.parse(e.opens))}. The request waits for it.` : e.why?.some((/** @type {any} */ x) => WAITS.has(x.code)) ? "No opening hours are known. Telephone the desk." : "It waits, and nobody comes as things stand."),
      phones.map((t) => h("p", { class: "then" }, `${t.name}: ${t.phone}`))];
  }
  return [h("p", { class: "then" }, h("b", null, `${at}Likely ${range(e)}`), place === null ? " from when you asked" : " from now", `, middle ${Math.round(e.middle_s / 60)} min.`),
    h("p", { class: "caution" }, `${e.on_duty} on duty, ${e.ahead} before you. Four waits in five end inside that range.`)];
}

/**
 * Where the request stands and how long it will wait, looked up again and again while it is shown; without a link, what was
 * said when it was asked for.
 * @param {any} request @param {string} id of the calibration
 */
export function wait(request, id) {
  const promised = request?.promised && `The car is promised for ${dayTime(Date.parse(request.promised))}.`, said = request?.estimate;
  const now = h("div", { id: "place-now" }, said && outlook(said, null)), then = h("p", { class: "caution" });
  let shown = "";
  const look = async () => {
    try {
      const p = await get(`/v1/calibrations/${id}/place`);
      const key = JSON.stringify([p.place?.position, p.estimate, p.desks]);
      if (!p.place || !p.estimate || key === shown) return;
      shown = key;
      put(now, outlook(p.estimate, p.place.position, p.desks, p.telephones));
      put(then, said && `When you asked: ${said.nobody ? "nobody who could take it" : "likely " + range(said)}.`);
    } catch {
      // what is shown is the newest that is known
    }
  };
  look();
  const timer = setInterval(() => (now.isConnected ? look() : clearInterval(timer)), EVERY_MS);
  return h("div", { id: "wait" }, now, promised && h("p", { class: "then" }, promised), then);
}

/**
 * @param {any[]} others other calibrations of this job that wait already: id and name
 * @param {(data: object) => Promise<any>} send
 */
export function askForm(others, send) {
  const time = h("input", { type: "time" }), day = select([["0", "today"], ["1", "tomorrow"], ["2", "in two days"]]), language = select(LANGUAGES);
  const withWhich = select([["", "on its own"], ...others.map((o) => /** @type {[string, string]} */ ([o.id, "with " + o.name]))]);
  const advice = h("input", { type: "checkbox", id: "advice" });
  const form = h("form", { id: "ask", class: "sheet", novalidate: true }, h("h1", null, "Ask for a specialist"),
    h("fieldset", null, h("legend", null, "If the car is promised for a time"), field("promised", "Promised for", time), field("promised-day", "Day", day)),
    field("language", "Language", language), others.length > 0 && field("with", "Of this car", withWhich),
    h("label", { class: "choice" }, advice, h("span", null, "Only a question: no car stands still for it")),
    h("button", { type: "submit", class: "primary" }, "Ask"));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const v = (/** @type {Element} */ x) => /** @type {HTMLInputElement} */ (x).value;
    const at = new Date();
    const [hours, minutes] = v(time).split(":").map(Number);
    at.setDate(at.getDate() + Number(v(day)));
    at.setHours(hours, minutes, 0, 0);
    send({ ...(v(time) && { promised: at.toISOString().replace(/\.\d+Z/, "Z") }), ...(v(language) && { languages: [v(language)] }), ...(others.length && v(withWhich) && { with: v(withWhich) }), ...(/** @type {HTMLInputElement} */ (advice).checked && { advice: true }) });
  });
  return form;
}
