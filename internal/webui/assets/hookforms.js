// @ts-check
// A webhook added, or told of other events, or sent elsewhere.
import { newId } from "./api.js";
import { byId, field, h } from "./dom.js";
import { acting } from "./rooms.js";

/** @typedef {(type: string, data: object) => Promise<any>} Send */

const KINDS = [["calibration", "Calibrations"], ["job", "Jobs"], ["register", "The register"]];

/** Address and events. @param {string} id that begins the ids of the fields @param {{url: string, events: string[]}} was */
function fields(id, was) {
  const all = KINDS.map(([k]) => k + ".*"), single = was.events.filter((e) => !all.includes(e));
  return [field(id + "-url", "Address it is sent to: https", h("input", { type: "url", maxlength: 500, autocomplete: "off", spellcheck: "false", required: true, value: was.url })),
    h("fieldset", null, h("legend", null, "Everything that happens in"), h("div", { class: "choices" }, KINDS.map(([k, text]) =>
      h("label", { class: "choice" }, h("input", { type: "checkbox", name: "event", value: k + ".*", id: `${id}-${k}`, checked: was.events.includes(k + ".*") }), h("span", null, text))))),
    field(id + "-single", "And these, one by one, such as calibration.leg_started", h("input", { type: "text", autocomplete: "off", autocapitalize: "none", spellcheck: "false", value: single.join(", ") }))];
}

/** @param {string} id @param {HTMLFormElement} form */
function read(id, form) {
  const single = /** @type {HTMLInputElement} */ (byId(id + "-single")).value.split(/[\s,;]+/).filter(Boolean);
  const events = [...new Set([...new FormData(form).getAll("event").map(String), ...single])];
  if (!events.length) throw new Error("Say of what it is to be told: tick one, or name an event.");
  return { url: /** @type {HTMLInputElement} */ (byId(id + "-url")).value.trim(), events };
}

/** The form for another one. @param {Send} send @param {() => Promise<void>} fresh */
export function newcomer(send, fresh) {
  let id = newId(); // kept over a failed try, so that trying again adds none twice
  const problem = h("p", { id: "hook-problem", class: "problem", role: "alert" }), act = acting(problem, fresh);
  const form = /** @type {HTMLFormElement} */ (h("form", { id: "new-hook", novalidate: true }, h("h1", { id: "another" }, "Another one"), fields("hook", { url: "", events: ["calibration.*"] }), problem,
    h("button", { type: "submit", class: "primary" }, "Add"), h("p", { class: "quiet" }, "Nothing is sent until its secret is made, in its row.")));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    act(async () => {
      await send("add-webhook", { id, ...read("hook", form) });
      id = newId();
      form.reset();
    });
  });
  return h("section", { "aria-labelledby": "another" }, form);
}

/** @param {{id: string, url: string, events: string[]}} hook @param {Send} send @param {() => Promise<void>} done */
export function change(hook, send, done) {
  const problem = h("p", { id: "change-problem", class: "problem", role: "alert" });
  const form = /** @type {HTMLFormElement} */ (h("form", { class: "under", id: "changing", novalidate: true }, fields("was", hook), problem, h("div", { class: "keys" }, h("button", { type: "submit", class: "second" }, "Save"))));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    acting(problem, async () => {})(async () => {
      const now = read("was", form);
      await send("change-webhook", { id: hook.id, ...(now.url !== hook.url && { url: now.url }), ...(String(now.events) !== String(hook.events) && { events: now.events }) });
      await done();
    });
  });
  return form;
}
