// @ts-check
// Asking for a specialist with more than one press, and what was said of the wait.

import { field, h, select } from "./dom.js";
import { dayTime } from "./format.js";

const LANGUAGES = /** @type {[string, string][]} */ ([["", "any"], ["en", "English"], ["de", "German"], ["fr", "French"], ["es", "Spanish"]]);

/** What the server said of the wait when guidance was asked for. @param {any} request */
export function wait(request) {
  const e = request?.estimate;
  const promised = request?.promised && `The car is promised for ${dayTime(Date.parse(request.promised))}.`;
  if (!e) return h("p", { class: "then", id: "wait" }, promised);
  if (e.nobody) {
    return h("div", { id: "wait" }, h("p", { class: "then" }, h("b", null, "Nobody is on duty who may take it.")),
      h("p", { class: "then" }, e.opens ? `A desk opens next ${dayTime(Date.parse(e.opens))}. The request waits for it.` : "No opening hours are known. Telephone the desk.", " ", promised));
  }
  const minutes = (/** @type {number} */ s) => Math.round(s / 60);
  const [low, high] = [minutes(e.low_s), Math.max(1, minutes(e.high_s))];
  return h("div", { id: "wait" }, h("p", { class: "then" }, h("b", null, low === 0 ? `Likely up to ${high} min` : low === high ? `Likely about ${high} min` : `Likely ${low} to ${high} min`), ` from when you asked, middle ${minutes(e.middle_s)} min.`),
    h("p", { class: "caution" }, `${e.on_duty} on duty, ${e.ahead} before you. Four waits in five end inside that range.`, " ", promised));
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
