// @ts-check
// The cars of the shop, and a form to open a job for one more.

import { command, get, newId, opener, Refused, signOut } from "./api.js";
import { byId, field, h, put, select, theme } from "./dom.js";
import { parseDeg } from "./format.js";
import { PHASES, sensor, sensors, sentence, task } from "./words.js";

const CAUSES = ["glass", "bumper", "door-or-mirror", "alignment", "suspension", "ride-height", "wheel-size", "impact", "unit-replaced",
  "battery-disconnected", "software-updated", "fault", "complaint", "recall"];
const TURNS = { technician: "Your turn", specialist: "Desk's turn" };
const main = byId("main");
let org = "";

theme();
byId("sign-out").addEventListener("click", signOut);
start();

async function start() {
  try {
    const me = await get("/v1/me");
    org = me.org;
    const [register, rows] = await Promise.all([get("/v1/registers/" + me.org), get("/v1/calibrations?limit=30")]);
    byId("who").textContent = [opener(register.opened)(register.state.members?.[me.member]?.name), register.state.organisation.name].filter(Boolean).join(", ");
    const jobs = new Map();
    await Promise.all([...new Set(rows.calibrations.map((/** @type {any} */ r) => r.job))].map(async (id) => jobs.set(id, await get("/v1/jobs/" + id).catch(() => null))));
    put(main, h("div", { class: "split" }, list(rows.calibrations, jobs), form(register.state)));
  } catch (e) {
    put(main, h("p", { class: "problem", role: "alert" }, e instanceof Error ? e.message : "That did not work."));
  }
}

/** @param {any[]} rows @param {Map<string, any>} jobs */
function list(rows, jobs) {
  return h("section", { "aria-labelledby": "cars" }, h("h1", { id: "cars" }, "Calibrations"),
    rows.length === 0 && h("p", { class: "quiet" }, "None yet."),
    h("ul", { class: "rows" }, rows.map((r) => {
      const job = jobs.get(r.job), v = job?.state.vehicle, open = opener(job?.opened);
      const turn = r.summary.turn;
      return h("li", null, h("a", { class: "row", href: "/bay/" + r.stream.id },
        h("b", null, (v && open(v.plate)) || "Car"), h("span", null, sensor(r.summary.sensor)),
        h("span", { class: "quiet" }, /** @type {Record<string, string>} */ (PHASES)[r.phase] ?? r.phase),
        h("span", { class: turn.who === "technician" ? "bay" : "desk" }, turn.who ? `${/** @type {any} */ (TURNS)[turn.who] ?? ""}: ${task(turn)}` : "")));
    })));
}

/** @param {string} legend @param {string} name @param {[string, string][]} options @param {string} type */
const choices = (legend, name, options, type) => h("fieldset", null, h("legend", null, legend),
  h("div", { class: "choices" }, options.map(([value, text]) => h("label", { class: "choice" }, h("input", { type, name, value, id: `${name}-${value}` }), h("span", null, text)))));

/** Which procedure each sensor goes by, where the shop has one. @param {any} register */
function methods(register) {
  const by = Map.groupBy(Object.entries(register.procedures ?? {}).filter(([, p]) => /** @type {any} */ (p).active), ([, p]) => /** @type {any} */ (p).procedure.sensor);
  return [...by].map(([name, list]) => field("method-" + name, `Procedure for ${sensor(name).toLowerCase()}`, select([...list.map(([id, p]) => /** @type {[string, string]} */ ([id, `${/** @type {any} */ (p).procedure.title}, version ${/** @type {any} */ (p).version}`])), ["", "none: numbers typed from the service information"]])));
}

/** The procedure chosen for a sensor, as the command takes it. @param {string} name */
function method(name) {
  const id = /** @type {HTMLSelectElement | null} */ (document.getElementById("method-" + name))?.value;
  return id ? { procedure: { register: org, id } } : {};
}

