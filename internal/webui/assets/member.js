// @ts-check
// One member's place in the register: name, roles, languages, proofs of competence, and that somebody has left. The entry
// stays: what somebody did before is read with what they were then.
import { byId, field, h, select } from "./dom.js";
import { due, today } from "./due.js";
import { hold } from "./hold.js";
import { sensor, sensors } from "./words.js";

/** @typedef {{sensor: string, expires: string, proof?: string}} Competence */
/** @typedef {{roles: string[], languages?: string[], competences: Competence[], active: boolean}} Member */
/** @typedef {(type: string, data: object) => Promise<void>} Send */

/** What somebody speaks and is proven for, under their name. @param {Member} m */
export function about(m) {
  if (!m.active) return null;
  const speaks = m.languages?.length ? `Speaks ${m.languages.join(", ")}. ` : "";
  return [speaks, m.competences.map((c) => {
    const d = due(c.expires);
    return h("span", { class: "proof " + d.tone }, `${sensor(c.sensor)}: ${d.text.charAt(0).toLowerCase()}${d.text.slice(1)}. `);
  })];
}

/**
 * The panel under a name.
 * @param {{id: string, name: string}} p @param {Member} m @param {string[]} roles that there are @param {Send} send
 * @param {Element} problem where a refusal is told
 */
export function panel(p, m, roles, send, problem) {
  return h("div", { class: "under", id: "changing" }, problem, who(p, m, roles, send, (text) => { problem.textContent = text; }), proofs(p, m, send), leaving(p, send));
}

const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value.trim();

/** @param {{id: string, name: string}} p @param {Member} m @param {string[]} roles @param {Send} send @param {(text: string) => void} problem */
function who(p, m, roles, send, problem) {
  const form = /** @type {HTMLFormElement} */ (h("form", { id: "member", novalidate: true },
    h("fieldset", null, field("member-name", "Name", h("input", { type: "text", maxlength: 120, autocomplete: "off", value: p.name })),
      field("member-languages", "Languages spoken with shops, as codes: en, de", h("input", { type: "text", maxlength: 40, autocomplete: "off", autocapitalize: "none", spellcheck: "false", value: (m.languages ?? []).join(", ") }))),
    h("fieldset", null, h("legend", null, "Roles"), h("div", { class: "choices" }, roles.map((r) =>
      h("label", { class: "choice" }, h("input", { type: "checkbox", name: "role", value: r, id: "has-" + r, checked: m.roles.includes(r) }), h("span", null, r))))),
    h("button", { type: "submit", class: "second" }, "Save")));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const now = new FormData(form).getAll("role").map(String), name = value("member-name"), languages = value("member-languages").toLowerCase().split(/[\s,;]+/).filter(Boolean);
    if (!now.length) return problem("Tick one role or more. Whoever has left is taken out below.");
    if (!name) return problem("A name is needed.");
    const data = {
      ...(name !== p.name && { name }), ...(String(now) !== String(roles.filter((r) => m.roles.includes(r))) && { roles: now }),
      ...(String(languages) !== String(m.languages ?? []) && { languages }),
    };
    if (!Object.keys(data).length) return problem("Nothing was changed.");
    send("change-member", { id: p.id, ...data });
  });
  return form;
}

/** @param {{id: string}} p @param {Member} m @param {Send} send */
function proofs(p, m, send) {
  const kind = select(sensors.map((s) => [s, sensor(s)]));
  const form = /** @type {HTMLFormElement} */ (h("form", { id: "competence" }, h("fieldset", null, h("legend", null, "A proof, new or renewed: the newest for a sensor counts"),
    field("proof-sensor", "Sensor", kind), field("proof-expires", "Counts through", h("input", { type: "date", required: true, min: "1990-01-01", max: "2099-12-31", value: "" })),
    field("proof-number", "Number on it, if any", h("input", { type: "text", maxlength: 40, autocomplete: "off" })), h("button", { type: "submit", class: "second" }, "Enter"))));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const number = value("proof-number");
    send("grant-competence", { member: p.id, sensor: value("proof-sensor"), expires: value("proof-expires"), ...(number && { proof: number }) });
  });
  return h("section", { "aria-labelledby": "proofs" }, h("h2", { id: "proofs" }, "Competence"),
    m.competences.length ? h("div", { class: "rows" }, m.competences.map((c) => {
      const d = due(c.expires);
      return h("div", { class: "row session" }, h("b", null, sensor(c.sensor)), hold({ id: "revoke-" + c.sensor, class: "second" }, "Take away: hold", () => send("revoke-competence", { member: p.id, sensor: c.sensor })),
        h("span", { class: d.tone }, d.text, c.proof && `, proof ${c.proof}`));
    })) : h("p", { class: "quiet" }, "None is entered."), form);
}

/** @param {{id: string, name: string}} p @param {Send} send */
function leaving(p, send) {
  return h("details", { id: "leaving" }, h("summary", null, `${p.name} has left`),
    h("p", { class: "quiet" }, "For good: the roles end now, also where somebody is signed in. What they did stays in the records under their name."),
    h("div", { class: "keys" }, hold({ id: "retire-member", class: "second" }, "Has left: hold", () => send("retire-member", { member: p.id }))));
}
