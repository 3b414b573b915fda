// @ts-check
// A drive on the road: what the procedure asks for, what was driven as it is entered, and what each drive came to. What is
// being typed stays on this device until it is recorded: a drive takes long, and the tablet sleeps meanwhile.

import { Refused } from "./api.js";
import { byId, field, h, select } from "./dom.js";
import { clock, dayTime, decimal, NBSP } from "./format.js";
import { gateGlyph } from "./glyph.js";
import { sentence } from "./words.js";

const CAUTION = /** @type {Record<string, string>} */ ({
  "no-second-person": "Nobody rode along", "gate-answered-after-start": "A gate was answered only after the start",
  "drive-beyond-window": "Longer or farther than the source says at the most", "competence-expired": "Competence has expired", "competence-missing": "No proof of competence",
});
const WHYS = /** @type {[string, string][]} */ (["traffic", "road", "weather", "equipment", "vehicle", "people", "other"].map((v) => [v, v]));
const value = (/** @type {Element | null} */ e) => /** @type {HTMLInputElement} */ (e).value.trim();
const way = (/** @type {number} */ m) => (m < 2000 ? m + NBSP + "m" : decimal(m, 3, 1) + NBSP + "km");

/** @param {any} r a range @param {string} unit */
function range(r, unit) {
  if (!r) return "";
  if (r.lower === undefined) return `at most ${r.upper} ${unit}`;
  return r.upper === undefined ? `at least ${r.lower} ${unit}` : `${r.lower} to ${r.upper} ${unit}`;
}

/** @param {any} x a window of the procedure */
const windowWords = (x) => [range(x.speed_kmh, "km/h"), range(x.minutes, "min") + (x.unbroken ? " without a break" : ""), range(x.distance_m, "m")].filter(Boolean).join(", ");

/** What a window came to. @param {any} c as checked @param {any} asks the window of the procedure */
function windowResult(c, asks) {
  const missing = [c.missing_s && `${clock(c.missing_s * 1000)} min`, c.missing_m && way(c.missing_m)].filter(Boolean).join(" and ");
  const had = `${clock((asks?.unbroken ? c.longest_s : c.within_s) * 1000)} min${asks?.unbroken ? " without a break" : ""}, ${way(c.distance_m)}`;
  return h("li", null, gateGlyph(c.met ? "met" : "not"), h("span", null, h("b", null, `${sentence(c.window)}: ${c.met ? "met" : `${missing} missing`}`), h("span", { class: "quiet" }, `, driven ${had}`)));
}

/** The drives of a calibration, attempt by attempt, with what each came to. @param {any} s the state */
export function driven(s) {
  const all = s.attempts.flatMap((/** @type {any} */ a) => (a.drives ?? []).map((/** @type {any} */ d) => ({ ...d, attempt: a.number })));
  if (!all.length) return null;
  const asks = (/** @type {string} */ name) => s.procedure?.drive?.windows.find((/** @type {any} */ x) => x.window === name);
  const said = (/** @type {string} */ name) => s.procedure?.drive?.conditions.find((/** @type {any} */ x) => x.condition === name)?.asks ?? name;
  return h("ol", { class: "drives", "aria-label": "Drives on the road" }, all.map((/** @type {any} */ d) => h("li", { id: `drive-${d.attempt}-${d.number}`, class: "drive" },
    h("h2", null, `Drive ${d.number}${s.attempts.length > 1 ? ` of attempt ${d.attempt}` : ""}, ${dayTime(Date.parse(d.started))} to ${dayTime(Date.parse(d.ended))}: ${d.met ? "meets all that is asked" : "does not meet all that is asked"}`),
    h("ul", { class: "gate-list" }, d.windows.map((/** @type {any} */ c) => windowResult(c, asks(c.window))),
      (d.not_noted ?? []).map((/** @type {string} */ name) => h("li", null, gateGlyph("not"), h("b", null, "Not noted: " + said(name)))),
      d.unrecorded_s > 0 && h("li", { class: "quiet" }, `${clock(d.unrecorded_s * 1000)} min between samples more than 10 s apart count nowhere.`),
      (d.cautions ?? []).map((/** @type {string} */ c) => h("li", { class: "quiet" }, CAUTION[c] ?? sentence(c)))))));
}