/** @param {any} register */
function form(register) {
  const dimensions = Object.entries(register.dimensions).filter(([, d]) => /** @type {any} */ (d).active);
  const number = (/** @type {string} */ extra = "") => h("input", { type: "text", inputmode: "decimal", autocomplete: "off", placeholder: extra });
  const f = /** @type {HTMLFormElement} */ (h("form", { id: "new-job", novalidate: true },
    h("h1", { id: "new" }, "New job"),
    field("vin", "VIN", h("input", { type: "text", maxlength: 17, autocapitalize: "characters", autocomplete: "off", spellcheck: "false", required: true })),
    field("plate", "Plate (leave empty if none)", h("input", { type: "text", maxlength: 15, autocomplete: "off", spellcheck: "false" })),
    field("mileage", "Mileage", h("input", { type: "text", inputmode: "numeric", autocomplete: "off", required: true }), "km"),
    choices("Steering wheel on", "steering", [["left", "vehicle LEFT"], ["right", "vehicle RIGHT"]], "radio"),
    field("dimensions", "Dimensions of the car", select(dimensions.map(([id, d]) => [id, /** @type {any} */ (d).type]))),
    choices("Why", "causes", CAUSES.map((c) => [c, sentence(c)]), "checkbox"),
    choices("Sensors to calibrate", "sensors", sensors.map((n) => [n, sensor(n)]), "checkbox"),
    methods(register),
    h("fieldset", null, h("legend", null, "Wheel alignment (after the work; front of the wheel inwards counts up)"),
      field("toe-left", "Rear toe, vehicle LEFT", number(), "°"), field("toe-right", "Rear toe, vehicle RIGHT", number(), "°"),
      h("label", { class: "choice" }, h("input", { type: "checkbox", id: "zero" }), h("span", null, "Steering angle's zero was set"))),
    h("label", { class: "choice" }, h("input", { type: "checkbox", id: "told" }), h("span", null, "Customer was told before the work")),
    h("p", { id: "problem", class: "problem", role: "alert" }),
    h("button", { class: "primary", type: "submit" }, "Open job")));
  f.addEventListener("submit", (e) => { e.preventDefault(); open(f); });
  return h("section", { "aria-labelledby": "new" }, f);
}

// Kept over a failed try, so that trying again makes no second job.
const ids = { job: newId(), cals: /** @type {Record<string, string>} */ ({}), done: /** @type {Record<string, number>} */ ({}) };

/** @param {HTMLFormElement} f */
async function open(f) {
  const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value.trim();
  const ticked = (/** @type {string} */ name) => [...f.querySelectorAll(`input[name=${name}]:checked`)].map((i) => /** @type {HTMLInputElement} */ (i).value);
  const on = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).checked;
  const mileage = /^\d{1,7}$/.test(value("mileage")) ? Number(value("mileage")) : null;
  const toes = [value("toe-left"), value("toe-right")];
  const [left, right] = toes.map(parseDeg);
  const problems = [
    !value("vin") && "VIN: 17 characters.", mileage === null && "Mileage: whole kilometres.", !ticked("steering").length && "Say on which side the steering wheel is.",
    !ticked("causes").length && "Say why the sensors are in question.", !ticked("sensors").length && "Choose a sensor to calibrate.",
    toes.some(Boolean) && (left === null || right === null) && "Rear toe: both, in degrees such as 0.20.",
  ].filter(Boolean);
  byId("problem").textContent = problems.join(" ");
  if (problems.length) return;
  const button = /** @type {HTMLButtonElement} */ (f.querySelector("button[type=submit]"));
  button.disabled = true;
  try {
    const once = async (/** @type {string} */ what, /** @type {() => Promise<any>} */ act) => { if (!ids.done[what]) { await act(); ids.done[what] = 1; } };
    await once("job", () => command("jobs", ids.job, 0, "open-job", {
      vin: value("vin").toUpperCase(), ...(value("plate") && { plate: value("plate") }), mileage_km: mileage, steering: ticked("steering")[0],
      dimensions: value("dimensions"), causes: ticked("causes"), customer_told: on("told"),
      sensors: { affected: ticked("sensors"), not_affected: [], none_fitted: false },
    }));
    if (toes.some(Boolean)) {
      await once("alignment", () => command("jobs", ids.job, 1, "attach-alignment", {
        when: "after", steering_zero_done: on("zero"), wheels: { rear_left: { toe_udeg: left }, rear_right: { toe_udeg: right } },
      }));
    }
    for (const name of ticked("sensors")) {
      ids.cals[name] ??= newId();
      await once("cal " + name, () => command("calibrations", ids.cals[name], 0, "open", { job: ids.job, sensor: name, ...method(name) }));
    }
    location.assign("/bay/" + Object.values(ids.cals)[0]);
  } catch (e) {
    byId("problem").textContent = e instanceof Refused ? e.text() : "There is no link to the server. Press again: nothing is made twice.";
    button.disabled = false;
  }
}
