// @ts-check
// The answers among which a read-back chooses: the right one and what it is most easily confused with. They are put in the
// order of their places, so that nothing but the instruction says which one is right. Numbers are told apart as they are
// shown: digit by digit.

import { length } from "./format.js";

/**
 * Swaps two neighbouring digits so that another number comes out; where all are alike, one digit changes.
 * @param {string} text digits as shown, perhaps with a point
 */
export function swapped(text) {
  const at = digits(text);
  for (let i = 0; i + 1 < at.length; i++) {
    const [a, b] = [at[i], at[i + 1]];
    if (text[a] !== text[b] && !(a === 0 && text[b] === "0")) return put(put(text, a, text[b]), b, text[a]);
  }
  return slip(text, 0, 1);
}

const digits = (/** @type {string} */ text) => [...text.matchAll(/\d/g)].map((m) => /** @type {number} */ (m.index));
const put = (/** @type {string} */ text, /** @type {number} */ at, /** @type {string} */ to) => text.slice(0, at) + to + text.slice(at + 1);

/** Another number by one digit; the first never becomes 0. @param {string} text @param {number} nth @param {number} by */
function slip(text, nth, by) {
  const all = digits(text), at = all[Math.min(nth, all.length - 1)];
  return put(text, at, at === all[0] && all.length > 1 ? String(((Number(text[at]) + by + 8) % 9) + 1) : String((Number(text[at]) + by + 10) % 10));
}

/** Ways that are confused with each other. */
const PAIRS = [["left", "right"], ["towards-car", "away"], ["up", "down"]];

/**
 * @typedef {{value: string, side?: string}} Answer digits as shown
 * @param {Answer} says
 * @param {number[]} others values of other positions, micrometres, for an instruction to the centre
 * @returns {Answer[]} from vehicle left to vehicle right, or from small to large
 */
export function places(says, others) {
  const v = says.value;
  if (says.side === undefined) {
    const set = new Set([v, swapped(v), slip(v, 1, 1), slip(v, 1, 9)]);
    for (let i = 2; set.size < 4; i++) set.add(slip(v, 0, i));
    return [...set].sort((a, b) => Number(a) - Number(b)).map((value) => ({ value }));
  }
  if (says.side === "centre") {
    const near = length(Math.abs(others.find((o) => o !== 0) ?? 100_000)).replace(/\.0$/, "");
    return [{ value: near, side: "left" }, { value: v, side: "centre" }, { value: near, side: "right" }];
  }
  const [one, other] = PAIRS.find((pair) => pair.includes(/** @type {string} */ (says.side))) ?? PAIRS[0];
  const [small, large] = [v, swapped(v)].sort((a, b) => Number(a) - Number(b));
  return [
    { value: large, side: one }, { value: small, side: one },
    { value: small, side: other }, { value: large, side: other },
  ];
}

/**
 * Ids of targets to choose among: the right one and three that differ by one slip.
 * @param {string} id
 * @returns {string[]}
 */
export function targets(id) {
  const set = new Set([id]);
  const at = digits(id);
  for (let i = 0; i + 1 < at.length; i++) set.add(put(put(id, at[i], id[at[i + 1]]), at[i + 1], id[at[i]]));
  for (const a of at.reverse()) for (const by of [1, 4, 8]) if (set.size < 4) set.add(put(id, a, String((Number(id[a]) + by) % 10)));
  for (let i = 2; set.size < 4; i++) set.add(id + "-" + i);
  return [...set].slice(0, 4).sort();
}
