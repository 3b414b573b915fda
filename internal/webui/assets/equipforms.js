// @ts-check
// Forms of the owners' equipment: a new name, a new certificate, a new floor survey, and something new.
import { newId } from "./api.js";
import { byId, field, h, select } from "./dom.js";
import { today } from "./due.js";
import { mm, parseDeg, parseMM } from "./format.js";
import { acting } from "./rooms.js";

/** @typedef {{kind: string, id: string, name: string, value: any}} Thing */
/** @typedef {(type: string, data: object) => Promise<any>} Send */

const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value.trim();
const text = (/** @type {number} */ most, /** @type {string} */ was = "") => h("input", { type: "text", maxlength: most, autocomplete: "off", required: true, value: was });
const day = (/** @type {string} */ was = "") => h("input", { type: "date", required: true, min: "1990-01-01", max: "2099-12-31", value: was });
const number = (/** @type {string} */ was = "", /** @type {object} */ more = {}) => h("input", { type: "text", inputmode: "decimal", autocomplete: "off", value: was, ...more });
const save = (/** @type {string} */ label) => h("div", { class: "keys" }, h("button", { type: "submit", class: "second" }, label));

/** @param {string} id @param {any[]} inside @param {() => void} send */
function form(id, inside, send) {
  const f = /** @type {HTMLFormElement} */ (h("form", { id }, inside));
  f.addEventListener("submit", (e) => {
    e.preventDefault();
    send();
  });
  return f;
}

/** A number as it is typed, in the whole units of the trail. @param {string} id @param {string} what @param {(t: string) => number | null} read */
function typed(id, what, read) {
  const n = read(value(id));
  if (n === null) throw new Error(`${what}: a number.`);
  return n;
}

/** Another name; a stand's target as well, which is read back by the id printed on it. @param {Thing} t @param {Send} send */
export function rename(t, send) {
  const key = t.kind === "dimensions" ? "type" : "name", target = t.kind === "fixture";
  return form("renaming", [field("new-name", "Name from now on. Records made before keep the name of their day.", text(t.kind === "dimensions" ? 80 : 60, t.name)), target && field("new-target", "Id printed on the target", text(40, t.value.target)), save("Save")],
    () => send("change-" + t.kind, { id: t.id, [key]: value("new-name"), ...(target && { target: value("new-target") }) }));
}

/** The fields of a certificate. @param {string} id that begins their ids */
const certificate = (id) => [field(id + "-number", "Certificate number", text(60)), field(id + "-dated", "Dated", day()), field(id + "-due", "Next check due", day())];
/** @param {string} id */
const certified = (id) => ({ certificate: { number: value(id + "-number"), dated: value(id + "-dated") }, due: value(id + "-due") });

/** @param {Thing} t @param {Send} send */
export function renew(t, send) {
  return form("renewing", [h("p", null, `${t.name} was checked and has a new certificate.`), h("fieldset", null, certificate("renewal")), save("Enter")],
    () => send("renew-instrument", { instrument: t.id, ...certified("renewal") }));
}

const PLACES = [["front_left", "Front LEFT wheel"], ["front_right", "Front RIGHT wheel"], ["rear_left", "Rear LEFT wheel"], ["rear_right", "Rear RIGHT wheel"]];

/** @param {Thing} t @param {Send} send */
export function survey(t, send) {
  const problem = h("p", { id: "survey-problem", class: "problem", role: "alert" });
  const was = (/** @type {number | undefined} */ um) => (um === undefined ? "" : mm(um));
  return form("surveying", [h("p", null, "The floor's height where each wheel stands and where the stand does, against gravity level, all from one zero; lower counts with a minus. Left and right as seated facing forward."),
    h("fieldset", null, PLACES.map(([k, name]) => field("floor-" + k, name, number(was(t.value.floor?.wheels_um[k]), { required: true }), "mm")), field("floor-fixture", "Where the stand stands", number(was(t.value.floor?.fixture_um), { required: true }), "mm")),
    h("fieldset", null, field("surveyed", "Surveyed", day(today())), field("survey-expires", "Counts through", day())), problem, save("Enter the survey")], () => {
    problem.textContent = "";
    try {
      const wheels = Object.fromEntries(PLACES.map(([k, name]) => [k, typed("floor-" + k, name, parseMM)]));
      send("survey-bay", { bay: t.id, floor: { wheels_um: wheels, fixture_um: typed("floor-fixture", "Where the stand stands", parseMM) }, surveyed: value("surveyed"), expires: value("survey-expires") });
    } catch (e) {
      problem.textContent = e instanceof Error ? e.message : "";
    }
  });
}

