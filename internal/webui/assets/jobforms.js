// @ts-check
// What a job says of car and work, in any order: each form sends what was changed in it, and nothing else.

import { byId, field, h, select } from "./dom.js";
import { faults } from "./faults.js";
import { hold } from "./hold.js";
import { typedVIN, vinInput } from "./vininput.js";
import { sensor, sensors, sentence } from "./words.js";

const CAUSES = ["glass", "bumper", "door-or-mirror", "alignment", "suspension", "ride-height", "wheel-size", "impact", "unit-replaced",
  "battery-disconnected", "software-updated", "fault", "complaint", "recall"];
const MISSING = /** @type {Record<string, string>} */ ({ causes: "why", sensors: "which sensors", dimensions: "dimensions of the car", vin: "VIN", mileage_km: "mileage", steering: "side of the steering wheel", customer_told: "whether the customer was told" });

/** What a calibration will ask for. @param {any} job */
export const missing = (job) => job.missing.map((/** @type {string} */ m) => MISSING[m] ?? m);

const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value.trim();
const input = (/** @type {string} */ v, /** @type {Record<string, any>} */ props = {}) => h("input", { type: "text", autocomplete: "off", spellcheck: "false", value: v, ...props });

/** @param {any} job @param {any} register @param {(sealed: any) => string} opened @param {(data: object) => Promise<any>} send */
export function carForm(job, register, opened, send) {
  const v = job.vehicle, was = { vin: opened(v.vin), plate: opened(v.plate), mileage: v.mileage_km === undefined ? "" : String(v.mileage_km), steering: v.steering ?? "", dimensions: v.dimensions ?? "" };
  const sheets = Object.entries(register.dimensions).filter(([, d]) => /** @type {any} */ (d).active).map(([id, d]) => /** @type {[string, string]} */ ([id, /** @type {any} */ (d).type]));
  const years = v.model_year && ` Model year ${v.model_year.likelier}, or ${v.model_year.likelier === v.model_year.later ? v.model_year.earlier : v.model_year.later}.`;
  const wrong = faults(() => form, { vin: "vin", plate: "plate", mileage_km: "mileage", steering: "steering", dimensions: "dimensions" });
  const form = h("form", { id: "car", novalidate: true }, h("h2", null, "The car"),
    h("fieldset", null, field("vin", "VIN", vinInput(was.vin)), field("plate", "Plate", input(was.plate, { maxlength: 15 })), field("mileage", "Mileage", input(was.mileage, { inputmode: "numeric" }), "km"),
      field("steering", "Steering wheel on", select([["", "not said"], ["left", "vehicle LEFT"], ["right", "vehicle RIGHT"]], was.steering)), field("dimensions", "Dimensions of the car", select([["", "not said"], ...sheets], was.dimensions))),
    v.vin && h("p", { class: "quiet", id: "vin-check" }, v.vin_check === "fails" ? "The VIN's check digit does not hold. Outside North America it need not: compare it with the car." : "The VIN's check digit holds: compare it with the car all the same.", years),
    wrong.rest, h("button", { type: "submit", class: "primary" }, "Save the car"));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    wrong.clear();
    const data = /** @type {Record<string, any>} */ ({});
    const vin = typedVIN(value("vin"));
    if (vin !== was.vin) data.vin = vin;
    if (value("plate") !== was.plate) data.plate = value("plate");
    if (value("steering") !== was.steering) data.steering = value("steering");
    if (value("dimensions") !== was.dimensions) data.dimensions = value("dimensions");
    if (value("mileage") !== was.mileage) {
      if (!/^\d{1,7}$/.test(value("mileage"))) return wrong.at("mileage", "Whole kilometres, in digits alone.");
      data.mileage_km = Number(value("mileage"));
    }
    const emptied = Object.keys(data).find((k) => data[k] === "");
    if (emptied) return wrong.at(emptied, "What was said can be corrected, but not taken back.");
    if (!Object.keys(data).length) return wrong.say("Nothing was changed.");
    wrong.trying(() => send(data));
  });
  return form;
}

