// @ts-check
// Where somebody is signed in: one row for each session.
import { h } from "./dom.js";

/** @typedef {{id: string, created: string, used: string, origin?: string, device?: string, current: boolean}} Session */

/** A day and a time, in the clock of who looks. @param {string} instant */
export const when = (instant) =>
  new Date(instant).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });

/** @param {Session} s @param {(id: string) => void} finish */
export function seat(s, finish) {
  const end = h("button", { type: "button", class: "plain", id: "end-" + s.id, onclick: () => finish(s.id) }, "End");
  return h("div", { class: "row session" },
    h("b", { title: s.device }, device(s.device)), s.current ? h("span", null, "this one") : end,
    h("span", { class: "quiet" }, "last used ", when(s.used), s.origin && " from " + s.origin, ", since ", when(s.created)));
}

/**
 * What a browser calls itself, shortened to its name and its system; other programs as they are.
 * @param {string | undefined} text
 */
function device(text) {
  if (!text?.startsWith("Mozilla/")) return text || "Unknown device";
  const find = (/** @type {[string, string][]} */ names) => names.find(([sign]) => text.includes(sign))?.[1];
  const name = find([["Edg", "Edge"], ["Firefox", "Firefox"], ["Chrome", "Chrome"], ["Safari", "Safari"]]) ?? "Browser";
  const system = find([["Android", "Android"], ["iPhone", "iPhone"], ["iPad", "iPad"], ["Windows", "Windows"], ["Mac OS", "macOS"], ["Linux", "Linux"]]);
  return system ? name + " on " + system : name;
}
