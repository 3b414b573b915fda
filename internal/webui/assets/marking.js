// @ts-check
// One photo, large, with what was drawn on it; and drawing, with a finger, a pointer or keys. Nothing drawn is taken away
// later, so it is kept here until it is sent.

import { field, h, put, s } from "./dom.js";
import { timeOfDay } from "./format.js";
import { alt, picture, takesPart, who } from "./picture.js";

/** @typedef {import("./watch.js").Watch} Watch */
/** @typedef {{x_ppm: number, y_ppm: number}} Point */
/** @typedef {{kind: string, points: Point[], text?: string}} Mark */

const WHOLE = 1_000_000, STEP = 20_000, FINE = 2_000; // ppm
/** Nearer together than this two points are a slip of the finger. */
const SLIP = 8_000;
const TOOLS = /** @type {const} */ ([["arrow", "Arrow"], ["ring", "Ring"], ["line", "Line"], ["text", "Text"]]);
const KINDS = /** @type {Record<string, string>} */ (Object.fromEntries(TOOLS));

/** @param {string} role */
const tone = (role) => (role === "specialist" ? "desk" : "bay");

/** What was drawn and not sent yet, by photo. @type {Map<string, Mark[]>} */
const unsent = new Map();
/** The text that is being typed, by photo. @type {Map<string, string>} */
const worded = new Map();

/** The lines of a mark, in the photo's pixels. @param {Mark} m @param {any} p */
function outline(m, p) {
  const at = m.points.map((q) => [(q.x_ppm * p.width_px) / WHOLE, (q.y_ppm * p.height_px) / WHOLE]);
  const [a, b] = at, size = Math.max(p.width_px, p.height_px);
  if (m.kind === "text") return s("circle", { cx: a[0], cy: a[1], r: size / 160 });
  if (m.kind === "ring") return s("circle", { cx: a[0], cy: a[1], r: Math.max(size / 200, Math.hypot(b[0] - a[0], b[1] - a[1])) });
  let d = "M" + at.map((q) => q.map((v) => v.toFixed(1)).join(" ")).join("L");
  if (m.kind === "arrow") {
    const turn = Math.atan2(b[1] - a[1], b[0] - a[0]), barb = Math.min(size / 18, Math.hypot(b[0] - a[0], b[1] - a[1]) / 2);
    for (const side of [-1, 1]) d += `M${b[0].toFixed(1)} ${b[1].toFixed(1)}l${(-barb * Math.cos(turn + side * 0.45)).toFixed(1)} ${(-barb * Math.sin(turn + side * 0.45)).toFixed(1)}`;
  }
  return s("path", { d });
}

/** A mark stands out from any picture: dark below, its colour above. @param {Mark} m @param {any} p @param {string} look */
const drawn = (m, p, look) => ["halo", "ink"].map((layer) => s("g", { class: `${layer} ${look}` }, outline(m, p)));

/** The number of a mark, and its text, where it begins, or on the ring: what is ringed stays free. @param {Mark} m @param {string} look @param {string} text */
function tag(m, look, text) {
  const at = m.points[m.kind === "ring" ? 1 : 0], across = at.x_ppm / 10_000, down = at.y_ppm / 10_000;
  const el = h("span", { class: `tag ${look}${across > 50 ? " leftward" : ""}${down > 80 ? " upward" : ""}` }, text);
  el.style.setProperty(across > 50 ? "right" : "left", (across > 50 ? 100 - across : across) + "%");
  el.style.setProperty(down > 80 ? "bottom" : "top", (down > 80 ? 100 - down : down) + "%");
  return el;
}

/**
 * A photo with all that was drawn on it, to be looked at only.
 * @param {string} src @param {{width_px: number, height_px: number}} p @param {(Mark & {role: string})[]} marks @param {string} text what it shows
 */
export function still(src, p, marks, text) {
  const stage = h("div", { class: "stage still", role: "img", "aria-label": text }, h("img", { src, width: p.width_px, height: p.height_px, alt: "", decoding: "async" }),
    s("svg", { viewBox: `0 0 ${p.width_px} ${p.height_px}`, "aria-hidden": "true" }, marks.flatMap((m) => drawn(m, p, tone(m.role)))), h("div", { class: "tags" }, marks.map((m, i) => tag(m, tone(m.role), [i + 1, m.text].filter(Boolean).join(" ")))));
  stage.style.setProperty("--ratio", String(p.width_px / p.height_px));
  return stage;
}

