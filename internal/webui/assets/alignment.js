// @ts-check
// The wheel alignment of a car: the rear toes typed, or the aligner's file read by the server.

import { ask } from "./api.js";
import { field, h, put, select } from "./dom.js";
import { faults } from "./faults.js";
import { degText, parseDeg } from "./format.js";

const WHEELS = /** @type {Record<string, string>} */ ({ front_left: "front left", front_right: "front right", rear_left: "rear left", rear_right: "rear right" });
const value = (/** @type {Element} */ e) => /** @type {HTMLInputElement} */ (e).value.trim();

/** @param {any} a */
export function alignmentWords(a) {
  const wheels = Object.entries(WHEELS).filter(([k]) => a.wheels[k]?.toe_udeg !== undefined).map(([k, name]) => `${name} toe ${degText(a.wheels[k].toe_udeg)}`);
  const t = a.thrust_udeg ?? 0;
  return `${wheels.join(", ")}; thrust line ${t === 0 ? "straight" : `${degText(Math.abs(t))} to vehicle ${t > 0 ? "right" : "left"}`}`;
}

/** @param {any} job @param {(data: object) => Promise<any>} send */
export function alignment(job, send) {
  const number = () => h("input", { type: "text", inputmode: "decimal", autocomplete: "off" });
  const left = number(), right = number(), when = select([["after", "after the work"], ["before", "before the work"]]), zero = h("input", { type: "checkbox", id: "zero" });
  const wrong = faults(() => form, { "wheels.rear_left": "toe-left", "wheels.rear_right": "toe-right", text: "alignment-text" }), found = h("div", { id: "found" });
  const text = h("textarea", { id: "alignment-text", rows: 3, spellcheck: "false" });
  const file = h("input", { type: "file", id: "alignment-file", accept: ".csv,.json,.txt", onchange: async () => {
    const one = /** @type {HTMLInputElement} */ (file).files?.[0];
    if (one) { /** @type {HTMLTextAreaElement} */ (text).value = await one.text(); read(); }
  } });
  const zeroed = () => /** @type {HTMLInputElement} */ (zero).checked;
  const read = () => wrong.trying(async () => {
    put(found);
    const got = await ask("POST", "/v1/read-alignment", { text: /** @type {HTMLTextAreaElement} */ (text).value });
    put(found, got.alignments.map((/** @type {any} */ a) => {
      const at = select([["after", "after the work"], ["before", "before the work"]], a.when);
      return h("div", { class: "group found-one" }, h("p", null, alignmentWords(a)), field("found-when-" + (a.when ?? "one"), "Measured", at),
        h("button", { type: "button", class: "second", id: "attach-" + (a.when ?? "one"), onclick: () => wrong.trying(() => send({ when: value(at), steering_zero_done: zeroed(), wheels: a.wheels, ...(a.stated_thrust && { stated_thrust: a.stated_thrust }) })) }, "Attach it"));
    }));
  });
  const form = h("form", { id: "alignment", novalidate: true }, h("h2", null, "Wheel alignment"),
    h("ul", null, job.alignments.map((/** @type {any} */ a) => h("li", null, h("b", null, a.when === "before" ? "Before: " : "After: "), alignmentWords(a), a.steering_zero_done && ", steering angle's zero set"))),
    h("label", { class: "choice" }, zero, h("span", null, "Steering angle's zero was set with it")),
    h("fieldset", null, h("legend", null, "Type the rear toes; front of the wheel inwards counts up"), field("toe-left", "Rear toe, vehicle LEFT", left, "°"), field("toe-right", "Rear toe, vehicle RIGHT", right, "°"), field("toe-when", "Measured", when),
      h("button", { type: "submit", class: "primary", id: "attach-typed" }, "Attach it")),
    h("fieldset", null, h("legend", null, "Or the aligner's file, CSV or JSON"), field("alignment-file", "File", file), h("div", { class: "field" }, h("label", { for: "alignment-text" }, "or its text"), text),
      h("button", { type: "button", class: "second", id: "read-alignment", onclick: read }, "Read it")), found, wrong.rest);
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    wrong.clear();
    const [l, r] = [parseDeg(value(left)), parseDeg(value(right))];
    if (l === null) wrong.at("toe-left", "Degrees, such as 0.20.");
    if (r === null) wrong.at("toe-right", "Degrees, such as 0.20.");
    if (l !== null && r !== null) wrong.trying(() => send({ when: value(when), steering_zero_done: zeroed(), wheels: { rear_left: { toe_udeg: l }, rear_right: { toe_udeg: r } } }));
  });
  return form;
}
