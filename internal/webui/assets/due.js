// @ts-check
// Days on which something runs out: how far off they are, in words and never by colour alone.

const DAY_MS = 86_400_000, SOON = 30, FAR = 730;

/** Today as the server counts: the day in UTC. It counts a proof through the whole of its last day. */
export const today = () => new Date().toISOString().slice(0, 10);

/** A day with its month as a word, so that nobody takes one for the other. @param {string} day */
export const dayText = (day) => new Date(day + "T00:00:00Z").toLocaleDateString("en-GB", { day: "numeric", month: "short", year: "numeric", timeZone: "UTC" });

/** Days from today to the day; less than none once it has passed. @param {string} day */
export const left = (day) => Math.round((Date.parse(day) - Date.parse(today())) / DAY_MS);

const count = (/** @type {number} */ n) => `${n} ${n === 1 ? "day" : "days"}`;

/** What stands in a list, and its tone. @param {string} day @returns {{tone: string, text: string, when: string, over: boolean, soon: boolean}} */
export function due(day) {
  const n = left(day), over = n < 0, soon = !over && n <= SOON;
  const when = n > FAR ? dayText(day) : `${dayText(day)}, in ${count(n)}`;
  const text = over ? `Overdue by ${count(-n)}: ran out ${dayText(day)}` : n === 0 ? `Due today, ${dayText(day)}` : "Due " + when;
  return { tone: over || soon ? "bay" : "quiet", text, when, over, soon };
}