const percent = (/** @type {number} */ ppm) => Math.round(ppm / 10_000) + "\u00a0%";

/**
 * @param {Watch} w @param {any} first the photo as it is now
 * @param {{give: (...commands: [string, object][]) => Promise<boolean>, back: () => void}} then
 */
export function board(w, first, then) {
  const id = first.photo, draws = takesPart(w), pending = unsent.get(id) ?? [];
  unsent.set(id, pending);
  let tool = "arrow";
  /** @type {Point | null} */
  let from = null;
  /** @type {Point | null} */
  let to = null;
  /** @type {Point | null} */
  let pen = null;
  const overlay = s("svg", { viewBox: `0 0 ${first.width_px} ${first.height_px}`, "aria-hidden": "true" }), tags = h("div", { class: "tags", "aria-hidden": "true" });
  const title = h("h2", { id: "photo-title" }), facts = h("p", { class: "quiet" }), marks = h("ol", { class: "marks" });
  const hint = h("p", { class: "quiet", id: "pen", role: "status" });
  const text = /** @type {HTMLInputElement} */ (h("input", { type: "text", maxlength: 200, autocomplete: "off", value: worded.get(id), oninput: () => worded.set(id, text.value) }));
  const words = field("mark-text", "Text, then press where it stands", text);
  const stage = h("div", { class: "stage", id: "stage", ...(draws ? { tabindex: "0", role: "application", "aria-describedby": "pen-help" } : { role: "img" }), "aria-labelledby": "photo-title" }, picture(w, first, "large", ""), overlay, tags);
  stage.style.setProperty("--ratio", String(first.width_px / first.height_px));
  const tools = h("div", { class: "segments", role: "group", "aria-label": "Draw" }, TOOLS.map(([kind, name]) => h("button", { type: "button", class: "segment", id: "tool-" + kind, "aria-pressed": String(kind === tool), onclick: (/** @type {Event} */ e) => {
    tool = kind;
    from = to = null;
    for (const b of tools.children) b.setAttribute("aria-pressed", String(b === e.currentTarget));
    update();
    if (kind === "text") text.focus();
  } }, name)));
  const undo = h("button", { type: "button", id: "undo-mark", class: "second", onclick: () => { pending.pop(); update(); } }, "Undo");
  const sendKey = h("button", { type: "button", id: "send-marks", class: "primary", onclick: send }, "Send the marks");

  /** A command has one text at most, so each further one is a command of its own. */
  async function send() {
    const texts = pending.filter((m) => m.kind === "text"), rest = pending.filter((m) => m.kind !== "text");
    for (const marks of [[...rest, ...texts.slice(0, 1)], ...texts.slice(1).map((m) => [m])]) {
      /** @type {HTMLButtonElement} */ (sendKey).disabled = true;
      const said = marks.find((m) => m.text)?.text;
      if (!(await then.give(["mark-photo", { photo: id, marks: marks.map(({ kind, points }) => ({ kind, points })), ...(said && { text: said }) }]))) break;
      for (const m of marks) pending.splice(pending.indexOf(m), 1);
    }
    update();
  }

  /** @param {Point} a @param {Point} b */
  function add(a, b) {
    from = to = null;
    if (pending.length >= 50) return put(hint, "Send these first: fifty at a time.");
    if (tool === "text") {
      const said = text.value.trim();
      if (!said) { put(hint, "Type the text first."); text.focus(); return update(); }
      pending.push({ kind: "text", points: [b], text: said });
      text.value = "";
      worded.delete(id);
    } else if (Math.hypot(a.x_ppm - b.x_ppm, a.y_ppm - b.y_ppm) < SLIP) put(hint, "Draw from one point to another.");
    else pending.push({ kind: tool, points: [a, b] });
    update();
  }

  /** @param {PointerEvent} e @returns {Point} */
  const under = (e) => {
    const r = stage.getBoundingClientRect(), part = (/** @type {number} */ v) => Math.round(Math.min(1, Math.max(0, v)) * WHOLE);
    return { x_ppm: part((e.clientX - r.left) / r.width), y_ppm: part((e.clientY - r.top) / r.height) };
  };
  stage.addEventListener("pointerdown", (e) => {
    if (e.button !== 0 || !draws) return;
    stage.setPointerCapture(e.pointerId);
    put(hint);
    pen = null;
    from = to = under(e);
  });
  stage.addEventListener("pointermove", (e) => { if (from && stage.hasPointerCapture(e.pointerId)) { to = under(e); draw(); } });
  stage.addEventListener("pointerup", (e) => { if (from && stage.hasPointerCapture(e.pointerId)) add(from, under(e)); });
  stage.addEventListener("pointercancel", () => { from = to = null; update(); });
  stage.addEventListener("keydown", (e) => {
    const way = /** @type {Record<string, [number, number]>} */ ({ ArrowLeft: [-1, 0], ArrowRight: [1, 0], ArrowUp: [0, -1], ArrowDown: [0, 1] })[e.key];
    if (!draws || (!way && e.key !== "Enter" && e.key !== " " && !(e.key === "Escape" && from))) return;
    e.preventDefault();
    e.stopPropagation(); // the desk has keys of its own
    if (e.key === "Escape") from = to = null;
    pen ??= { x_ppm: WHOLE / 2, y_ppm: WHOLE / 2 };
    if (way) {
      const by = e.shiftKey ? FINE : STEP, keep = (/** @type {number} */ v) => Math.min(WHOLE, Math.max(0, v));
      pen = { x_ppm: keep(pen.x_ppm + by * way[0]), y_ppm: keep(pen.y_ppm + by * way[1]) };
      if (from) to = pen;
    } else if (e.key !== "Escape") {
      if (from || tool === "text") add(from ?? pen, pen);
      else from = to = pen;
    }
    update();
    put(hint, `Pen at ${percent(pen.x_ppm)} from the left, ${percent(pen.y_ppm)} from the top${from ? ": Enter sets the end" : ""}`);
  });

  function update() {
    const p = w.state.photos.find((/** @type {any} */ one) => one.photo === id) ?? first;
    put(title, alt(w, p));
    put(facts, `${who(p.role)}, ${timeOfDay(Date.parse(p.at))}`);
    put(marks, p.marks.map((/** @type {any} */ m) => h("li", null, h("b", null, m.text ? `“${w.sealed(m.text)}”` : KINDS[m.kind]), ` ${m.kind === "arrow" ? `to ${percent(m.points[1].x_ppm)}, ${percent(m.points[1].y_ppm)}` : `at ${percent(m.points[0].x_ppm)}, ${percent(m.points[0].y_ppm)}`}`, h("span", { class: "quiet" }, ` ${who(m.role)}, ${timeOfDay(Date.parse(m.at))}`))));
    words.hidden = tool !== "text";
    draw();
  }

  /** What changes while a hand moves. */
  function draw() {
    const p = w.state.photos.find((/** @type {any} */ one) => one.photo === id) ?? first;
    const trial = from && to && tool !== "text" && from !== to ? { kind: tool, points: [from, to] } : null;
    put(overlay, p.marks.map((/** @type {any} */ m) => drawn(m, p, tone(m.role))), pending.map((m) => drawn(m, p, "unsent")), trial && drawn(trial, p, "unsent"),
      pen && ["halo", "ink"].map((layer) => s("path", { class: layer + " cross", d: `M${(/** @type {Point} */ (pen).x_ppm * p.width_px) / WHOLE} 0V${p.height_px}M0 ${(/** @type {Point} */ (pen).y_ppm * p.height_px) / WHOLE}H${p.width_px}` })));
    put(tags, p.marks.map((/** @type {any} */ m) => tag(m, tone(m.role), m.text ? `${m.number} ${w.sealed(m.text)}` : String(m.number))), pending.map((m) => m.text && tag(m, "unsent", m.text)));
    /** @type {HTMLButtonElement} */ (undo).disabled = /** @type {HTMLButtonElement} */ (sendKey).disabled = !pending.length;
  }

  // What is pressed stands above what is read: the list of marks grows.
  const box = h("div", { class: "board-two" }, h("div", { class: "board-stage" }, stage), h("div", { class: "board-side" },
    h("button", { type: "button", id: "all-photos", class: "second", onclick: then.back }, "All photos"), draws && [tools, words, h("div", { class: "board-keys" }, sendKey, undo), hint], title, facts, marks,
    draws && h("p", { class: "quiet", id: "pen-help" }, "Press and pull on the photo. By keys: arrows move the pen, with Shift finely, Enter sets a point, Escape takes it back. What is sent stays.")));
  return { box, update };
}
