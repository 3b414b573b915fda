// @ts-check
// The cars of the shop: what is under work, jobs that wait to be taken up, and a job opened with as little as a plate.

import { command, get, newId, opener, signOut } from "./api.js";
import { byId, field, h, put, theme } from "./dom.js";
import { faults } from "./faults.js";
import { typedVIN, vinInput } from "./vininput.js";
import { PHASES, sensor, task } from "./words.js";

const TURNS = { technician: "Your turn", specialist: "Desk's turn" };
const LOOK_MS = 10_000;
const main = byId("main");

theme();
byId("sign-out").addEventListener("click", signOut);
start();

async function start() {
  try {
    const me = await get("/v1/me");
    byId("people").hidden = !me.roles.includes("owner");
    const register = await get("/v1/registers/" + me.org);
    byId("who").textContent = [opener(register.opened)(register.state.members?.[me.member]?.name), register.state.organisation.name].filter(Boolean).join(", ");
    const lists = h("div", null);
    put(main, h("div", { class: "split" }, lists, form()));
    await look(lists);
    setInterval(() => look(lists).catch(() => {}), LOOK_MS); // a vehicle interface may announce a car at any time
  } catch (e) {
    put(main, h("p", { class: "problem", role: "alert" }, e instanceof Error ? e.message : "That did not work."));
  }
}

/** Jobs as they were read last, by id. @type {Map<string, {seq: number, view: any}>} */
const known = new Map();
let last = "";

/** @param {Element} lists */
async function look(lists) {
  const [cals, jobs] = await Promise.all([get("/v1/calibrations?limit=30"), get("/v1/jobs?limit=30")]);
  const rows = cals.calibrations, shown = JSON.stringify([rows, jobs]);
  if (shown === last) return;
  await Promise.all(jobs.jobs.map(async (/** @type {any} */ r) => {
    if (known.get(r.stream.id)?.seq !== r.seq) known.set(r.stream.id, { seq: r.seq, view: await get("/v1/jobs/" + r.stream.id).catch(() => null) });
  }));
  await Promise.all([...new Set(rows.map((/** @type {any} */ r) => r.job))].filter((id) => !known.has(id)).map(async (id) => known.set(id, { seq: 0, view: await get("/v1/jobs/" + id).catch(() => null) })));
  last = shown;
  const begun = new Set(rows.map((/** @type {any} */ r) => r.job));
  put(lists, waiting(jobs.jobs.filter((/** @type {any} */ r) => r.phase === "open" && (!begun.has(r.stream.id) || r.summary.announced || r.summary.vin_differs))), list(rows));
}

/** @param {string} id */
function name(id) {
  const job = known.get(id)?.view, v = job?.state.vehicle, open = opener(job?.opened);
  return (v && (open(v.plate) || (v.vin && "VIN …" + open(v.vin).slice(-6)))) || open(job?.state.work.customer_reference) || "Car";
}

/** Jobs without a calibration, and those where somebody has to look. @param {any[]} rows */
function waiting(rows) {
  if (!rows.length) return null;
  return h("section", { "aria-labelledby": "jobs" }, h("h1", { id: "jobs" }, "Cars to take up"), h("ul", { class: "rows" }, rows.map((r) => {
    const s = r.summary, say = s.vin_differs ? "Two VINs: is it the right car?" : s.announced ? "Announced by a vehicle interface" : s.missing.length ? "Described in part" : "Described";
    return h("li", null, h("a", { class: "row", href: "/bay/jobs/" + r.stream.id, id: "job-" + r.stream.id }, h("b", null, name(r.stream.id)), h("span", { class: s.vin_differs || s.announced ? "bay" : "quiet" }, say)));
  })));
}

/** @param {any[]} rows */
function list(rows) {
  return h("section", { "aria-labelledby": "cars" }, h("h1", { id: "cars" }, "Calibrations"),
    rows.length === 0 && h("p", { class: "quiet" }, "None yet."),
    h("ul", { class: "rows" }, rows.map((r) => {
      const turn = r.summary.turn;
      return h("li", null, h("a", { class: "row", href: "/bay/" + r.stream.id },
        h("b", null, name(r.job)), h("span", null, sensor(r.summary.sensor)),
        h("span", { class: "quiet" }, /** @type {Record<string, string>} */ (PHASES)[r.phase] ?? r.phase),
        h("span", { class: turn.who === "technician" ? "bay" : "desk" }, turn.who ? `${/** @type {any} */ (TURNS)[turn.who] ?? ""}: ${task(turn)}` : "")));
    })));
}

const job = newId(); // kept over a failed try, so that trying again makes no second one

function form() {
  const input = (/** @type {number} */ most) => h("input", { type: "text", maxlength: most, autocomplete: "off", spellcheck: "false", autocapitalize: "characters" });
  const wrong = faults(() => f, { plate: "plate", vin: "vin", customer_reference: "reference" });
  const f = h("form", { id: "new-job", novalidate: true }, h("h1", { id: "new" }, "New job"), h("p", { class: "quiet" }, "One of these is enough. The rest is said later, in any order."),
    field("plate", "Plate", input(15)), field("vin", "VIN", vinInput("")), field("reference", "Customer's reference", input(80)),
    wrong.rest, h("button", { class: "primary", type: "submit" }, "Open job"));
  f.addEventListener("submit", async (e) => {
    e.preventDefault();
    const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value.trim();
    const data = { ...(value("plate") && { plate: value("plate") }), ...(value("vin") && { vin: typedVIN(value("vin")) }), ...(value("reference") && { customer_reference: value("reference") }) };
    if (!Object.keys(data).length) return wrong.at("plate", "Plate, VIN or reference: one of them.");
    await wrong.trying(async () => {
      await command("jobs", job, 0, "open-job", data);
      location.assign("/bay/jobs/" + job);
    });
  });
  return h("section", { "aria-labelledby": "new" }, f);
}
