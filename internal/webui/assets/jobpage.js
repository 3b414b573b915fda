// @ts-check
// One car in the shop: what is known of it and what is still missing, its alignment and scans, and its calibrations. All of it
// may be said in any order; it is loaded anew after each entry, by whomever.

import { alignment } from "./alignment.js";
import { command, get, newId, opener, Refused, signOut } from "./api.js";
import { byId, drop, field, h, kept, place, put, select, theme } from "./dom.js";
import { faults } from "./faults.js";
import { carForm, missing, tieForm, withdrawForm, workForm } from "./jobforms.js";
import { Link } from "./link.js";
import { scan } from "./scan.js";
import { twoVINs } from "./vin.js";
import { PHASES, sensor, sentence, task } from "./words.js";

const id = location.pathname.split("/")[3], main = byId("main"), page = place(main, () => draw());
const link = new Link();
/** @type {any} */
let view = null, register = /** @type {any} */ (null), me = /** @type {any} */ (null), rows = /** @type {any[]} */ ([]), procedures = /** @type {any[] | null} */ (null), seen = 0; // the entry that the page shows

theme();
byId("sign-out").addEventListener("click", signOut);
start();

async function start() {
  try {
    me = await get("/v1/me");
    byId("people").hidden = !me.roles.includes("owner");
    await load();
    link.follow({ kind: "job", id }, view.seq, (e) => { if (e.seq > view.seq) load(); });
  } catch (e) {
    put(main, h("p", { class: "problem", role: "alert" }, e instanceof Refused ? e.text() : "No link to the server. Load the page again."), h("a", { href: "/bay" }, "All cars"));
  }
}

async function load() {
  [view, rows] = [await get("/v1/jobs/" + id), (await get("/v1/calibrations?limit=100")).calibrations.filter((/** @type {any} */ r) => r.job === id)];
  register ??= (await get("/v1/registers/" + me.org)).state;
  procedures ??= (await get("/v1/procedures")).procedures; // its own, then its desks'
  draw();
}

/** @param {string} type @param {object} data */
async function act(type, data) {
  try {
    await command("jobs", id, seen, type, data);
    drop(type);
  } catch (e) {
    if (!(e instanceof Refused && e.slug === "stale")) throw e;
    await load();
    throw new Error("Something came in between. Look again, then save.");
  }
  await load();
}
/** A form's command; the form tells what is refused, where it is. @param {string} type */
const by = (type) => (/** @type {object} */ data) => act(type, data);

function draw() {
  const job = view.state, open = opener(view.opened), ended = job.phase === "withdrawn";
  const doubt = job.announced && !job.announced.vin_equal && !job.settled && !ended, lacks = missing(job);
  const name = open(job.vehicle.plate) || (job.vehicle.vin ? "VIN …" + open(job.vehicle.vin).slice(-6) : open(job.work.customer_reference)) || "Car";
  document.title = name + " · Readback";
  const changes = job.changes.length;
  if (page.show([view.seq, rows], () => [h("p", null, h("a", { href: "/bay" }, "All cars")), h("h1", { id: "job-name" }, name),
    ended && h("p", { class: "then", id: "withdrawn" }, h("b", null, "Withdrawn: "), sentence(job.withdrawn.cause), ". ", open(job.withdrawn.reason)),
    doubt && twoVINs(job, open, by("settle-vin")),
    job.announced && h("p", { class: "quiet", id: "announced" }, `A vehicle interface or a scan tool gave the VIN ${open(job.announced.vin)}`, job.announced.vin_equal ? ", the same as the job's." : job.settled ? `. Settled: the ${job.settled.right === "typed" ? "typed one" : "car's own"} is right. ${open(job.settled.reason)}` : "."),
    !ended && h("p", { id: "missing" }, lacks.length ? ["Still to be said: ", h("b", null, lacks.join(", ")), ". It is asked for when it is needed."] : "All that is asked for is said."),
    h("div", { class: "split" },
      h("div", { class: "column" }, calibrations(job, ended), !ended && kept("describe-vehicle", () => carForm(job, register, open, by("describe-vehicle")), [job.vehicle, view.opened]),
        !ended && kept("describe-work", () => workForm(job, open, by("describe-work")), [job.work, view.opened])),
      h("div", { class: "column" }, !ended && kept("attach-alignment", () => alignment(job, by("attach-alignment")), job.alignments), !ended && kept("record-scan", () => scan(job, job.scans.length ? "after" : "before", by("record-scan")), [job.scans, job.comparison, rows.length]),
        !ended && tieForm(job, register, by("tie-interface"), by("untie-interface")),
        changes > 0 && h("details", { id: "changes" }, h("summary", null, `Corrected or added since: ${changes}`), h("ul", null, job.changes.map((/** @type {any} */ c) => h("li", null, `Entry ${c.seq}: `, Object.entries(c.was).map(([k, v]) => `${sentence(k.replace("_km", ""))} was ${v?.sealed ? open(v) : typeof v === "object" ? JSON.stringify(v) : v}`).join("; ") || "added")))),
        !ended && kept("withdraw-job", () => withdrawForm(by("withdraw-job")))))])) seen = view.seq;
}

// Kept over a failed try, so that trying again makes no second one.
const made = /** @type {Record<string, string>} */ ({});

/** @param {any} job @param {boolean} ended */
function calibrations(job, ended) {
  const there = rows.filter((r) => r.phase !== "closed").map((r) => r.summary.sensor), todo = (job.work.sensors?.affected ?? []).filter((/** @type {string} */ s) => !there.includes(s));
  const methods = (/** @type {string} */ s) => (procedures ?? []).filter((p) => p.sensor === s).map((p) => /** @type {[string, string]} */ ([`${p.register}/${p.id}`, `${p.title}, version ${p.version}${p.register === me.org ? "" : ", of " + p.organisation}`]));
  const begin = async (/** @type {string} */ s) => {
    const cal = (made[s] ??= newId()), method = /** @type {HTMLSelectElement | null} */ (document.getElementById("method-" + s))?.value;
    await wrong.trying(async () => {
      await command("calibrations", cal, 0, "open", { job: id, sensor: s, ...(method && { procedure: { register: method.split("/")[0], id: method.split("/")[1] } }) });
      location.assign("/bay/" + cal);
    });
  };
  const wrong = faults(() => box);
  const box = h("section", { "aria-labelledby": "cals" }, h("h2", { id: "cals" }, "Calibrations"),
    h("ul", { class: "rows" }, rows.map((r) => h("li", null, h("a", { class: "row", href: "/bay/" + r.stream.id }, h("b", null, sensor(r.summary.sensor)), h("span", null, /** @type {any} */ (PHASES)[r.phase] ?? r.phase), h("span", { class: "quiet" }, r.summary.outcome?.replace("-", " ") ?? ""), h("span", null, task(r.summary.turn)))))),
    !ended && todo.map((/** @type {string} */ s) => h("div", { class: "group begin" }, methods(s).length > 0 && field("method-" + s, `Procedure for ${sensor(s).toLowerCase()}`, select([...methods(s), ["", "none: numbers typed from the service information"]])),
      h("button", { type: "button", class: "primary", id: "begin-" + s, onclick: () => begin(s) }, `Begin: ${sensor(s).toLowerCase()}`))),
    !ended && !rows.length && !todo.length && h("p", { class: "quiet" }, "Say which sensors are affected: then each can be begun."), wrong.rest);
  return box;
}
