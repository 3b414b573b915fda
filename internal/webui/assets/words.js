// @ts-check
// What things are called on the screens. Texts stand here so that another language is another file.

import { h } from "./dom.js";
import { clock, deg, lengthText, NBSP } from "./format.js";

/** Left and right: the full word in capitals, one line under left and two under right. @param {string} side @param {string} [tone] */
export function side(side, tone = "") {
  if (side !== "left" && side !== "right") return h("b", { class: "side " + tone }, side.toUpperCase());
  return h("b", { class: `side ${side} ${tone}` }, side.toUpperCase());
}

/** Kinds of sensors, as in the published schema. */
export const sensors = "front-camera rear-camera surround-cameras night-camera front-radar corner-radar rear-radar lidar parking-sensors steering-angle".split(" ");

/** @param {string} name a name with dashes */
export const sentence = (name) => name.charAt(0).toUpperCase() + name.slice(1).replaceAll("-", " ");
/** A sensor is called by its name. */
export const sensor = sentence;

const GATES = {
  "floor-surveyed": "Floor survey is current", "space-clear": "Space around car and target is clear", "tyres-set": "Tyres are set to pressure",
  "load-set": "Load and fuel are as asked", "ride-height-checked": "Ride height is checked", "steering-straight": "Steering stands straight",
  "brakes-and-chocks": "Brakes on, wheels chocked", "battery-supported": "Battery is supported", "doors-shut": "Doors are shut",
  "area-marked": "Area is marked off", "temperature-noted": "Temperature is noted", "light-even": "Light is even",
  "background-plain": "Background is plain", "metal-cleared": "Metal is cleared away", "cover-sound": "Cover is sound",
  "glass-clean": "Glass is clean", "lens-clean": "Lens is clean",
};
/** @param {string} name */
export const gate = (name) => /** @type {Record<string, string>} */ (GATES)[name] ?? sentence(name);

export const GRADES = { required: "must be met", caution: "met, or let pass by the desk", recorded: "to be answered" };

/** Verdicts in words. @param {any} v */
export function verdict(v) {
  switch (v?.verdict) {
    case "within": return "Within limits";
    case "adjust": return "Move";
    case "unsure": return "Too close to call";
    case "remeasure": return "Measure again";
    case "undetermined": return "More readings needed" + (v.missing?.length ? ": " + v.missing.map(quantity).join(", ") : "");
  }
  return "No verdict yet";
}

/** @param {string} q a judged quantity */
export const quantity = (q) => ({ yaw: "turn", azimuth: "direction" })[q] ?? q;

/** The state of a verdict for colour and shape. @param {any} v */
export const tone = (v) => (v?.verdict === "within" ? "met" : "bay");

/** A point of the car or the board as parts of a sentence. @param {string} p @param {string} from the sheet's datum */
function point(p, tone, from) {
  const m = /^(front|rear)-(left|right)-hub$/.exec(p);
  if (m) return [m[1] + " ", side(m[2], tone), " hub"];
  const e = /^(left|right)-end$/.exec(p);
  if (e) return [side(e[1], tone), " end"];
  return [p === "datum" && from ? datum(from) : p];
}

/**
 * What is to be read, as parts of a sentence.
 * @param {{quantity: string, from?: string, to?: string}} r
 * @param {string} [tone] @param {string} [from] the datum of the sheet, by its name
 * @returns {any[]}
 */
export function reading(r, tone = "", from = "") {
  const parts = (() => {
    switch (r.quantity) {
      case "datum-distance": return [...point("datum", tone, from), " to board face"];
      case "span": return [...point(r.from ?? "", tone, from), " to ", ...point(r.to ?? "", tone, from)];
      case "plan-span": return ["level: ", ...point(r.from ?? "", tone, from), " to ", ...point(r.to ?? "", tone, from)];
      case "end-height": return ["height of ", ...point(r.to ?? "", tone, from)];
      case "height": return ["height of the target"];
      case "centre-offset": return ["target off the line"];
      case "level": return ["level of the board"];
      case "tilt": return ["tilt of the board"];
      case "yaw": return ["turn of the board"];
      case "slide": return ["slide along the board"];
    }
    return [r.quantity];
  })();
  if (typeof parts[0] === "string") parts[0] = parts[0].charAt(0).toUpperCase() + parts[0].slice(1);
  return parts;
}

/** Which way counts up, for readings that can be negative. @param {{quantity: string}} r */
export const counts = (r) => ({
  "centre-offset": "to vehicle left counts up, to the right with a minus", level: "left end higher counts up", tilt: "top away counts up",
  yaw: "left end towards the car counts up", slide: "to vehicle left counts up",
})[r.quantity] ?? "";

/** @param {{quantity: string}} r */
export const isAngle = (r) => ["level", "tilt", "yaw"].includes(r.quantity);

/** A measured value with its unit. @param {{value_um?: number, value_udeg?: number}} r */
export const value = (r) => (r.value_udeg !== undefined ? deg(r.value_udeg) + "°" : lengthText(r.value_um ?? 0));

/** The text of nodes and strings, for speaking and comparing. @param {any[]} parts @returns {string} */
export const plain = (parts) => parts.map((p) => (p instanceof Node ? (p.textContent ?? "").toLowerCase() : String(p))).join("");

