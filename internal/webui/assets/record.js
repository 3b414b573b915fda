// @ts-check
// How often what was said of the wait held, at this desk, in the last days. The server counts; nothing is worked out here.

import { get } from "./api.js";

const EVERY_MS = 600_000; // it changes with claims, and is about a month

/** @param {any} r of GET /v1/queue/record */
function words(r) {
  const half = r.median_wait_s === undefined ? "" : ` Half of all waits were no longer than ${Math.max(1, Math.round(r.median_wait_s / 60))} min.`;
  if (!r.stated) return "";
  return `Said range held ${r.held} of ${r.stated} waits, last ${r.days} days; it should be ${Math.round(r.aim * 10)} of 10. ${r.later} took longer, ${r.sooner} shorter.${half}`;
}

/** Keeps the line. @param {HTMLElement} line */
export function keep(line) {
  const look = async () => {
    try {
      line.textContent = words(await get("/v1/queue/record"));
    } catch {
      // what it said before still holds
    }
  };
  setInterval(look, EVERY_MS);
  return look();
}
