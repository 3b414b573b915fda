// @ts-check
// How a calibration ended: what was declared, what the routine gave, who signed, the customer's notice, and what had been
// declared before it was reopened.

import { fetched } from "./api.js";
import { byId, field, h, kept, select } from "./dom.js";
import { driven } from "./drive.js";
import { dayTime } from "./format.js";
import { hold } from "./hold.js";
import { sentence } from "./words.js";

const ROLES = /** @type {Record<string, string>} */ ({ technician: "Technician", specialist: "Specialist", owner: "Owner" });
const LAMPS = /** @type {Record<string, string>} */ ({ off: "off", on: "on", "not-checked": "not checked" });
const CAUTION = /** @type {Record<string, string>} */ ({
  "no-scan-after": "No scan after the work", "blocking-codes-after": "Codes after the work that hold the routine back", "not-evaluated": "Nobody said whether the vehicle took it over",
  "lamps-on": "Warning lamps are on", "lamps-not-checked": "Warning lamps were not checked",
});
/** Outcomes with which the car leaves uncalibrated, so that its owner is told in writing. */
export const owesNotice = (/** @type {any} */ s) => ["not-completed", "interrupted"].includes(s.result?.outcome);

/** @param {import("./watch.js").Watch} w @param {any} by */
const who = (w, by) => (by.org === w.state.shop && w.people(w.register?.members?.[by.member]?.name)) || (by.role === "specialist" ? "of the desk" : "of the shop");

/** @param {import("./watch.js").Watch} w @param {any[]} signs */
const signatures = (w, signs) => h("ul", { class: "signs" }, signs.map((x) => h("li", null, h("b", null, ROLES[x.by.role] ?? x.by.role), ` ${who(w, x.by)}, ${dayTime(Date.parse(x.at))}`,
  x.again && h("b", { class: "again" }, " signed by the same person again"))));

/** @param {import("./watch.js").Watch} w @param {any} r a result */
function outcome(w, r) {
  const line = (/** @type {string} */ name, /** @type {any} */ value) => value && [h("dt", { class: "quiet" }, name), h("dd", null, value)];
  return h("dl", { class: "card" }, line("Declared", `${sentence(r.outcome)}, ${dayTime(Date.parse(r.at))}, ${(ROLES[r.by.role] ?? "").toLowerCase()}`), line("Reason", r.reason && w.sealed(r.reason)),
    line("Looked at", r.evaluation && `${r.evaluation.routine_confirmed ? "the vehicle took it over" : "the vehicle did not take it over"}, warning lamps ${LAMPS[r.evaluation.lamps]}`),
    line("Positions", r.positions.map((/** @type {any} */ p) => `${p.position}: ${p.outcome.replace("-", " ")}${p.attempt ? ` (attempt ${p.attempt}, leg ${p.leg})` : ""}`).join("; ")),
    line("Remarks", r.remarks && w.sealed(r.remarks)), line("Noted", r.cautions?.map((/** @type {string} */ c) => CAUTION[c] ?? sentence(c)).join("; ")));
}

/** What stands in the record. @param {import("./watch.js").Watch} w */
export function record(w) {
  const s = w.state;
  const given = s.attempts.flatMap((/** @type {any} */ a) => a.legs.flatMap((/** @type {any} */ l) => (l.values ?? []).map((/** @type {any} */ v) => `${l.position}: ${v.name} ${v.value}${v.unit ? " " + v.unit : ""}`)));
  return h("div", { class: "record", id: "record" }, s.result && outcome(w, s.result), given.length > 0 && h("p", null, h("span", { class: "quiet" }, "As the routine showed: "), given.join("; ")),
    driven(s), s.signs.length > 0 && signatures(w, s.signs),
    s.notice && h("p", { id: "notice-handed" }, `Notice ${s.notice.refused ? "refused" : "handed"} ${s.notice.to === "work-provider" ? "to the one who gave the work" : "to the " + s.notice.to}, ${s.notice.how.replace("-", " ")}, ${dayTime(Date.parse(s.notice.at))}. SHA-256 ${s.notice.sha256.slice(0, 12)}…`),
    s.earlier.length > 0 && h("details", { id: "earlier" }, h("summary", null, `Declared before and reopened: ${s.earlier.length}`), s.earlier.map((/** @type {any} */ e) => h("div", null, outcome(w, e.result), signatures(w, e.signs), h("p", { class: "quiet" }, `Reopened ${dayTime(Date.parse(e.at))}: ${w.sealed(e.reason)}`)))));
}

const LATE = "The notice did not come. Close its page, and open it again when there is a link.";

/** The SHA-256 of the notice as the server sends it, hexadecimal. @param {string} address */
async function digest(address) {
  const [res, body] = await fetched(address, {}, async (r) => [r, await r.arrayBuffer()]).catch(() => { throw new Error(LATE); });
  if (!res.ok) throw new Error(LATE);
  const said = /sha-256=:([^:]+):/.exec(res.headers.get("Repr-Digest") ?? "");
  const bytes = said ? Uint8Array.from(atob(said[1]), (c) => c.charCodeAt(0)) : new Uint8Array(await crypto.subtle.digest("SHA-256", body));
  return [...bytes].map((b) => b.toString(16).padStart(2, "0")).join("");
}