/** Minutes and seconds as people type them, 12:30 or 12, in seconds. @param {string} text */
function seconds(text) {
  const m = /^(\d{1,4})(?::([0-5]?\d))?$/.exec(text);
  return m ? Number(m[1]) * 60 + Number(m[2] ?? 0) : null;
}
const whole = (/** @type {string} */ text) => (/^\d{1,7}$/.test(text) ? Number(text) : null);
/** A moment on this device as it is typed, and as it is sent. */
const local = (/** @type {number} */ at) => new Date(at - new Date(at).getTimezoneOffset() * 60_000).toISOString().slice(0, 19);
const moment = (/** @type {string} */ text) => new Date(text).toISOString().replace(".000Z", "Z");

/**
 * @param {import("./watch.js").Watch} w
 * @param {(data: object) => Promise<any>} send
 */
export function drive(w, send) {
  const s = w.state, asks = s.procedure.drive, key = "readback.drive." + w.ref.id;
  /** @type {any} */
  let kept = {};
  try { kept = JSON.parse(sessionStorage.getItem(key) ?? "{}"); } catch { /* as if nothing had been kept */ }
  const input = (/** @type {string} */ id, /** @type {any} */ props = {}) => h("input", { type: "text", autocomplete: "off", value: kept[id] ?? "", ...props });
  const at = (/** @type {string} */ id, /** @type {string} */ label, /** @type {string} */ now) => {
    const box = input(id, { type: "datetime-local", step: 1 });
    return [field(id, label, box), h("button", { type: "button", class: "plain", id: id + "-now", onclick: () => { /** @type {any} */ (box).value = local(w.link.now()); keep(); } }, now)];
  };
  const cells = (/** @type {string} */ kind, /** @type {number} */ n, /** @type {string[][]} */ columns) => columns.map(([name, label, unit]) => field(`${kind}-${name}-${n}`, label, h("input", { type: "text", inputmode: unit === "km/h" ? "numeric" : "text", autocomplete: "off", class: "short", value: kept[`${kind}-${name}-${n}`] ?? "" }), unit));
  const rows = (/** @type {string} */ kind, /** @type {string} */ name, /** @type {string[][]} */ columns, /** @type {((n: number) => any)} */ more, /** @type {number} */ least) => {
    const box = h("div", { class: "positions", id: kind + "-rows" });
    const add = () => { const n = box.children.length + 1; box.append(h("div", { class: "position", role: "group", "aria-label": `${name} ${n}` }, cells(kind, n, columns), more(n))); };
    for (let i = 0; i < Math.max(least, kept[kind + "-count"] ?? 0); i++) add();
    return { box, add };
  };
  const between = [["from", "from", "min:s"], ["to", "to", "min:s"]];
  const stretches = rows("part", "Stretch", [...between, ["low", "lowest speed", "km/h"], ["high", "highest speed", "km/h"]], () => null, 1);
  const breaks = rows("break", "Interruption", between, (n) => field(`break-why-${n}`, "because of", select(WHYS, kept[`break-why-${n}`])), 0);
  const log = /** @type {HTMLTextAreaElement} */ (h("textarea", { id: "log", rows: 5, spellcheck: "false", placeholder: "time_s,speed_kmh\n0,61.5\n5,64" }));
  log.value = kept.log ?? "";
  const file = h("input", { type: "file", accept: ".csv,.txt", onchange: async () => {
    const one = /** @type {HTMLInputElement} */ (file).files?.[0];
    if (one) { log.value = await one.text(); keep(); }
  } });
  let form = kept.form ?? "log";
  const boxes = { log: h("div", { class: "log-box" }, field("log-file", "The file of the log, CSV", file), h("div", { class: "field" }, h("label", { for: "log" }, "or its text: first line time_s,speed_kmh, then a line each, seconds from the start and km/h"), log)),
    parts: h("div", { class: "log-box" }, h("p", { class: "quiet" }, "Times count from the start of the drive, in order. A stretch counts in a window if its lowest and highest speed are in it."), stretches.box, h("button", { type: "button", class: "plain", id: "add-part", onclick: stretches.add }, "Add a stretch")) };
  const choose = (/** @type {"log" | "parts"} */ to) => {
    form = to;
    boxes.log.hidden = to !== "log";
    boxes.parts.hidden = to !== "parts";
    for (const b of segments.children) b.setAttribute("aria-pressed", String(b.id === "by-" + to));
  };
  const segments = h("div", { class: "segments", role: "group", "aria-label": "What was driven" }, [["log", "A log"], ["parts", "Stretches by hand"]].map(([v, text]) =>
    h("button", { type: "button", class: "segment", id: "by-" + v, onclick: () => { choose(/** @type {any} */ (v)); keep(); } }, text)));
  const problem = h("p", { id: "drive-problem", class: "problem", role: "alert" });
  const button = /** @type {HTMLButtonElement} */ (h("button", { type: "submit", class: "primary", id: "record-drive" }, "Record the drive"));
  const box = h("form", { id: "drive-form", class: "sheet", novalidate: true },
    h("fieldset", null, h("legend", null, "When, by this device's clock"), at("started", "Started", "It starts now"), at("ended", "Ended", "It has ended now")),
    h("fieldset", null, h("legend", null, "Who"), field("driver", "The driver, who drives only", input("driver", { maxlength: 120 })), field("second", "Who rode along and watched the equipment", input("second", { maxlength: 120 }))),
    asks.conditions.length > 0 && h("fieldset", null, h("legend", null, "What was so all the way"), h("div", { class: "choices" }, asks.conditions.map((/** @type {any} */ c) =>
      h("label", { class: "choice" }, h("input", { type: "checkbox", id: "so-" + c.condition, checked: kept["so-" + c.condition] === true }), h("span", null, c.asks))))),
    h("fieldset", null, h("legend", null, "What was driven"), segments, boxes.log, boxes.parts),
    h("details", { open: (kept["break-count"] ?? 0) > 0 }, h("summary", null, "What does not count, the odometer, a note"),
      h("fieldset", null, h("legend", null, "Interruptions, in order; they count in no window"), breaks.box, h("button", { type: "button", class: "plain", id: "add-break", onclick: breaks.add }, "Add an interruption")),
      h("fieldset", null, h("legend", null, "Odometer"), field("odo-start", "at the start", input("odo-start", { inputmode: "numeric" }), "km"), field("odo-end", "at the end", input("odo-end", { inputmode: "numeric" }), "km")),
      field("drive-note", "Note", input("drive-note", { maxlength: 2000 }))),
    problem, button);
  const text = (/** @type {string} */ id) => value(box.querySelector("#" + CSS.escape(id)));
  function keep() {
    const now = /** @type {any} */ ({ form, log: log.value, "part-count": stretches.box.children.length, "break-count": breaks.box.children.length });
    for (const e of box.querySelectorAll("input:not([type=file]), select")) now[e.id] = /** @type {any} */ (e).type === "checkbox" ? /** @type {any} */ (e).checked : /** @type {any} */ (e).value;
    try { sessionStorage.setItem(key, JSON.stringify(now)); } catch { /* it is on the screen still */ }
  }
  box.addEventListener("input", keep);

  /** The data of the command, and what is wrong with what was typed. */
  function read() {
    /** @type {string[]} */
    const wrong = [];
    const must = (/** @type {any} */ v, /** @type {string} */ want) => { if (v === null) wrong.push(want); return v ?? 0; };
    const filled = (/** @type {string} */ kind, /** @type {number} */ count, /** @type {string[]} */ names) => Array.from({ length: count }, (_, i) => i + 1).filter((n) => names.some((name) => text(`${kind}-${name}-${n}`)));
    const span = (/** @type {string} */ kind, /** @type {number} */ n, /** @type {string} */ name) => ({
      from_s: must(seconds(text(`${kind}-from-${n}`)), `${name} ${n}, from: minutes and seconds such as 12:30.`), to_s: must(seconds(text(`${kind}-to-${n}`)), `${name} ${n}, to: minutes and seconds such as 12:30.`) });
    const speed = (/** @type {number} */ n, /** @type {string} */ which, /** @type {string} */ name) => must(whole(text(`part-${which}-${n}`)), `Stretch ${n}, ${name} speed: whole km/h.`);
    for (const [id, what] of [["started", "When the drive started."], ["ended", "When it ended."]]) if (!text(id)) wrong.push(what);
    if (!text("driver")) wrong.push("Who drove.");
    const breaksIn = filled("break", breaks.box.children.length, ["from", "to"]).map((n) => ({ ...span("break", n, "Interruption"), why: text(`break-why-${n}`) }));
    const parts = form === "parts" ? filled("part", stretches.box.children.length, ["from", "to", "low", "high"]).map((n) => ({ ...span("part", n, "Stretch"), lowest_kmh: speed(n, "low", "lowest"), highest_kmh: speed(n, "high", "highest") })) : [];
    if (form === "parts" && !parts.length) wrong.push("At least one stretch.");
    if (form === "log" && !log.value.trim()) wrong.push("The log, or stretches by hand.");
    const odometer = text("odo-start") || text("odo-end") ? { start: must(whole(text("odo-start")), "Odometer at the start: whole km."), end: must(whole(text("odo-end")), "Odometer at the end: whole km.") } : null;
    if (wrong.length) return { data: null, wrong };
    return { wrong, data: {
      started: moment(text("started")), ended: moment(text("ended")), driver: text("driver"), ...(text("second") && { second_person: text("second") }), ...(odometer && { odometer_km: odometer }),
      conditions: asks.conditions.map((/** @type {any} */ c) => c.condition).filter((/** @type {string} */ c) => /** @type {any} */ (box.querySelector("#" + CSS.escape("so-" + c))).checked),
      ...(form === "parts" ? { segments: parts } : { csv: log.value }), ...(breaksIn.length > 0 && { interrupted: breaksIn }), ...(text("drive-note") && { note: text("drive-note") }),
    } };
  }
  box.addEventListener("submit", async (e) => {
    e.preventDefault();
    const { data, wrong } = read();
    problem.textContent = wrong.join(" ");
    if (!data) return;
    button.disabled = true;
    try {
      sessionStorage.removeItem(key);
      await send(data); // and then this form is drawn anew, empty, below what the drive came to
      byId("main").scrollTo(0, 0);
    } catch (err) {
      keep();
      problem.textContent = err instanceof Refused ? (err.slug === "stale" ? "Something came in between. Look again, then record it." : err.text()) : String(err);
    }
    button.disabled = false;
  });
  choose(form);
  return h("section", { class: "scroll" }, h("h1", { class: "instruction small", id: "instruction" }, "Drive, then record it"),
    h("p", { class: "caution drive-caution" }, s.procedure.drive_caution),
    driven(s),
    h("ul", { class: "asked-drive" }, asks.windows.map((/** @type {any} */ x) => h("li", null, h("b", null, sentence(x.window) + ": "), windowWords(x))), asks.conditions.map((/** @type {any} */ c) => h("li", null, c.asks))),
    h("h2", null, "What was driven, entered after it"), box);
}
