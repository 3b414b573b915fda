// @ts-check
// Numbers to text and back, by whole numbers only: a length is micrometres, an angle is microdegrees, and no fraction is
// ever computed with. A minus is U+2212, and a no-break space stands before a unit.

export const NBSP = "\u00a0";
export const MINUS = "\u2212";

/**
 * Writes n/10^digits with the given decimals, rounded half away from zero.
 * @param {number} n whole
 * @param {number} digits what a unit is made of: 3 for micrometres in a millimetre
 * @param {number} decimals
 */
export function decimal(n, digits, decimals) {
  if (!Number.isSafeInteger(n)) return "?";
  const step = 10 ** (digits - decimals);
  const size = Math.abs(n);
  let q = Math.floor(size / step);
  if ((size % step) * 2 >= step) q += 1;
  const text = String(q).padStart(decimals + 1, "0");
  const body = decimals ? text.slice(0, -decimals) + "." + text.slice(-decimals) : text;
  return (n < 0 && q !== 0 ? MINUS : "") + body;
}

/** Millimetres to a tenth. @param {number} um */
export const mm = (um) => decimal(um, 3, 1);

/** Inches to a thousandth: an inch is 25.4 mm exactly, so 127 µm are five thousandths. @param {number} um */
export const inch = (um) => decimal(Math.sign(um) * nearest(Math.abs(um) * 5, 127), 3, 3);

/** n/by to the nearest whole number, halves away from zero; n is not negative. @param {number} n @param {number} by */
const nearest = (n, by) => Math.floor(n / by) + ((n % by) * 2 >= by ? 1 : 0);

const UNIT = "readback.unit";
/** What lengths are shown in on this device: "mm" or "in". */
export const unit = () => (localStorage.getItem(UNIT) === "in" ? "in" : "mm");
export const otherUnit = () => localStorage.setItem(UNIT, unit() === "in" ? "mm" : "in");

/** A length in the unit of this device, without the unit. @param {number} um */
export const length = (um) => (unit() === "in" ? inch(um) : mm(um));
/** The same with its unit. @param {number} um */
export const lengthText = (um) => length(um) + NBSP + unit();
/** The same for round figures: no tenth of a millimetre that is zero. @param {number} um */
export const lengthShort = (um) => lengthText(um).replace(/\.0(?=\u00a0)/, "");

/** Degrees to a hundredth. @param {number} udeg */
export const deg = (udeg) => decimal(udeg, 6, 2);

/** @param {number} udeg */
export const degText = (udeg) => deg(udeg) + "°";

/**
 * Reads what somebody typed; null if it is not a number of at most the digits there are.
 * @param {string} text
 * @param {number} digits 3 for millimetres, 6 for degrees
 */
export function parse(text, digits) {
  const m = /^\s*([-\u2212+]?)(\d{1,6})(?:[.,](\d*))?\s*$/.exec(text);
  if (!m || (m[3] ?? "").length > digits) return null;
  const n = Number(m[2]) * 10 ** digits + Number((m[3] ?? "").padEnd(digits, "0") || "0");
  return m[1] === "-" || m[1] === MINUS ? 0 - n : n;
}

/** @param {string} text */
export const parseMM = (text) => parse(text, 3);
/** What was typed in the unit of this device, in micrometres. @param {string} text */
export function parseLength(text) {
  const n = parse(text, 3);
  return n === null || unit() === "mm" ? n : Math.sign(n) * nearest(Math.abs(n) * 127, 5);
}
/** @param {string} text */
export const parseDeg = (text) => parse(text, 6);

/** Minutes and seconds of a time span. @param {number} ms */
export function clock(ms) {
  const s = Math.max(0, Math.floor(ms / 1000));
  const two = (/** @type {number} */ n) => String(n).padStart(2, "0");
  return s < 3600 ? Math.floor(s / 60) + ":" + two(s % 60) : Math.floor(s / 3600) + ":" + two(Math.floor(s / 60) % 60) + ":" + two(s % 60);
}

/** The time of day on this device. @param {number} at ms */
export function timeOfDay(at) {
  const d = new Date(at);
  return [d.getHours(), d.getMinutes(), d.getSeconds()].map((n) => String(n).padStart(2, "0")).join(":");
}

/** A moment on this device, with the day unless it is today. @param {number} at ms */
export function dayTime(at) {
  const d = new Date(at), time = timeOfDay(at).slice(0, 5);
  return d.toDateString() === new Date().toDateString() ? time : d.toLocaleDateString("en-GB", { weekday: "short", day: "numeric", month: "short" }) + " " + time;
}

/** Deviations in words: how much to which side, never a bare sign. */
const WAYS = {
  distance: ["far", "near"], range: ["far", "near"], lateral: ["left", "right"], azimuth: ["left", "right"],
  height: ["high", "low"], roll: ["left end high", "left end low"], tilt: ["top away", "top near"],
  yaw: ["left end near", "left end far"],
};

/**
 * @param {{quantity: string, deviation_um?: number, deviation_udeg?: number}} judged
 * @param {boolean} behind the fixture stands behind the car
 */
export function deviation(judged, behind) {
  const angle = judged.deviation_udeg !== undefined;
  const n = (angle ? judged.deviation_udeg : judged.deviation_um) ?? 0;
  const text = angle ? degText(Math.abs(n)) : lengthText(Math.abs(n));
  let way = /** @type {Record<string, string[]>} */ (WAYS)[judged.quantity] ?? ["more", "less"];
  if (behind && (judged.quantity === "yaw" || judged.quantity === "tilt")) way = [way[1], way[0]];
  return /^[0.]+°?$/.test(text.split(NBSP)[0]) ? text : text + " " + way[n > 0 ? 0 : 1];
}