const SIDES = /** @type {Record<string, string>} */ ({ left: "left", linkes: "left", links: "left", right: "right", rechts: "right", centre: "centre", mitte: "centre" });

/** A text of the server with its sides marked. @param {string} text @param {string} [tone] @returns {any[]} */
export const marked = (text, tone = "") => text.split(/\b(left|right|centre|links|linkes|rechts|mitte)\b/i).map((part) => {
  const at = SIDES[part.toLowerCase()];
  return at ? h("b", { class: `side ${at} ${tone}` }, part.toUpperCase()) : part;
});

/** A figure with its unit as one text. @param {{figure?: string, unit?: string}} words */
export const figure = (words) => (words.figure ?? "") + (words.unit && words.unit !== "°" ? NBSP : "") + (words.unit ?? "");

/** A step or a move in one line, in the server's words. @param {any} words @param {string} [tone] @returns {any[]} */
export const line = (words, tone = "") => [marked(words.verb, tone), " ", h("b", null, figure(words)), words.side && [" ", marked(words.side, tone)]];

const LINES = { "thrust-line": "thrust line", centreline: "centreline" };
const DATUMS = { "front-bumper": "front bumper", "front-axle": "front axle", "rear-axle": "rear axle", "rear-bumper": "rear bumper", sensor: "the sensor", "wheel-plane": "plane of the wheels" };
/** @param {string} d */
export const datum = (d) => ({ ...LINES, ...DATUMS })[d] ?? d;

/** What is expected of whom: short, for status lines. @param {any} turn */
export function task(turn) {
  switch (turn.do) {
    case "record-gate": return "answer: " + gate(turn.gate);
    case "settle-vin": return "settle which VIN is right";
    case "waive": return "let pass: " + gate(turn.gate);
    case "hand-over-notice": return "hand the notice over";
    case "request": return "ask for a specialist";
    case "claim": return "claim it";
    case "issue-sheet": return "issue a set-up sheet";
    case "adopt-sheet": return "adopt the set-up sheet";
    case "instruct": return turn.kind === "fit-target" ? "have the target fitted" : turn.kind === "move" ? "have it moved" : "send to position " + turn.position;
    case "read-back": return "read back";
    case "correct": return "say again";
    case "confirm": return "confirm";
    case "done": return "do it, then say done";
    case "report-readings": return turn.verdict ? verdict({ verdict: turn.verdict }).toLowerCase() : "take readings";
    case "lock": return "clamps tight";
    case "freeze": return "freeze";
    case "report-closing": return "closing readings";
    case "bay-clear": return "say bay clear";
    case "go": return "say go";
    case "end-leg": return "end the leg";
    case "record-drive": return "drive, then record it";
    case "restart": return "agree to restart";
    case "declare": return turn.outcome ? "declare it withdrawn, as the job is" : "declare the result";
    case "sign": return "sign";
    case "close": return "close";
  }
  return "";
}

const SINCE = /** @type {Record<string, string>} */ ({ "read-back": "asked", correct: "read back", confirm: "read back", done: "confirmed" });

/** How long somebody is waited for, and whether that is long. @param {any} turn @param {number} now ms @param {number} since ms, if the turn does not say @returns {{text: string, late: boolean}} */
export function waited(turn, now, since) {
  const ago = clock(now - (turn.since ? Date.parse(turn.since) : since)), late = Boolean(turn.late_at) && now > Date.parse(turn.late_at);
  return { text: SINCE[turn.do] && turn.since ? `${SINCE[turn.do]} ${ago} ago${late ? ", late" : ""}` : ago, late };
}

export const PHASES = {
  unopened: "Not open", preparing: "Preparing", waiting: "Waiting for a specialist", guided: "Guided", running: "Leg running",
  stopped: "Stopped", declared: "Result declared", closed: "Closed",
};

export const CAUSES = {
  "fixture-touched": "Stand or board touched", "car-moved": "Car moved", "door-opened": "Door opened", "person-in-or-out": "Person got in or out",
  "load-changed": "Load changed", "mark-lost": "Mark lost", "target-swapped": "Target swapped", "pressure-changed": "Tyre pressure changed",
  "ride-height-changed": "Ride height changed", "battery-support-lost": "Battery support lost", "other-person": "Another person took over", "light-changed": "Light changed",
  "too-long-ago": "Too long ago", "instrument-dropped": "Instrument dropped", "unit-replaced": "Unit replaced", "alignment-changed": "Alignment changed",
};

/** Cautions where the work is. The vehicle maker's information and licensed practice come first. */
export const CAUTIONS = {
  readings: "Do not look into the laser. Mind strings, cables and stands.",
  move: "Large boards and stands: two persons.",
  clear: "Keys with you. The car, or its systems, may move.",
  running: "Nobody in the area until the desk ends the leg.",
  gates: "Electric drive, raised car, restraints: by the maker's information and by those licensed for it.",
};

/** "Position 2 of 3, run 1" @param {any} state */
export function where(state) {
  const at = state.positions.findIndex((/** @type {any} */ p) => p.here);
  if (at < 0) return sensor(state.sensor);
  const open = state.attempts.length && !state.attempts[state.attempts.length - 1].over;
  const name = state.positions[at].name, nth = String(at + 1);
  return `Position ${name === nth ? "" : name + ", "}${nth} of ${state.positions.length}, run ${state.attempts.length + (open ? 0 : 1)}`;
}
