// @ts-check
// Two VINs that differ: the one that people typed and the one that the car gave, one above the other, with what differs
// marked. A person says which is the car's.

import { field, h, kept } from "./dom.js";
import { faults } from "./faults.js";
import { hold } from "./hold.js";

/**
 * The two, kept for as long as they are the same two, with what was typed and what was refused.
 * @param {any} job @param {(sealed: any) => string} opened @param {(data: object) => Promise<any>} send
 */
export function twoVINs(job, opened, send) {
  const typed = opened(job.vehicle.vin), announced = opened(job.announced.vin);
  return kept(`vins ${typed} ${announced}`, () => vins(typed, announced, send));
}

/** @param {string} typed @param {string} announced @param {(data: object) => Promise<any>} send */
function vins(typed, announced, send) {
  const marked = (/** @type {string} */ a, /** @type {string} */ b) => [...a].map((c, i) => (c === b[i] ? c : h("b", { class: "differs" }, c)));
  const reason = h("textarea", { rows: 2, maxlength: 2000 });
  const wrong = faults(() => box, { reason: "vin-reason" });
  const settle = (/** @type {string} */ right) => () => {
    const said = /** @type {HTMLTextAreaElement} */ (reason).value.trim();
    wrong.clear();
    if (!said) return wrong.at("vin-reason", "Say how you know: where on the car you read it.");
    wrong.trying(() => send({ right, reason: said }));
  };
  const line = (/** @type {string} */ which, /** @type {string} */ name, /** @type {any} */ text) => h("div", { class: "vin-line" }, h("p", { class: "quiet" }, name), h("p", { class: "vin", id: "vin-" + which }, text));
  const right = (/** @type {string} */ which, /** @type {string} */ text) => hold({ id: "right-" + which, class: "second" }, text + ": hold", settle(which));
  const box = h("section", { class: "scroll vins", id: "vins" }, h("h1", { class: "instruction small", id: "instruction" }, "Two VINs. Is this the right car?"), h("p", { class: "then" }, "Read the number on the car itself. No leg starts before."),
    line("typed", "Typed", marked(typed, announced)), line("announced", "Given by the car", marked(announced, typed)), field("vin-reason", "How you know", reason),
    h("div", { class: "vin-keys" }, right("typed", "The typed one is right"), right("announced", "The car gave it right")), wrong.rest);
  return box;
}
