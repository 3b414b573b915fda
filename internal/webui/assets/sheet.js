// @ts-check
// The set-up sheet as a form: every number with its unit, its side and what it counts from, and the document it is from.

import { Refused } from "./api.js";
import { byId, field, h, put, select } from "./dom.js";
import { parseDeg, parseMM } from "./format.js";
import { goal } from "./goal.js";
import { datum, sentence } from "./words.js";

const LINES = ["thrust-line", "centreline"];
const DATUMS = ["front-bumper", "front-axle", "rear-axle", "rear-bumper"];
const pairs = [["left", "left"], ["right", "right"], ["left", "right"], ["right", "left"]];
const spans = (/** @type {string} */ axle) => pairs.map(([a, b]) => ({ quantity: "span", from: `${axle}-${a}-hub`, to: `${b}-end` }));

/** The groups of readings that can be planned, in the order in which they are taken. */
const GROUPS = [
  { id: "datum", name: "Datum to board face", kind: /laser|tape/, on: true, list: [{ quantity: "datum-distance" }] },
  { id: "front", name: "Front hubs to both ends (4)", kind: /tape|laser/, on: true, list: spans("front") },
  { id: "rear", name: "Rear hubs to both ends (4)", kind: /laser|tape/, on: false, list: spans("rear") },
  { id: "heights", name: "Height of both ends (2)", kind: /rule/, on: true, list: [{ quantity: "end-height", to: "left-end" }, { quantity: "end-height", to: "right-end" }] },
  { id: "level", name: "Level of the board", kind: /level/, on: true, angle: true, list: [{ quantity: "level" }] },
  { id: "tilt", name: "Tilt of the board", kind: /level/, on: false, angle: true, list: [{ quantity: "tilt" }] },
  { id: "points", name: "Datum point to both ends (2)", kind: /laser|tape/, on: false, list: [{ quantity: "span", from: "datum", to: "left-end" }, { quantity: "span", from: "datum", to: "right-end" }] },
];

/** What can be limited, and which way a deviation goes that is above and below nominal. */
const LIMITS = [
  { id: "distance", name: "Distance", unit: "mm", upper: "too far", lower: "too near" },
  { id: "lateral", name: "Lateral", unit: "mm", upper: "too far to vehicle LEFT", lower: "too far to vehicle RIGHT" },
  { id: "height", name: "Height", unit: "mm", upper: "too high", lower: "too low" },
  { id: "yaw", name: "Turn", unit: "°", upper: "left end too far back", lower: "left end too far forward" },
  { id: "roll", name: "Roll", unit: "°", upper: "left end too high", lower: "left end too low" },
];

/**
 * @param {import("./watch.js").Watch} w
 * @param {(data: object) => Promise<any>} send
 */
