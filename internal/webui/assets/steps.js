// @ts-check
// An instruction at the bay: asked large above the seam, read back below it by choosing among plausible answers, done only
// once the desk has confirmed.

import { places, targets } from "./choices.js";
import { h } from "./dom.js";
import { mmShort, mmText, NBSP } from "./format.js";
import { seam } from "./seam.js";
import { CAUTIONS, fromHere, instruction, side } from "./words.js";

/** @typedef {{key: unknown, body: () => any, primary?: () => any, spoken: string}} Scene */

/** The instruction itself, as large as the screen allows. @param {any} step @param {string} tone */
function asked(step, tone) {
  const i = instruction(step, tone);
  const [figure, unit] = i.figure.split(NBSP);
  return h("div", { class: "asked" }, h("h1", { class: "instruction", id: "instruction" }, i.verb),
    h("p", { class: "figure-line" }, h("b", { class: "figure " + tone }, figure), " ", h("span", { class: "rest" }, [unit, i.from].filter(Boolean).join(" "))),
    step.position && h("p", { class: "quiet then" }, `Position ${step.position}`, step.tolerance_um ? `, limit ${mmText(step.tolerance_um)} to either side` : ""));
}

/**
 * @param {import("./watch.js").Watch} w
 * @param {any} step
 * @param {(type: string, data?: object) => Promise<any>} act
 * @returns {Scene}
 */
export function stepScene(w, step, act) {
  const spoken = instruction(step).spoken;
  const key = ["step", step.number, step.state, step.misread];
  if (step.state === "instructed") {
    return { key, spoken, body: () => h("section", { class: "step" }, asked(step, "desk"), seam("open"), answers(w, step, act)),
      primary: step.side !== "left" && step.side !== "right" && step.side !== "centre" ? undefined : () => flanks(w.job?.vehicle?.steering) };
  }
  if (step.state === "wrong") {
    return { key, spoken: "Not what the desk said. Do not move. " + spoken,
      body: () => h("section", { class: "step" }, asked(step, "desk"), seam("open"),
        h("p", { class: "verdict-word bay", id: "wrong" }, "Not what the desk said. Do not move."), h("p", { class: "then" }, "The desk says it again.")) };
  }
  if (step.state === "matched") {
    return { key, spoken: "Wait for the desk to confirm.",
      body: () => h("section", { class: "step" }, asked(step, "desk"), seam("met"), h("p", { class: "verdict-word met" }, "That is what the desk said."), h("p", { class: "then" }, "Wait: the desk confirms. Do not move yet.")) };
  }
  const here = fromHere(step);
  return { key, spoken: "Confirmed. " + spoken,
    body: () => h("section", { class: "step" }, asked(step, "met"), seam("met"),
      h("p", { class: "verdict-word met" }, "Confirmed: do it now."), here && h("p", { class: "then" }, here), h("p", { class: "caution" }, step.step === "fit-target" ? "" : CAUTIONS.move)),
    primary: () => h("button", { type: "button", id: "done", class: "primary bay", onclick: () => act("done", { step: step.number }) }, "Done") };
}

/** @param {import("./watch.js").Watch} w @param {any} step @param {(type: string, data?: object) => Promise<any>} act */
function answers(w, step, act) {
  const back = (/** @type {object} */ more) => () => act("read-back", { step: step.number, ...(step.position && { position: step.position }), ...more });
  if (step.step === "fit-target") {
    return h("div", { class: "answers", role: "group", "aria-label": "Read back: which id stands on the target?" },
      targets(step.target).map((id) => h("button", { type: "button", class: "answer", id: "answer-" + id, onclick: back({ target: id }) }, h("span", null, id))));
  }
  const others = w.state.sheet.plan?.map((/** @type {any} */ p) => p.lateral_um) ?? [];
  const list = places(step, others);
  const sided = step.side !== undefined;
  const flat = step.side === undefined || ["left", "right", "centre"].includes(step.side);
  return h("div", null,
    h("div", { class: "answers " + (sided ? "sided" : ""), role: "group", "aria-label": "Read back" },
      list.map((a) => h("button", { type: "button", class: "answer", id: `answer-${a.side ?? "value"}-${a.value_um}`,
        "aria-label": a.side ? (a.side === "centre" ? "centre" : `${mmText(a.value_um)} ${flat ? "to vehicle " : ""}${a.side}`) : mmText(a.value_um), onclick: back({ value_um: a.value_um, ...(a.side && { side: a.side }) }) },
        h("span", null, mmShort(a.value_um)), !flat && h("span", null, a.side)))),
    h("p", { class: "then press" }, sided && flat ? "Press where it goes, as seen seated and facing forward" : "Press what you heard"));
}

/** The front of the car below the answers: forward is up, and the wheel is where it is in this car. @param {string} steering */
function flanks(steering) {
  return h("div", { class: "flanks", "aria-hidden": "true" }, side("left"), h("span", { class: "car-front " + (steering === "right" ? "rhd" : "lhd") }), side("right"));
}