/** @param {import("./watch.js").Watch} w @param {(type: string, data: object) => Promise<any>} act */
function notice(w, act) {
  const language = select([["en", "English"], ["de", "German"]]), to = select([["customer", "the customer"], ["keeper", "the keeper"], ["work-provider", "the one who gave the work"]]), how = select([["in-hand", "in the hand"], ["message", "by message"], ["post", "by post"]]);
  const refused = h("input", { type: "checkbox", id: "refused" }), problem = h("p", { class: "problem", role: "alert", id: "notice-problem" });
  const value = (/** @type {Element} */ e) => /** @type {HTMLSelectElement} */ (e).value;
  const address = () => `/v1/calibrations/${w.ref.id}/notice?lang=${value(language)}`;
  let printed = "", sum = "";
  const open = h("a", { class: "second", id: "print", target: "_blank", rel: "noopener", href: address() }, "Open the notice to print it");
  const button = /** @type {HTMLButtonElement} */ (h("button", { type: "submit", id: "handed", class: "primary", disabled: true }, "It is handed over: record it"));
  const get = async () => {
    printed = "";
    button.disabled = true;
    sum = await digest(address());
    printed = value(language);
    button.disabled = false;
    problem.textContent = "";
  };
  open.addEventListener("click", () => get().catch((e) => (problem.textContent = e.message)));
  language.addEventListener("change", () => { open.setAttribute("href", address()); button.disabled = true; });
  const form = h("form", { id: "notice-form", class: "sheet", novalidate: true }, h("h2", null, "The customer is told in writing"),
    h("p", { class: "then" }, "The car leaves with a sensor that was not calibrated. What that means for driving is said by the service information and on the notice."),
    field("notice-language", "Language", language), open,
    h("fieldset", null, h("legend", null, "Handed over"), field("notice-to", "To", to), field("notice-how", "How", how), h("label", { class: "choice" }, refused, h("span", null, "It was refused"))), problem, button);
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    act("hand-over-notice", { to: value(to), how: value(how), language: printed, sha256: sum, ...(/** @type {HTMLInputElement} */ (refused).checked && { refused: true }) });
  });
  return form;
}

/** @param {string} name @param {string} text @param {(reason: string) => void} act */
function withReason(name, text, act) {
  const reason = h("textarea", { rows: 2, maxlength: 2000 });
  const go = () => { const said = /** @type {HTMLTextAreaElement} */ (reason).value.trim(); if (said) act(said); else reason.focus(); };
  return [field(name + "-reason", "Reason", reason), hold({ id: name, class: "second" }, text + ": hold", go)];
}

/** The bay's last screen. @param {import("./watch.js").Watch} w @param {(type: string, data?: object) => Promise<any>} act */
export function ending(w, act) {
  const s = w.state, owner = w.link.roles.includes("owner"), released = s.signs.some((/** @type {any} */ x) => x.by.role === "owner");
  const closed = s.phase === "closed", signed = s.signs.some((/** @type {any} */ x) => x.by.role === "technician"), desk = !s.claim || s.signs.some((/** @type {any} */ x) => x.by.role === "specialist");
  return h("section", { class: "scroll" }, h("h1", { class: "instruction medium", id: "instruction" }, closed ? "Closed: " : "Result: ", s.result.outcome.replace("-", " ")),
    h("p", { class: "then" }, closed ? "Signed." : !signed ? "Sign for the physical facts of this bay." : !desk ? "You have signed. The desk has not yet." : owesNotice(s) && !s.notice ? "Signed. The notice is to be handed over." : "Signed."),
    closed && h("nav", { class: "menu", "aria-label": "What there is of it" }, h("a", { class: "second", href: "/record/" + w.ref.id }, "Read and print the record"), h("a", { class: "second", href: `/v1/calibrations/${w.ref.id}/bundle`, download: "" }, "Save the file that checks itself"), h("a", { class: "second", href: "/bay" }, "All calibrations")),
    !closed && signed && owesNotice(s) && !s.notice && kept(`notice ${w.ref.id} ${s.earlier.length}`, () => notice(w, act)), record(w),
    owner && !released && !closed && h("button", { type: "button", id: "release", class: "second", onclick: () => act("sign", { as: "owner" }) }, "Sign as owner: release"),
    h("details", { id: "reopen-box" }, h("summary", null, "Reopen it"), h("p", { class: "quiet" }, "What was declared and signed stays readable. The next leg opens another attempt."), withReason("reopen", "Reopen", (reason) => act("reopen", { reason }))));
}

/** Ending it from the bay, without the desk's word on the result. @param {import("./watch.js").Watch} w @param {(type: string, data: object) => Promise<any>} act */
export function giveUp(w, act) {
  const s = w.state, begun = Boolean(s.claim);
  const outcome = select([["withdrawn", "Withdrawn: it is not to be done here now"], ...(begun ? /** @type {[string, string][]} */ ([["interrupted", "Interrupted: it was begun and cannot go on"]]) : [])]);
  return h("section", { class: "scroll sheet" }, h("h1", null, "End it without a result"), h("p", { class: "then" }, "Whether it was completed is the desk's to declare."), field("end-outcome", "Outcome", outcome),
    withReason("end-it", "End it", (reason) => act("declare", { outcome: /** @type {HTMLSelectElement} */ (byId("end-outcome")).value, reason })));
}
