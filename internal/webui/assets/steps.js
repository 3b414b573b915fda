// @ts-check
// An instruction at the bay: asked large above the seam in the server's words, read back below it by choosing among
// plausible answers, done only once the desk has confirmed.

import { places, targets } from "./choices.js";
import { h } from "./dom.js";
import { lengthText } from "./format.js";
import { typing } from "./rounds.js";
import { seam } from "./seam.js";
import { CAUTIONS, marked, side } from "./words.js";

/** @typedef {{key: unknown, body: () => any, primary?: () => any, spoken: string}} Scene */

/** A figure, or an id that is longer than one and gives way in its size. @param {string} text @param {string} tone */
function figure(text, tone) {
  const b = h("b", { class: "figure " + tone }, text);
  b.style.setProperty("--letters", String(text.length));
  return b;
}

/** The instruction itself, as large as the screen allows. @param {any} said the server's words @param {string} tone */
function asked(said, tone) {
  const about = [said.position && `Position ${said.position}`, said.limit, said.aid].filter(Boolean).join("  ");
  return h("div", { class: "asked" },
    h("h1", { class: "instruction", id: "instruction" }, marked(said.verb, tone), " ", h("span", { class: "figure-line" }, figure(said.figure, tone), said.unit && h("span", { class: "rest" }, "\u00a0" + said.unit)), " ",
      (said.side || said.datum) && h("span", { class: "to" }, said.side && marked(said.side, tone), " ", said.datum)),
    about && h("p", { class: "quiet then" }, about));
}

/**
 * @param {import("./watch.js").Watch} w
 * @param {any} step
 * @param {(type: string, data?: object) => Promise<any>} act
 * @returns {Scene}
 */
export function stepScene(w, step, act) {
  const said = w.words.step, spoken = said.spoken;
  const key = ["step", step.number, step.state, step.misread, said.figure, said.unit, touches(w, step)];
  if (step.state === "instructed") {
    return { key, spoken, body: () => h("section", { class: "step" }, asked(said, "desk"), seam("open"), answers(w, step, said, act)),
      primary: step.side !== "left" && step.side !== "right" && step.side !== "centre" ? undefined : () => flanks(w.job?.vehicle?.steering) };
  }
  if (step.state === "wrong") {
    return { key, spoken: "Not what the desk said. Do not move. The desk says it again.",
      body: () => h("section", { class: "step" }, asked(said, "desk"), seam("open"),
        h("p", { class: "verdict-word bay", id: "wrong" }, "Not what the desk said. Do not move."), h("p", { class: "then" }, "The desk says it again.")) };
  }
  if (step.state === "matched") {
    return { key, spoken: "Wait for the desk to confirm.",
      body: () => h("section", { class: "step" }, asked(said, "desk"), seam("met"), h("p", { class: "verdict-word met" }, "That is what the desk said."), h("p", { class: "then" }, "Wait: the desk confirms. Do not move yet.")) };
  }
  const done = (/** @type {string} */ id, /** @type {string} */ look, /** @type {string} */ text, more = {}) => h("button", { type: "button", id, class: look, onclick: () => act("done", { step: step.number, ...more }) }, text);
  return { key, spoken: "Confirmed. Do it now. " + spoken,
    body: () => h("section", { class: "step" }, asked(said, "met"), seam("met"),
      h("p", { class: "verdict-word met" }, "Confirmed: do it now."),
      touches(w, step) && h("p", { class: "then", id: "touched" }, "Was the board touched for it? Then what was measured before no longer stands."),
      step.from_here && h("p", { class: "then" }, `That is ${lengthText(step.from_here.um)} to vehicle `, side(step.from_here.to), " from where it stands"), step.step !== "fit-target" && h("p", { class: "caution" }, CAUTIONS.move),
      touches(w, step) && h("div", { class: "answers", role: "group", "aria-labelledby": "touched" }, done("done-moved", "answer in-words", "Fitted now: measure again", { moved: true }), done("done", "answer in-words", "It was on: not touched"))),
    primary: touches(w, step) ? undefined : () => done("done", "primary bay", "Done") };
}

/** Whether it has to be asked what a fit did to readings: those that stand, or are being typed, hold only for a board that was not touched. @param {import("./watch.js").Watch} w @param {any} step */
const touches = (w, step) => step.step === "fit-target" && (w.state.place.stands.length > 0 || typing(w.ref.id));

/** An id of so many letters stands on a key in one line, and is compared as it is on the board. */
const WHOLE = 10;

/** @param {import("./watch.js").Watch} w @param {any} step @param {any} said @param {(type: string, data?: object) => Promise<any>} act */
function answers(w, step, said, act) {
  const back = (/** @type {object} */ more) => () => act("read-back", { step: step.number, ...(step.position && { position: step.position }), ...more });
  if (step.step === "fit-target") {
    return h("div", { class: "answers", role: "group", "aria-label": "Read back: which id stands on the target?" },
      targets(step.target).map((id) => h("button", { type: "button", class: "answer" + (id.length > WHOLE ? "" : " in-words whole"), id: "answer-" + id, onclick: back({ target: id }) }, h("span", null, id))));
  }
  const others = w.state.sheet.plan?.map((/** @type {any} */ p) => p.lateral_um) ?? [];
  const sided = step.side !== undefined, flat = !sided || ["left", "right", "centre"].includes(step.side);
  const name = (/** @type {import("./choices.js").Answer} */ a) => (a.side === "centre" ? "centre" : `${a.value} ${said.unit} ${a.side ? (flat ? "to vehicle " : "") + a.side : ""}`);
  return h("div", null,
    h("div", { class: "answers " + (sided ? "sided" : ""), role: "group", "aria-label": "Read back" },
      places({ value: said.figure, side: step.side }, others).map((a) => h("button", { type: "button", class: "answer", id: `answer-${a.side ?? "value"}-${a.value.replace(".", "-")}`,
        "aria-label": name(a), onclick: back({ value: a.value, unit: said.unit, ...(a.side && { side: a.side }) }) },
        h("span", null, a.value), !flat && h("span", null, a.side)))),
    h("p", { class: "then press" }, sided && flat ? "Press where it goes, as seen seated and facing forward" : "Press what you heard"));
}

/** The front of the car below the answers: forward is up, and the wheel is where it is in this car. @param {string} steering */
function flanks(steering) {
  return h("div", { class: "flanks", "aria-hidden": "true" }, side("left"), h("span", { class: "car-front " + (steering === "right" ? "rhd" : "lhd") }), side("right"));
}