/** @param {any} job @param {(sealed: any) => string} opened @param {(data: object) => Promise<any>} send */
export function workForm(job, opened, send) {
  const w = job.work, causes = w.causes ?? [], told = w.customer_told;
  const tick = (/** @type {string} */ name, /** @type {string} */ v, /** @type {string} */ text, /** @type {boolean} */ on) => h("label", { class: "choice" }, h("input", { type: "checkbox", name, value: v, id: `${name}-${v}`, checked: on }), h("span", null, text));
  const state = (/** @type {string} */ s) => (w.sensors?.affected.includes(s) ? "affected" : w.sensors?.not_affected.includes(s) ? "not" : "");
  const wrong = faults(() => form, { causes: "causes-" + CAUSES[0], sensors: "none-fitted", customer_told: "told", customer_reference: "reference" });
  const form = h("form", { id: "work", novalidate: true }, h("h2", null, "The work"),
    h("fieldset", null, h("legend", null, "Why"), h("div", { class: "choices" }, CAUSES.map((c) => tick("causes", c, sentence(c), causes.includes(c))))),
    h("fieldset", null, h("legend", null, "Sensors of this car"), sensors.map((s) => field("sensor-" + s, sensor(s), select([["", "not looked at, or not fitted"], ["affected", "affected: to calibrate"], ["not", "fitted, not affected"]], state(s)))),
      tick("none", "fitted", "None is fitted", w.sensors?.none_fitted === true)),
    h("fieldset", null, field("told", "Customer told before the work", select([["", "not said"], ["yes", "yes"], ["no", "no"]], told === undefined ? "" : told ? "yes" : "no")), field("reference", "Customer's reference", input(opened(w.customer_reference), { maxlength: 80 }))),
    wrong.rest, h("button", { type: "submit", class: "primary" }, "Save the work"));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    wrong.clear();
    const ticked = [...form.querySelectorAll("input[name=causes]:checked")].map((i) => /** @type {HTMLInputElement} */ (i).value), none = /** @type {HTMLInputElement} */ (byId("none-fitted")).checked;
    const of = (/** @type {string} */ what) => sensors.filter((s) => value("sensor-" + s) === what);
    const now = { affected: none ? [] : of("affected"), not_affected: none ? [] : of("not"), none_fitted: none };
    const data = {
      ...(String(ticked) !== String(causes) && ticked.length && { causes: ticked }),
      ...((none || now.affected.length || now.not_affected.length) && JSON.stringify([now.affected, now.not_affected, none]) !== JSON.stringify([w.sensors?.affected, w.sensors?.not_affected, w.sensors?.none_fitted]) && { sensors: now }),
      ...(value("told") && (value("told") === "yes") !== told && { customer_told: value("told") === "yes" }),
      ...(value("reference") && value("reference") !== opened(w.customer_reference) && { customer_reference: value("reference") }),
    };
    if (!Object.keys(data).length) return wrong.say("Nothing was changed.");
    wrong.trying(() => send(data));
  });
  return form;
}

/** Which vehicle interface is in this car: a person says so, it is never guessed. @param {any} job @param {any} register @param {(data: object) => Promise<any>} tie @param {(data: object) => Promise<any>} untie */
export function tieForm(job, register, tie, untie) {
  const there = register.interfaces ?? {}, inUse = Object.entries(there).filter(([, i]) => /** @type {any} */ (i).active && !/** @type {any} */ (i).instruments).map(([id, i]) => /** @type {[string, string]} */ ([id, /** @type {any} */ (i).name]));
  if (!job.tie && !inUse.length) return null;
  const wrong = faults(() => box, { interface: "tie-interface" });
  const box = h("section", { "aria-labelledby": "tie-title" }, h("h2", { id: "tie-title" }, "Vehicle interface"), job.tie
    ? h("div", { class: "sheet" }, h("p", { id: "tied" }, h("b", null, there[job.tie.interface]?.name ?? "One"), " is in this car. The VIN that it gives is held against this job's."), h("button", { type: "button", class: "second", id: "untie", onclick: () => wrong.trying(() => untie({})) }, "It is out of the car"))
    : h("div", { class: "sheet" }, field("tie-interface", "In this car", select(inUse)), h("button", { type: "button", class: "second", id: "tie", onclick: () => wrong.trying(() => tie({ interface: value("tie-interface") })) }, "It is in this car")), wrong.rest);
  return box;
}

/** @param {(data: object) => Promise<any>} send */
export function withdrawForm(send) {
  const cause = select([["wrong-car", "Wrong car"], ["car-left", "Car has left"], ["opened-twice", "Opened twice"], ["not-wanted", "Not wanted any more"], ["other", "Something else"]]), reason = h("textarea", { rows: 2, maxlength: 2000 });
  const wrong = faults(() => box, { reason: "withdraw-reason", cause: "withdraw-cause" });
  const go = () => wrong.trying(async () => {
    if (!value("withdraw-reason")) return wrong.at("withdraw-reason", "Say why: it stays in the record.");
    await send({ cause: value("withdraw-cause"), reason: value("withdraw-reason") });
  });
  const box = h("details", { id: "withdraw-box" }, h("summary", null, "Withdraw the job"), h("div", { class: "sheet" }, h("p", { class: "quiet" }, "For good. Its calibrations are then declared withdrawn, too."), field("withdraw-cause", "Because", cause), field("withdraw-reason", "Reason", reason),
    wrong.rest, hold({ id: "withdraw", class: "second" }, "Withdraw the job: hold", go)));
  return box;
}
