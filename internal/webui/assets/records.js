// @ts-check
// Calibrations of the shop, or those that a desk took, the newest first; found by the server by plate, VIN, day, sensor, outcome
// and who did it. What is looked for stands in the page's address, so that going back finds it again.
import { get, opener } from "./api.js";
import { byId, field, h, put, select } from "./dom.js";
import { room, said } from "./rooms.js";
import { PHASES, sensor, sensors, sentence } from "./words.js";

const PAGE = 30;
const OUTCOMES = ["completed", "not-completed", "interrupted", "withdrawn"];
const list = h("ul", { class: "rows", id: "list" }), state = h("p", { class: "quiet", role: "status", id: "found" }), problem = h("p", { class: "problem", role: "alert", id: "problem" });
const older = h("button", { type: "button", class: "second", id: "older", hidden: true, onclick: () => turn(more) }, "Older ones");
const text = (/** @type {number} */ most) => h("input", { type: "search", autocomplete: "off", spellcheck: "false", autocapitalize: "characters", maxlength: most });
const date = () => h("input", { type: "date", min: "2020-01-01", max: "2099-12-31" });
/** What may be looked for, by the server's name for it. @type {Record<string, any>} */
const controls = { plate: text(15), vin: text(40), since: date(), until: date(), sensor: select([["", "Any"], ...sensors.map((s) => /** @type {[string, string]} */ ([s, sensor(s)]))]), outcome: select([["", "Any, or none yet"], ...OUTCOMES.map((o) => /** @type {[string, string]} */ ([o, sentence(o.replaceAll("-", " "))]))]), member: select([["", "Anybody"]]) };
const LABELS = { plate: "Plate", vin: "VIN, whole or its last 6", since: "Opened on or after", until: "Opened on or before", sensor: "Sensor", outcome: "Outcome", member: "Who" };
/** @type {any[]} */
let rows = [];
/** The search that is shown; one that was asked for before it is not shown any more. */
let asked = 0;

room(async (register) => {
  const name = opener(register.view.opened), members = Object.entries(register.state.members).map(([id, m]) => [id, (name(m.name) || "Name erased") + (m.active ? "" : ", has left")]);
  controls.member.append(...members.sort((a, b) => a[1].localeCompare(b[1])).map(([id, called]) => h("option", { value: id }, called)));
  const form = h("form", { id: "find", role: "search", "aria-label": "Records" }, h("fieldset", { class: "find" }, Object.entries(LABELS).map(([key, label]) => field(key, label, controls[key]))),
    h("p", { class: "quiet" }, "Spaces, hyphens and capitals make no difference. Corrected plates and VINs count as well. A car is not found once its personal data were erased."),
    h("div", { class: "keys" }, h("button", { type: "submit", class: "primary", id: "look" }, "Find"), h("button", { type: "button", class: "second", id: "all", onclick: () => { for (const c of Object.values(controls)) c.value = ""; turn(anew); } }, "Show all")));
  form.addEventListener("submit", (e) => { e.preventDefault(); turn(anew); });
  for (const key of ["since", "until", "sensor", "outcome", "member"]) controls[key].addEventListener("change", () => turn(anew));
  put(byId("main"), h("h1", { id: "records" }, "Records"), form, problem, state, list, h("div", { class: "keys" }, older));
  for (const [key, value] of new URLSearchParams(location.search)) if (controls[key]) controls[key].value = value;
  await turn(anew);
}, true);

/** @param {() => Promise<void>} what */
const turn = async (what) => {
  problem.textContent = "";
  for (const c of Object.values(controls)) c.removeAttribute("aria-invalid");
  await what().catch((e) => {
    problem.textContent = said(e);
    for (const f of e.fields ?? []) controls[f.field]?.setAttribute("aria-invalid", "true");
  });
};

/** The beginning of a day on this device, or of the next. @param {string} day @param {number} more */
function midnight(day, more) {
  const [y, m, d] = day.split("-").map(Number);
  return new Date(y, m - 1, d + more).toISOString();
}
/** @param {string} id */
const made = (id) => new Date(parseInt(id.replace("-", "").slice(0, 12), 16));

/** What is asked of the server. */
function wanted() {
  const q = new URLSearchParams({ limit: String(PAGE) });
  for (const [key, c] of Object.entries(controls)) if (c.value.trim()) q.set(key, key === "since" ? midnight(c.value, 0) : key === "until" ? midnight(c.value, 1) : c.value.trim());
  return q;
}

async function anew() {
  rows = [];
  const seen = new URLSearchParams(Object.entries(controls).filter(([, c]) => c.value.trim()).map(([key, c]) => [key, c.value.trim()]));
  history.replaceState(null, "", location.pathname + (seen.size ? "?" + seen : ""));
  put(list);
  older.hidden = true;
  state.textContent = "Looking";
  asked++;
  await more().catch((e) => {
    state.textContent = "";
    throw e;
  });
}

async function more() {
  const mine = asked, q = wanted();
  if (rows.length) q.set("before", rows[rows.length - 1].stream.id);
  const next = (await get("/v1/calibrations?" + q)).calibrations;
  /** @type {Map<string, any>} */
  const jobs = new Map();
  await Promise.all([...new Set(next.map((/** @type {any} */ r) => r.job))].map(async (id) => jobs.set(id, await get("/v1/jobs/" + id).catch(() => null))));
  if (mine !== asked) return;
  rows.push(...next);
  older.hidden = next.length < PAGE;
  const one = rows.length === 1 ? "1 record" : `${rows.length} records`;
  state.textContent = !rows.length ? "None." : older.hidden ? one + "." : `The newest ${one}.`;
  list.append(...next.map((/** @type {any} */ r) => line(r, jobs.get(r.job))));
}

/** @param {any} row @param {any} job */
function line(row, job) {
  const open = opener(job?.opened), v = job?.state.vehicle, vin = v?.vin && open(v.vin);
  return h("li", null, h("a", { class: "row", href: "/record/" + row.stream.id, id: "record-" + row.stream.id }, h("b", null, (v && open(v.plate)) || vin || "Car"), h("span", null, sensor(row.summary.sensor), vin && `, VIN …${vin.slice(-6)}`),
    h("span", { class: "quiet" }, "Opened " + made(row.stream.id).toLocaleString("en-GB", { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" })),
    h("span", null, [/** @type {any} */ (PHASES)[row.phase] ?? row.phase, row.summary.outcome && ": " + sentence(row.summary.outcome.replaceAll("-", " ")).toLowerCase()])));
}