/** The form for something new. @param {string} kind @param {import("./rooms.js").Register} register @param {() => Promise<void>} fresh */
export function newcomer(kind, register, fresh) {
  let id = newId(); // kept over a failed try, so that trying again adds none twice
  const problem = h("p", { id: `new-${kind}-problem`, class: "problem", role: "alert" }), act = acting(problem, fresh);
  const { fields, read } = KINDS[kind];
  const f = form("new-" + kind, [fields(), problem, save("Add")], () => act(async () => {
    await register.command("add-" + kind, { id, ...read() });
    id = newId();
    f.reset();
  }));
  return f;
}

/** Millimetres to a micrometre, or nothing. @param {string} id @param {string} what */
const optional = (id, what) => (value(id) ? typed(id, what, parseMM) : undefined);

/** @type {Record<string, {fields: () => any, read: () => object}>} */
const KINDS = {
  bay: {
    fields: () => h("fieldset", null, field("bay-name", "Name", text(60)), field("bay-length", "Clear room along the car, if measured", number(), "mm"), field("bay-width", "Clear room across, if measured", number(), "mm")),
    read: () => {
      const length = optional("bay-length", "Clear room along the car"), width = optional("bay-width", "Clear room across");
      if ((length === undefined) !== (width === undefined)) throw new Error("Clear room: both along and across, or neither.");
      return { name: value("bay-name"), ...(length !== undefined && { size_um: { length, width } }) };
    },
  },
  instrument: {
    fields: () => [h("fieldset", null, field("instrument-name", "Name, as it is marked", text(60)), field("instrument-kind", "Kind, such as steel tape", text(60)),
      field("instrument-unit", "It reads", select([["um", "lengths, mm"], ["udeg", "angles, °"]])), field("instrument-u", "Standard uncertainty, from its certificate", number("", { required: true }), "mm or °"),
      field("instrument-common", "And common to all its readings, such as a hook or zero; 0 if none", number("0"), "mm or °")), h("fieldset", null, certificate("first"))],
    read: () => {
      const unit = value("instrument-unit"), read = unit === "um" ? parseMM : parseDeg, common = typed("instrument-common", "Common part", read);
      return { name: value("instrument-name"), instrument: { kind: value("instrument-kind"), ["standard_uncertainty_" + unit]: typed("instrument-u", "Standard uncertainty", read), ...(common && { ["common_" + unit]: common }) }, ...certified("first") };
    },
  },
  fixture: {
    fields: () => h("fieldset", null, field("fixture-name", "Name", text(60)), field("fixture-target", "Id printed on the target", text(40)),
      field("fixture-kind", "The target is", select([["slide", "a board that slides along its stand"], ["stand", "a board that moves with its stand"], ["reflector", "a reflector"]])),
      field("fixture-half", "Half the width of the board, centre to either end", number(), "mm"), field("fixture-above", "Ends above the target, below with a minus", number("0"), "mm"), field("fixture-ahead", "Ends further forward than the target, as the car points; further back with a minus", number("0"), "mm")),
    read: () => {
      const kind = value("fixture-kind"), base = { name: value("fixture-name"), target: value("fixture-target") };
      if (kind === "reflector") return { ...base, fixture: { kind } };
      const above = typed("fixture-above", "Ends above", parseMM), ahead = typed("fixture-ahead", "Ends further forward", parseMM);
      return { ...base, fixture: { kind: "board", half_width_um: typed("fixture-half", "Half the width", parseMM), ...(above && { end_above_target_um: above }), ...(ahead && { end_ahead_of_target_um: ahead }), ...(kind === "stand" && { carried: kind }) } };
    },
  },
};
