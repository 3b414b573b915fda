// @ts-check
// A photo as it is shown, small or large, and what is said of it.

import { h } from "./dom.js";
import { timeOfDay } from "./format.js";
import { gate as gateName, sentence } from "./words.js";

/** @typedef {import("./watch.js").Watch} Watch */
/** @typedef {{gate?: string, step?: number, reading?: number}} Of what a photo shows */

// The looks of it come with it, before anything is drawn.
await new Promise((done) => {
  const sheet = document.createElement("link");
  sheet.rel = "stylesheet";
  sheet.href = new URL("./photos.css", import.meta.url).href;
  sheet.onload = sheet.onerror = done;
  document.head.append(sheet);
});

/** Whether who looks takes part: at the bay, or as the specialist who has claimed it. @param {Watch} w */
export const takesPart = (w) => w.relation === "own" || w.mine;

/** @param {string} role */
export const who = (role) => ({ technician: "Bay", specialist: "Desk" })[role] ?? "Shop";

/** Pictures stay as they are when what is around them is drawn anew: none is fetched twice. @type {Map<string, HTMLElement>} */
const pictures = new Map();

/** @param {Watch} w @param {any} p a photo as the server names it @param {string} use where it is shown @param {string} alt */
export function picture(w, p, use, alt) {
  const key = use + p.photo;
  let img = pictures.get(key);
  if (!img) pictures.set(key, (img = h("img", { src: `/v1/calibrations/${w.ref.id}/photos/${p.photo}`, width: p.width_px, height: p.height_px, decoding: "async", onerror: () => pictures.delete(key) }))); // one that did not come is fetched again
  img.setAttribute("alt", alt);
  return img;
}

/** @param {Watch} w @param {Of} of */
export function about(w, of) {
  if (of.gate) return "Gate: " + gateName(of.gate);
  if (of.step) return stepName(w.state.steps.find((/** @type {any} */ one) => one.number === of.step));
  const e = w.entries.find((one) => one.seq === of.reading);
  return "Readings" + (e ? " of " + timeOfDay(e.at) : "");
}

/** What a procedure asks of the gate, to stand beneath its name. @param {Watch} w @param {Of} of @returns {string | undefined} */
export const asks = (w, of) => w.state.gates.find((/** @type {any} */ one) => one.gate === of.gate)?.asks;

/** @param {any} step */
const stepName = (step) => (step ? `Step ${step.number}: ${sentence(step.step)}${step.position ? " " + step.position : step.target ? " " + step.target : ""}` : "Step");

/** @param {Watch} w @param {any} p */
export const alt = (w, p) => [`Photo ${p.number}`, about(w, p.of), w.sealed(p.caption)].filter(Boolean).join(". ").replaceAll("..", ".");

/** Photos of a gate, or all, small; pressing one looks at it. @param {Watch} w @param {any[]} photos @param {(id: string) => void} look @param {string} use */
export function thumbs(w, photos, look, use) {
  return photos.length > 0 && h("span", { class: "thumbs" }, photos.map((p) => h("button", { type: "button", class: "thumb", id: `thumb-${use}-${p.number}`, onclick: () => look(p.photo) }, picture(w, p, use, alt(w, p)),
    p.marks.length > 0 && h("span", { class: "marked", "aria-label": p.marks.length === 1 ? "1 mark" : p.marks.length + " marks" }, String(p.marks.length)))));
}
