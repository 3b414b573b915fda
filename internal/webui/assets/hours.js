// @ts-check
// A desk's opening hours: as they are, and the form that says them anew. Times are of the desk's own time zone.
import { field, h } from "./dom.js";
import { dayText } from "./due.js";
import { acting } from "./rooms.js";
import { sentence } from "./words.js";

const DAYS = ["monday", "tuesday", "wednesday", "thursday", "friday", "saturday", "sunday"];
/** @param {{from: string, to: string}[] | undefined} open */
const spans = (open) => (open ?? []).map((s) => `${s.from}-${s.to}`).join(", ");

/** @param {any} now */
export function hours(now) {
  if (!now) return h("p", { class: "bay" }, "None are entered: shops are not told when you open.");
  const of = (/** @type {string} */ day) => now.week.find((/** @type {any} */ d) => d.day === day)?.open;
  return [h("p", null, `Time zone ${now.zone}.`), h("dl", { class: "hours", id: "hours-now" }, DAYS.map((d) => [h("dt", null, sentence(d)), h("dd", null, spans(of(d)) || "closed")]), (now.exceptions ?? []).map((/** @type {any} */ x) => [h("dt", null, dayText(x.date)), h("dd", null, spans(x.open) || "closed")]))];
}

/** Times such as 08:00-12:00, 13:00-17:00; nothing or "closed" is closed. @param {string} text @param {string} what */
function read(text, what) {
  if (!text.trim() || /^closed$/i.test(text.trim())) return [];
  return text.split(",").map((part) => {
    const m = /^\s*(\d\d:\d\d)\s*[-\u2013]\s*(\d\d:\d\d)\s*$/.exec(part);
    if (!m) throw new Error(`${what}: times such as 08:00-12:00, 13:00-17:00, or nothing where it is closed.`);
    return { from: m[1], to: m[2] };
  });
}

/** @param {import("./rooms.js").Register} register @param {() => Promise<void>} fresh */
export function form(register, fresh) {
  const now = register.state.hours, text = (/** @type {string} */ v) => /** @type {HTMLInputElement} */ (h("input", { type: "text", autocomplete: "off", value: v, placeholder: "closed" }));
  const zone = text(now?.zone ?? Intl.DateTimeFormat().resolvedOptions().timeZone), days = DAYS.map((d) => text(spans(now?.week.find((/** @type {any} */ x) => x.day === d)?.open)));
  const other = /** @type {HTMLTextAreaElement} */ (h("textarea", { rows: 4, spellcheck: "false" }));
  other.value = (now?.exceptions ?? []).map((/** @type {any} */ x) => `${x.date} ${spans(x.open) || "closed"}`).join("\n");
  const problem = h("p", { id: "hours-problem", class: "problem", role: "alert" }), act = acting(problem, fresh);
  const f = h("form", { id: "set-hours" }, field("hours-zone", "Time zone, such as Europe/Berlin", zone), h("fieldset", null, DAYS.map((d, i) => field("hours-" + d, sentence(d), days[i]))),
    field("hours-other", "Days that differ, one a line: 2026-12-24 08:00-12:00, or 2026-12-25 closed", other), problem, h("div", { class: "keys" }, h("button", { type: "submit", class: "second" }, "Enter the hours")));
  f.addEventListener("submit", (e) => {
    e.preventDefault();
    act(async () => {
      const week = DAYS.map((day, i) => ({ day, open: read(days[i].value, sentence(day)) }));
      const exceptions = other.value.split("\n").filter((l) => l.trim()).map((l, i) => {
        const m = /^\s*(\d{4}-\d\d-\d\d)\s+(.*)$/.exec(l);
        if (!m) throw new Error(`Days that differ, line ${i + 1}: a day such as 2026-12-24, then its times or the word closed.`);
        return { date: m[1], open: read(m[2], m[1]) };
      });
      await register.command("set-opening-hours", { zone: zone.value.trim(), week, ...(exceptions.length && { exceptions }) });
    });
  });
  return h("details", { id: "change-hours" }, h("summary", null, now ? "Change the hours" : "Enter the hours"), f);
}
