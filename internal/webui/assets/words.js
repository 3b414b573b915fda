// @ts-check
// What things are called on the screens. Texts stand here so that another language is another file.

import { h } from "./dom.js";
import { deg, mm, mmText, NBSP } from "./format.js";

/** Left and right: the full word in capitals, one line under left and two under right. @param {string} side @param {string} [tone] */
export function side(side, tone = "") {
  if (side !== "left" && side !== "right") return h("b", { class: "side " + tone }, side.toUpperCase());
  return h("b", { class: `side ${side} ${tone}` }, side.toUpperCase());
}

const SENSORS = {
  "front-camera": "Front camera", "night-camera": "Night camera", "rear-camera": "Rear camera", "front-radar": "Front radar",
  "corner-radar": "Corner radar", "rear-radar": "Rear radar", lidar: "Lidar",
};
/** Sensors that can be calibrated here. */
export const sensors = Object.keys(SENSORS);
/** @param {string} name */
export const sensor = (name) => /** @type {Record<string, string>} */ (SENSORS)[name] ?? sentence(name);

/** @param {string} name a name with dashes */
export const sentence = (name) => name.charAt(0).toUpperCase() + name.slice(1).replaceAll("-", " ");

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

/** A point of the car or the board as parts of a sentence. @param {string} p */
function point(p, tone = "") {
  const m = /^(front|rear)-(left|right)-hub$/.exec(p);
  if (m) return [m[1] + " ", side(m[2], tone), " hub"];
  const e = /^(left|right)-end$/.exec(p);
  if (e) return [side(e[1], tone), " end"];
  return [p];
}

/**
 * What is to be read, as parts of a sentence.
 * @param {{quantity: string, from?: string, to?: string}} r
 * @returns {any[]}
 */
export function reading(r, tone = "") {
  const parts = (() => {
    switch (r.quantity) {
      case "datum-distance": return ["datum to board face"];
      case "span": return [...point(r.from ?? "", tone), " to ", ...point(r.to ?? "", tone)];
      case "plan-span": return ["level: ", ...point(r.from ?? "", tone), " to ", ...point(r.to ?? "", tone)];
      case "end-height": return ["height of ", ...point(r.to ?? "", tone)];
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
export const value = (r) => (r.value_udeg !== undefined ? deg(r.value_udeg) + "°" : mm(r.value_um ?? 0) + NBSP + "mm");

/** The text of nodes and strings, for speaking and comparing. @param {any[]} parts @returns {string} */
export const plain = (parts) => parts.map((p) => (p instanceof Node ? (p.textContent ?? "").toLowerCase() : String(p))).join("");

/**
 * One move of the fixture: the words, and the one figure.
 * @param {any} m
 * @returns {{words: any[], figure: string, unit: string}}
 */
export function move(m, tone = "bay") {
  const by = m.by_um !== undefined ? { figure: mm(m.by_um).replace(/\.0$/, ""), unit: "mm" } : { figure: deg(m.by_udeg ?? 0), unit: "°" };
  if (m.end_um !== undefined) Object.assign(by, { figure: mm(m.end_um).replace(/\.0$/, ""), unit: "mm" });
  const where = (/** @type {string} */ to) => ({ "towards-car": ["towards car"], away: ["away from car"], up: ["up"], down: ["down"] })[to] ?? ["to vehicle ", side(to, tone)];
  switch (m.move) {
    case "turn": return { words: ["Turn ", side("left", tone), " end ", ...where(m.left_end)], ...by };
    case "roll": return { words: [m.left_end === "up" ? "Raise " : "Lower ", side("left", tone), " end"], ...by };
    case "tilt": return { words: ["Tilt top ", ...where(m.top)], ...by };
    case "slide": return { words: ["Slide target ", ...where(m.to)], ...by };
  }
  return { words: ["Shift ", ...where(m.to)], ...by };
}

const LINES = { "thrust-line": "thrust line", centreline: "centreline" };
const DATUMS = { "front-bumper": "front bumper", "front-axle": "front axle", "rear-axle": "rear axle", "rear-bumper": "rear bumper", sensor: "the sensor", "wheel-plane": "plane of the wheels" };
/** @param {string} d */
export const datum = (d) => ({ ...LINES, ...DATUMS })[d] ?? d;

/**
 * An instruction: verb, one quantity with its unit, the side in words, what it counts from.
 * @param {any} step
 * @returns {{verb: any[], figure: string, from: string, spoken: string}}
 */
export function instruction(step, tone = "desk") {
  const v = step.value_um;
  const say = (/** @type {any[]} */ verb, figure = "", from = "") => ({ verb, figure, from, spoken: [plain(verb), figure, from].join(" ").trim() });
  switch (step.step) {
    case "fit-target": return say(["Fit target"], step.target);
    case "set-distance": return say(["Set target distance"], mmText(v), "from " + datum(step.datum));
    case "move": {
      const m = move({ move: step.move, to: step.side, left_end: step.side, by_um: v }, tone);
      return say(m.words, mmText(v), "from where it stands");
    }
    case "set-height": return say(["Set target height"], mmText(v), "above " + datum(step.datum));
  }
  if (step.side === "centre") return say(["Put target at ", side("centre", tone)], mmText(v), "from " + datum(step.datum));
  return say(["Put target to vehicle ", side(step.side, tone)], mmText(v), "from " + datum(step.datum));
}

/** From where the target stands to where it goes. @param {any} step */
export function fromHere(step) {
  if (!step.from_here) return null;
  return ["That is ", mmText(step.from_here.um), " to vehicle ", side(step.from_here.to), " from where it stands"];
}

/** What is expected of whom: short, for status lines. @param {any} turn */
export function task(turn) {
  switch (turn.do) {
    case "record-gate": return "answer: " + gate(turn.gate);
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
    case "restart": return "agree to restart";
    case "declare": return "declare the result";
    case "sign": return "sign";
    case "close": return "close";
  }
  return "";
}

export const PHASES = {
  unopened: "Not open", preparing: "Preparing", waiting: "Waiting for a specialist", guided: "Guided", running: "Leg running",
  stopped: "Stopped", declared: "Result declared", closed: "Closed",
};

export const CAUSES = {
  "car-moved": "Car moved", "door-opened": "Door opened", "person-in-or-out": "Person got in or out", "load-changed": "Load changed",
  "pressure-changed": "Tyre pressure changed", "ride-height-changed": "Ride height changed", "fixture-touched": "Stand or board touched",
  "mark-lost": "Mark lost", "battery-support-lost": "Battery support lost", "other-person": "Another person took over", "light-changed": "Light changed",
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
