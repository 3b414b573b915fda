// @ts-check
// Calibrations of the shop, or those that a desk took, the newest first: found by the day on which they were opened, and among
// those shown by plate, VIN, reference, sensor or outcome.
import { get, opener } from "./api.js";
import { byId, field, h, put } from "./dom.js";
import { room, said } from "./rooms.js";
import { PHASES, sensor, sentence } from "./words.js";

const PAGE = 30;
const list = h("ul", { class: "rows", id: "list" }), state = h("p", { class: "quiet", role: "status", id: "found" }), problem = h("p", { class: "problem", role: "alert", id: "problem" });
const words = /** @type {HTMLInputElement} */ (h("input", { type: "search", autocomplete: "off", spellcheck: "false" })), until = /** @type {HTMLInputElement} */ (h("input", { type: "date", min: "2020-01-01", max: "2099-12-31" }));
const older = h("button", { type: "button", class: "second", id: "older", onclick: () => turn(more) }, "Older ones");
/** @type {{row: any, text: string, name: string}[]} */
let all = [];
/** Jobs as they were read. @type {Map<string, any>} */
const jobs = new Map();

room(async () => {
  put(byId("main"), h("h1", { id: "records" }, "Records"), h("fieldset", { class: "find" }, field("until", "Opened on this day or before", until), field("words", "Among those shown: plate, VIN, reference, sensor, outcome", words)), problem, state, list, h("div", { class: "keys" }, older));
  until.addEventListener("change", () => turn(async () => { all = []; await more(); }));
  words.addEventListener("input", draw);
  await more();
}, true);

/** @param {() => Promise<void>} what */
const turn = async (what) => {
  problem.textContent = "";
  await what().catch((e) => { problem.textContent = said(e); });
};

/** Ids begin with the time at which they were made, so that a day is a place in the list. @param {string} day on this device */
function last(day) {
  const [y, m, d] = day.split("-").map(Number), end = new Date(y, m - 1, d + 1).getTime(), hex = end.toString(16).padStart(12, "0");
  return `${hex.slice(0, 8)}-${hex.slice(8)}-7000-8000-000000000000`;
}
/** @param {string} id */
const made = (id) => new Date(parseInt(id.replace("-", "").slice(0, 12), 16));

async function more() {
  const before = all.length ? all[all.length - 1].row.stream.id : until.value ? last(until.value) : "";
  const rows = (await get(`/v1/calibrations?limit=${PAGE}${before ? "&before=" + before : ""}`)).calibrations;
  await Promise.all([...new Set(rows.map((/** @type {any} */ r) => r.job))].filter((id) => !jobs.has(id)).map(async (id) => jobs.set(id, await get("/v1/jobs/" + id).catch(() => null))));
  all.push(...rows.map((/** @type {any} */ row) => {
    const job = jobs.get(row.job), open = opener(job?.opened), v = job?.state.vehicle;
    const parts = v ? [open(v.plate), v.vin && open(v.vin), open(job.state.work.customer_reference)].filter(Boolean) : [];
    const name = parts[0] || "Car", outcome = row.summary.outcome?.replaceAll("-", " ") ?? "";
    return { row, name, text: [...parts, sensor(row.summary.sensor), outcome].join(" ").toLowerCase() };
  }));
  older.hidden = rows.length < PAGE;
  draw();
}

function draw() {
  const asked = words.value.trim().toLowerCase(), found = all.filter((r) => r.text.includes(asked));
  state.textContent = all.length ? (asked ? `${found.length} of the ${all.length} shown.` : `${all.length} shown.`) : "None.";
  put(list, found.map(({ row, name }) => h("li", null, h("a", { class: "row", href: "/record/" + row.stream.id, id: "record-" + row.stream.id }, h("b", null, name), h("span", null, sensor(row.summary.sensor)),
    h("span", { class: "quiet" }, "Opened " + made(row.stream.id).toLocaleString("en-GB", { day: "numeric", month: "short", year: "numeric", hour: "2-digit", minute: "2-digit" })),
    h("span", null, [/** @type {any} */ (PHASES)[row.phase] ?? row.phase, row.summary.outcome && ": " + sentence(row.summary.outcome.replaceAll("-", " ")).toLowerCase()])))));
}
