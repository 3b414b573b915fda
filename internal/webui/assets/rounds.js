// @ts-check
// The round of readings that is being typed. It stays in sessionStorage until it is sent as one report, so that a reload
// loses nothing.

import { isAngle } from "./words.js";

/**
 * @typedef {{purpose: "report" | "closing", moved: boolean, list: any[], values: (number | null)[], at: number, base: number, typed?: string, told?: number}} Round
 * base is the entry it was begun on, typed what is not entered yet, told how many instructions are taken note of
 */

const KEY = "readback.round.";

/** Whether a round is being typed on this device. @param {string} calibration */
export const typing = (calibration) => sessionStorage.getItem(KEY + calibration) !== null;

export class Rounds {
  /** @param {string} calibration */
  constructor(calibration) {
    this.key = KEY + calibration;
    /** @type {Round | null} */
    this.now = JSON.parse(sessionStorage.getItem(this.key) ?? "null");
  }

  /** @param {"report" | "closing"} purpose @param {boolean} moved @param {any[]} list readings without values @param {number} base */
  begin(purpose, moved, list, base) {
    const bare = list.map(({ quantity, from, to, instrument, plumbed, pointing_um, pointing_udeg }) =>
      JSON.parse(JSON.stringify({ quantity, from, to, instrument, plumbed, pointing_um, pointing_udeg })));
    this.now = { purpose, moved, list: bare, values: bare.map(() => null), at: 0, base };
    this.keep();
  }

  keep() {
    if (this.now) sessionStorage.setItem(this.key, JSON.stringify(this.now));
    else sessionStorage.removeItem(this.key);
  }

  end() {
    this.now = null;
    this.keep();
  }

  /**
   * Takes note of the instructions that came in between, once they are done. The readings stay, unless the target was moved.
   * @param {any} open the step that is not done @param {any[]} steps @param {number} seq the entry that is shown @param {any[]} entries @returns {boolean} whether they are void
   */
  between(open, steps, seq, entries) {
    const r = this.now;
    if (!r || !(entries.at(-1)?.seq >= seq)) return false; // an entry may come after the state that has it
    r.told ??= steps.length - (open ? 1 : 0);
    if (open || steps.length === r.told) return false;
    const base = r.base, moved = entries.some((e) => e.seq > base && e.type === "step-done" && e.body.decided.fallen);
    [r.told, r.base] = [steps.length, seq];
    if (moved) this.end();
    else this.keep();
    return moved;
  }

  /** The command's data: what has a value. */
  report() {
    const r = /** @type {Round} */ (this.now);
    const readings = r.list.map((one, i) => ({ ...one, [isAngle(one) ? "value_udeg" : "value_um"]: r.values[i] })).filter((_, i) => r.values[i] !== null);
    return r.purpose === "closing" ? { readings } : { moved: r.moved, readings };
  }
}