export function sheetForm(w, send) {
  const reg = w.register;
  const inUse = (/** @type {Record<string, any>} */ shelf, /** @type {(v: any) => string} */ name) =>
    /** @type {[string, string][]} */ (Object.entries(shelf).filter(([, v]) => v.active).map(([id, v]) => [id, name(v)]));
  const length = (/** @type {string} */ v = "") => h("input", { type: "text", inputmode: "decimal", autocomplete: "off", value: v });
  const instruments = inUse(reg.instruments, (v) => v.name);
  const group = (/** @type {typeof GROUPS[number]} */ g) => {
    const fit = instruments.filter(([id]) => (reg.instruments[id].instrument.standard_uncertainty_udeg !== undefined) === Boolean(g.angle));
    const best = g.kind.source.split("|").map((k) => fit.find(([id]) => reg.instruments[id].instrument.kind.includes(k))).find(Boolean);
    if (!fit.length) return null;
    return h("div", { class: "group" },
      h("label", { class: "choice" }, h("input", { type: "checkbox", id: "take-" + g.id, checked: g.on }), h("span", null, g.name)),
      h("label", { class: "unseen", for: "with-" + g.id }, "Instrument for: " + g.name), Object.assign(select(fit, best?.[0]), { id: "with-" + g.id }));
  };
  const rows = h("div", { id: "positions", class: "positions" });
  const addRow = (/** @type {string} */ lateral = "", /** @type {string} */ to = "centre") => {
    const n = rows.children.length + 1;
    rows.append(h("div", { class: "position", role: "group", "aria-label": "Position " + n },
      field(`position-${n}`, "Position", h("input", { type: "text", maxlength: 20, value: String(n) })),
      field(`lateral-${n}`, "Off the reference line", length(lateral), "mm"),
      field(`side-${n}`, "To", select([["centre", "CENTRE"], ["left", "vehicle LEFT"], ["right", "vehicle RIGHT"]], to))));
  };
  addRow("0");
  const method = w.state.procedure;
  const ways = (method?.set_ups ?? []).map((/** @type {any} */ u) => /** @type {[string, string]} */ ([u.name, `${u.name}: target ${u.target}, ${u.positions.length} position${u.positions.length === 1 ? "" : "s"}`]));
  const way = select([...ways, ["", "type the numbers"]]);
  const typed = (/** @type {any[]} */ ...inside) => h("fieldset", { class: "typed-in" }, inside);
  const numbers = h("div", { id: "numbers" });
  const fit = () => {
    const from = /** @type {HTMLSelectElement} */ (way).value, chosen = method?.set_ups.find((/** @type {any} */ u) => u.name === from), target = chosen?.target, at = chosen?.setup.positions ?? [];
    put(numbers, at.map((/** @type {any} */ p) => [at.length > 1 && h("p", { class: "quiet" }, `Position ${p.name}`), goal(chosen.setup, p)]));
    for (const f of form.querySelectorAll(".typed-in")) /** @type {HTMLElement} */ (f).hidden = Boolean(from);
    const stand = /** @type {HTMLSelectElement} */ (form.querySelector("#fixture"));
    for (const o of stand.options) if (target && reg.fixtures[o.value].target === target) stand.value = o.value;
  };
  way.addEventListener("change", () => fit());
  const form = h("form", { id: "sheet", class: "sheet", novalidate: true },
    ways.length > 0 && h("fieldset", null, h("legend", null, `${method.title}: ${method.source.title}, ${method.source.dated}, version ${method.source.version}`), field("set-up", "Numbers from the procedure", way), numbers),
    typed(h("legend", null, "Where the numbers come from"),
      field("source", "Document", h("input", { type: "text", maxlength: 200 })), field("dated", "Dated", h("input", { type: "date" })),
      field("version", "Version", h("input", { type: "text", maxlength: 60 }))),
    h("fieldset", null, h("legend", null, "What stands where"),
      field("bay", "Bay", select(inUse(reg.bays, (v) => v.name))), field("fixture", "Stand", select(inUse(reg.fixtures, (v) => `${v.name}, target ${v.target}`))),
      field("car", "Dimensions", select(inUse(reg.dimensions, (v) => v.type), w.job?.vehicle?.dimensions)),
      h("span", { class: "typed-in field" }, field("ahead", "The target stands", select([["ahead", "ahead of the car"], ["behind", "behind the car"]], /rear/.test(w.state.sensor) ? "behind" : "ahead")))),
    typed(h("legend", null, "Where the target goes"),
      field("line", "Reference line", select(LINES.map((l) => [l, sentence(datum(l))]))), field("from", "Distance counts from", select(DATUMS.map((d) => [d, sentence(datum(d))]))),
      field("datum-height", "Height of that datum above the floor", length(), "mm"),
      field("distance", "Distance from the datum, along the line", length(), "mm"),
      field("height", "Height of the target above the plane of the wheels", length(), "mm")),
    typed(h("legend", null, "Positions, seen seated and facing forward"), rows,
      h("button", { type: "button", id: "add-position", class: "plain", onclick: () => addRow() }, "Add a position")),
    typed(h("legend", null, "Limits; leave empty what has none"),
      h("label", { class: "choice" }, h("input", { type: "checkbox", id: "by-side", onchange: () => sides() }), h("span", null, "Other limits to one side than to the other, or to one side only")),
      LIMITS.map((l) => h("span", { class: "field both-sides" }, field("limit-" + l.id, l.name + ", plus or minus", length(), l.unit))),
      LIMITS.map((l) => h("span", { class: "position one-side" }, field("upper-" + l.id, `${l.name}: ${l.upper} by at most`, length(), l.unit), field("lower-" + l.id, `${l.lower} by at most`, length(), l.unit))),
      field("limits", "Whose limits", select([["stated", "stated in the document"], ["own", "the shop's own, set by me"]]))),
    h("fieldset", null, h("legend", null, "Readings to take at each position"), GROUPS.map(group),
      field("pointing", "Finding the marks of a span, standard uncertainty", length("0.5"), "mm")),
    h("p", { id: "sheet-problem", class: "problem", role: "alert" }),
    h("button", { type: "submit", class: "primary" }, "Issue the sheet"));
  const sides = () => {
    const apart = /** @type {HTMLInputElement} */ (form.querySelector("#by-side")).checked;
    for (const e of form.querySelectorAll(".both-sides")) /** @type {HTMLElement} */ (e).hidden = apart;
    for (const e of form.querySelectorAll(".one-side")) /** @type {HTMLElement} */ (e).hidden = !apart;
  };
  fit();
  sides();
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const { data, wrong } = read(w);
    byId("sheet-problem").textContent = wrong.join(" ");
    if (wrong.length) return;
    const button = /** @type {HTMLButtonElement} */ (form.querySelector("button[type=submit]"));
    button.disabled = true;
    try {
      await send(data);
    } catch (err) {
      byId("sheet-problem").textContent = err instanceof Refused ? err.text() : String(err);
    }
    button.disabled = false;
  });
  return form;
}

