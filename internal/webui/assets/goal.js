// @ts-check
// Where the target goes, in figures to place it by: each with its unit, its side and what it counts from.

import { h } from "./dom.js";
import { deg, lengthShort } from "./format.js";
import { datum, side } from "./words.js";

/** How far to which side of the reference line, left positive. @param {number} um @param {string} line */
const across = (um, line) => (um === 0 ? [side("centre"), " on the ", line] : [h("b", null, lengthShort(Math.abs(um))), " to vehicle ", side(um > 0 ? "left" : "right"), " of the ", line]);

/**
 * The target at one position: what a position does not say itself, the set-up says for all.
 * @param {any} set the set-up of a sheet or of a procedure @param {any} at a position of it, or of its plan
 */
export function goal(set, at) {
  const line = datum(set.line), distance = at?.distance_um ?? set.distance_um, height = at?.height_um ?? set.height_um;
  return [
    distance !== undefined && ["Distance ", h("b", null, lengthShort(distance)), ` ${set.side === "behind" ? "behind" : "ahead of"} ${datum(set.datum)}, along the ${line}`],
    at?.range_um !== undefined && ["Distance ", h("b", null, lengthShort(at.range_um)), " from the sensor, level"],
    at?.lateral_um !== undefined && ["Lateral ", across(at.lateral_um, line)],
    at?.azimuth_udeg !== undefined && ["Direction ", at.azimuth_udeg === 0 ? side("centre") : [h("b", null, deg(Math.abs(at.azimuth_udeg)) + "°"), " to vehicle ", side(at.azimuth_udeg > 0 ? "left" : "right")], ` of the ${line}`],
    height !== undefined && ["Height ", h("b", null, lengthShort(height)), ` above ${datum("wheel-plane")}`],
  ].filter(Boolean).map((parts) => h("p", { class: "then" }, /** @type {any} */ (parts)));
}
