// @ts-check
// How a condition of car and bay stands: state, word, figure with its limits and unit, how it is known, until when it counts.

import { h } from "./dom.js";
import { decimal, lengthShort, NBSP, parse, parseLength, unit } from "./format.js";

/** @param {any} g @returns {"met" | "open" | "waived" | "not"} */
export function gateState(g) {
  if (g.ran_out) return "open";
  if (g.waived) return "waived";
  if (g.cautioned) return "not";
  if (g.met || (g.grade === "recorded" && g.answered)) return "met";
  return g.answered ? "not" : "open";
}

/** @param {any} g */
export function gateWord(g) {
  if (g.ran_out) return "ran out: answer it again";
  if (g.cautioned && !g.waived) return "met, outside its caution: for the desk to let pass";
  return { waived: "let pass by the desk", met: g.grade === "recorded" ? "noted" : "met", not: "not met", open: "not answered" }[gateState(g)];
}

/** Units of gates: how many decimals make one of what people say, and what they say. @type {Record<string, [number, string]>} */
const UNITS = { um: [3, "mm"], udeg: [6, "°"], mV: [3, "V"], lx: [0, "lx"], hPa: [3, "bar"], mC: [3, "°C"], min: [0, "min"], km: [0, "km"] };

/** @param {number} amount @param {string} u */
export function amountText(amount, u) {
  if (u === "um") return lengthShort(amount);
  const [digits, name] = UNITS[u] ?? [0, u], text = decimal(amount, digits, digits);
  return (digits ? text.replace(/0+$/, "").replace(/\.$/, "") : text) + (name === "°" ? "" : NBSP) + name;
}

/** What was typed, in the unit of the trail. @param {string} text @param {string} u */
export const parseAmount = (text, u) => (u === "um" ? parseLength(text) : parse(text, UNITS[u]?.[0] ?? 0));
/** The unit that people say. @param {string} u */
export const unitName = (u) => (u === "um" ? unit() : UNITS[u]?.[1] ?? u);

/** The figure that a gate asks for; null if it asks for none. @param {any} g */
export const figureOf = (g) => g.figure ?? (g.gate === "temperature-noted" ? { unit: "mC" } : null);

/** @param {{lower?: number, upper?: number}} f @param {string} u */
function between(f, u) {
  if (f.lower !== undefined && f.upper !== undefined) return `${amountText(f.lower, u)} to ${amountText(f.upper, u)}`;
  if (f.lower !== undefined) return `${amountText(f.lower, u)} or more`;
  return f.upper !== undefined ? `${amountText(f.upper, u)} or less` : "";
}

/** The limits in words. @param {any} g @param {string} [whose] the name of who set them */
export function limits(g, whose) {
  const f = figureOf(g), within = f && between(f, f.unit);
  if (!within) return "";
  return within + (f.caution ? `; outside ${between(f.caution, f.unit)} the desk has to let it pass` : "") + (g.limits === "own" ? `; own limits${whose ? " of " + whose : ""}` : g.limits ? "; limits as stated" : "");
}

/** Where somebody can work at all: for figures without limits. @type {Record<string, {lower: number, upper: number}>} */
const WORKING = { mC: { lower: -40_000, upper: 60_000 } };

/**
 * What a figure is so far outside of that it is more likely mistyped than true, in words; "" if it is not. Between two limits
 * that is three times their distance beyond them, beside one a fifth or five times of it.
 * @param {any} f the figure asked for @param {number} n
 */
export function farOutside(f, n) {
  const known = /** @type {(v: any) => v is number} */ ((v) => v !== undefined), none = [f.lower, f.upper].every((v) => !known(v)) && !f.caution;
  const lowers = [f.lower, f.caution?.lower].filter(known), uppers = [f.upper, f.caution?.upper].filter(known), working = none && WORKING[f.unit];
  if (none) return working && (n < working.lower || n > working.upper) ? between(working, f.unit) : "";
  const lower = lowers.length ? Math.min(...lowers) : undefined, upper = uppers.length ? Math.max(...uppers) : undefined;
  const room = lower !== undefined && upper !== undefined ? 3 * (upper - lower) : undefined, one = lower ?? upper ?? 0;
  const far = room !== undefined ? n < /** @type {number} */ (lower) - room || n > /** @type {number} */ (upper) + room : one > 0 && (n > 5 * one || (lower !== undefined && n < one / 5));
  return far ? between({ lower, upper }, f.unit) : "";
}

/** What was answered. @param {any} g */
export const answer = (g) => (g.answered ? [g.value && amountText(g.value.amount, g.value.unit), g.evidence].filter(Boolean).join(", ") : "");

/** How much longer it counts; the page's clock fills it in. @param {any} g */
export const left = (g) => (g.runs_out && !g.ran_out ? ["; counts ", h("b", { "data-until": g.runs_out }), " longer"] : g.expires_min && !g.answered ? `; counts ${g.expires_min} min` : "");