/** @param {import("./watch.js").Watch} w */
function read(w) {
  /** @type {string[]} */
  const wrong = [];
  const text = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value.trim();
  const from = /** @type {HTMLSelectElement | null} */ (document.getElementById("set-up"))?.value;
  const number = (/** @type {string} */ id, /** @type {string} */ what, /** @type {(t: string) => number | null} */ parse, needed = true) => {
    if (!text(id) && !needed) return undefined;
    const n = parse(text(id));
    if (n === null) wrong.push(`${what}: a number, in ${parse === parseMM ? "mm" : "degrees"}.`);
    return n ?? 0;
  };
  const pointing = number("pointing", "Finding the marks", parseMM) ?? 0;
  if (pointing < 0) wrong.push("Finding the marks: 0 mm or more.");
  const measure = GROUPS.filter((g) => /** @type {HTMLInputElement | null} */ (document.getElementById("take-" + g.id))?.checked).flatMap((g) =>
    g.list.map((r) => ({ ...r, instrument: text("with-" + g.id), ...(r.quantity === "span" && pointing > 0 && { pointing_um: pointing }) })));
  if (from) return { data: { from_procedure: { set_up: from }, fixture: text("fixture"), dimensions: text("car"), bay: text("bay"), measure }, wrong };
  const positions = [...document.querySelectorAll("#positions .position")].map((_, i) => {
    const size = number(`lateral-${i + 1}`, `Position ${i + 1}`, parseMM) ?? 0;
    const to = text(`side-${i + 1}`);
    if ((to === "centre") !== (size === 0) || size < 0) wrong.push(`Position ${i + 1}: how far, and to which side; 0 for the centre.`);
    return { name: text(`position-${i + 1}`), lateral_um: to === "right" ? 0 - size : size };
  });
  const apart = /** @type {HTMLInputElement} */ (byId("by-side")).checked;
  /** @type {Record<string, any>} */
  const tolerance = {};
  for (const l of LIMITS) {
    const parse = l.unit === "mm" ? parseMM : parseDeg, name = "Limit: " + l.name.toLowerCase(), key = l.id + (l.unit === "mm" ? "_um" : "_udeg");
    if (!apart) {
      const t = number("limit-" + l.id, name, parse, false);
      if (t !== undefined) tolerance[key] = t;
      continue;
    }
    const upper = number("upper-" + l.id, name, parse, false), lower = number("lower-" + l.id, name, parse, false);
    if (upper !== undefined || lower !== undefined) tolerance[key] = { ...(lower !== undefined && { lower: 0 - lower }), ...(upper !== undefined && { upper }) };
  }
  if (!text("source") || !text("dated") || !text("version")) wrong.push("Name the document, its date and its version.");
  if (!Object.keys(tolerance).length) wrong.push("Enter at least one limit.");
  const data = {
    setup: {
      sensor: w.state.sensor, side: text("ahead"), datum: text("from"), datum_height_um: number("datum-height", "Height of the datum", parseMM), line: text("line"),
      distance_um: number("distance", "Distance", parseMM), height_um: number("height", "Height", parseMM), positions, tolerance,
    },
    fixture: text("fixture"), dimensions: text("car"), bay: text("bay"), source: { title: text("source"), dated: text("dated"), version: text("version") },
    limits: text("limits"), ...(text("limits") === "own" && { limits_by: w.link.member }), measure,
  };
  return { data, wrong };
}
