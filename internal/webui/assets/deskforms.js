// @ts-check
// What the desk says in words of its own beside the composed next step: waivers, notes, how a leg ended with what the
// routine gave, and outcomes.

import { byId, field, h, select } from "./dom.js";
import { offer, take } from "./handover.js";
import { gate as gateName, verdict } from "./words.js";

const TITLES = /** @type {Record<string, string>} */ ({
  waive: "Waive, with your name", note: "Note: it changes nothing", return: "Give it back to the queue", completed: "Leg completed, with what the routine gave",
  "not-completed": "Leg not completed", declare: "Declare another outcome", "take-over": "Take over without them", reopen: "Reopen: what was declared stays readable",
});
/** Forms whose reason may be left empty. */
const FREE = new Set(["completed", "not-completed"]);

const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value.trim();
const ticked = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).checked;
const input = (/** @type {Record<string, any>} */ props = {}) => h("input", { type: "text", autocomplete: "off", ...props });

/** @param {import("./deskwork.js").DeskWork} desk */
export function deskForm(desk) {
  const w = /** @type {import("./watch.js").Watch} */ (desk.w), s = w.state, kind = desk.form;
  const leave = h("button", { type: "button", class: "desk-key quiet-key", onclick: () => desk.open("") }, h("kbd", null, "Esc"), "Leave");
  const gone = Boolean(s.turn.outcome), done = s.turn.do === "declare" && !gone, handed = w.offer("specialist");
  const side = (/** @type {string} */ title, /** @type {any} */ inside) => h("div", { class: "asks-box", id: "desk-form" }, h("h2", null, title), inside, leave);
  if (kind === "offer") return side("Hand over to a colleague", offer(handed, w, (type, data) => desk.send(type, data)));
  if (kind === "take") return side("Hand-over", handed ? take(handed, w, (type, data) => desk.send(type, data)) : "It is offered no longer.");
  const what = kind === "waive" ? waivable(s) : [];
  const title = kind === "declare" && done ? "Declare the outcome" : TITLES[kind] ?? "";
  if (kind === "waive" && !what.length) {
    return h("div", { class: "asks-box", id: "desk-form" }, h("h2", null, title), h("p", null, "Nothing here can be waived: a caution that is not met, or a verdict Move or Too close to call."), leave);
  }
  const reason = h("textarea", { rows: 3, maxlength: 2000 });
  const outcomes = /** @type {[string, string][]} */ ([...(done ? [["completed", "Completed"]] : []), ["not-completed", "Not completed"], ["interrupted", "Interrupted"], ["withdrawn", "Withdrawn"]]);
  const outcome = select(gone ? outcomes.reverse() : outcomes); // of a withdrawn job: Withdrawn first
  const evaluation = h("fieldset", { id: "evaluation" }, h("legend", null, "Looked at after the routine, as the service information says"),
    h("label", { class: "choice" }, h("input", { type: "checkbox", id: "routine-confirmed" }), h("span", null, "The vehicle itself says it took the calibration over")),
    field("lamps", "Warning lamps of this system, ignition on", select([["", "choose"], ["off", "Off"], ["on", "On"], ["not-checked", "Not checked"]])));
  const needs = h("span", null, field("reason", kind === "note" ? "Note" : kind === "completed" || kind === "not-completed" ? "Note" : "Reason", reason));
  const remarks = h("textarea", { rows: 2, maxlength: 2000 });
  const problem = h("p", { class: "problem", role: "alert", id: "form-problem" });
  const chosen = () => /** @type {HTMLSelectElement} */ (outcome).value;
  const fit = () => {
    evaluation.hidden = kind !== "declare" || chosen() !== "completed";
    needs.hidden = kind === "declare" && chosen() === "completed";
  };
  outcome.addEventListener("change", fit);
  const form = h("form", { id: "desk-form", class: "asks-box", novalidate: true }, h("h2", null, title),
    kind === "waive" && field("waive-what", "What", select(what)),
    kind === "completed" && given(),
    kind === "declare" && [field("outcome", "Outcome", outcome), evaluation],
    needs,
    kind === "declare" && field("remarks", "Remarks, if any", remarks),
    kind === "not-completed" && h("label", { class: "choice" }, h("input", { type: "checkbox", id: "holds" }), h("span", null, "The vehicle's routine still waits at this position")),
    problem, h("p", { class: "send-line" }, h("button", { type: "submit", id: "send-form", class: "desk-key" }, "Send"), leave));
  fit();
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const text = /** @type {HTMLTextAreaElement} */ (reason).value.trim(), more = text && { note: text };
    if (!needs.hidden && !text && !FREE.has(kind)) return reason.focus();
    switch (kind) {
      case "waive": return void desk.send("waive", value("waive-what") === "verdict" ? { what: "verdict", reason: text } : { what: "gate", gate: value("waive-what"), reason: text });
      case "note": return void desk.send("note", { text });
      case "return": case "take-over": case "reopen": return void desk.send(kind, { reason: text });
      case "completed": {
        const values = [0, 1, 2].map((i) => ({ name: value("name-" + i), value: value("value-" + i), ...(value("unit-" + i) && { unit: value("unit-" + i) }) })).filter((v) => v.name || v.value);
        if (values.some((v) => !v.name || !v.value)) return void (problem.textContent = "Each value: what it is, and what was shown.");
        return void desk.send("end-leg", { outcome: "completed", ...(values.length && { values }), ...more });
      }
      case "not-completed": return void desk.send("end-leg", { outcome: "not-completed", routine_holds: ticked("holds"), ...more });
      case "declare": {
        const after = remarks && /** @type {HTMLTextAreaElement} */ (remarks).value.trim();
        if (chosen() !== "completed") return void desk.send("declare", { outcome: chosen(), reason: text, ...(after && { remarks: after }) });
        if (!value("lamps")) return void (problem.textContent = "Say how the warning lamps are, or that nobody looked.");
        if (!ticked("routine-confirmed")) return void (problem.textContent = "What the vehicle has not taken over is not completed: tick it, or choose another outcome.");
        return void desk.send("declare", { outcome: "completed", evaluation: { routine_confirmed: true, lamps: value("lamps") }, ...(after && { remarks: after }) });
      }
    }
  });
  return form;
}

/** Values that the vehicle's routine showed, as it showed them. */
function given() {
  return h("fieldset", null, h("legend", null, "As the routine showed them; leave empty what it did not"), [0, 1, 2].map((i) => h("div", { class: "group", role: "group", "aria-label": "Value " + (i + 1) },
    field("name-" + i, "What", input({ maxlength: 60 })), field("value-" + i, "Value", input({ maxlength: 60 })), field("unit-" + i, "Unit", input({ maxlength: 20 })))));
}

/** @param {any} s @returns {[string, string][]} */
function waivable(s) {
  const v = s.place.verdict?.verdict, open = (/** @type {any} */ g) => g.answered && !g.waived && !g.ran_out && ((g.grade === "caution" && !g.met) || g.cautioned);
  return [...(["adjust", "unsure"].includes(v) && !s.place.waived ? /** @type {[string, string][]} */ ([["verdict", `The verdict “${verdict(s.place.verdict)}”`]]) : []),
    ...s.gates.filter(open).map((/** @type {any} */ g) => /** @type {[string, string]} */ ([g.gate, gateName(g.gate)]))];
}
