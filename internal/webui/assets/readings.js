// @ts-check
// Taking readings one after the other with the big keypad. Enter moves on, from the screen's key and from an instrument
// that types.

import { byId, h, place, put } from "./dom.js";
import { deg, lengthText, parseDeg, parseLength, unit as shown } from "./format.js";
import { plan } from "./plan.js";
import { CAUTIONS, counts, isAngle, reading } from "./words.js";

/** Beyond these a value is more likely mistyped than true: it is asked for once more. */
const GROSS = { um: 150_000, udeg: 3_000_000 };

/** What the plan expects of a reading at this position. @param {import("./watch.js").Watch} w @param {any} r @returns {number | null} */
function expected(w, r) {
  const at = (w.state.sheet?.measure ?? []).findIndex((/** @type {any} */ m) => m.quantity === r.quantity && m.from === r.from && m.to === r.to);
  const e = w.planned()?.readings?.[at];
  return e?.expected_um ?? e?.expected_udeg ?? null;
}

/**
 * @param {import("./watch.js").Watch} w
 * @param {import("./rounds.js").Rounds} rounds
 * @param {{send: () => void, cancel: () => void, said: (text: string) => void}} then
 */
export function keypad(w, rounds, then) {
  const round = /** @type {import("./rounds.js").Round} */ (rounds.now);
  const from = w.state.sheet.setup.datum;
  let text = round.typed ?? "", doubted = "";
  const show = h("output", { class: "typed", id: "typed", "aria-live": "off" });
  const hint = h("p", { class: "hint", id: "hint", role: "status" });
  const asked = h("h1", { class: "instruction small", id: "asked" }), count = h("p", { class: "count-line", id: "count" }), last = h("p", { class: "last quiet", id: "last" });
  const picture = h("div", { class: "picture" });
  const drawing = place(picture);
  const current = () => round.list[round.at];
  const unit = () => (isAngle(current()) ? "°" : shown());
  const format = (/** @type {any} */ r, /** @type {number} */ n) => (isAngle(r) ? deg(n) + "°" : lengthText(n));

  const draw = () => {
    const r = current();
    put(asked, reading(r, "desk", from));
    put(count, `${round.purpose === "closing" ? "Closing reading" : "Reading"} ${round.at + 1} of ${round.list.length}`,
      h("span", { class: "quiet" }, ", " + (w.register?.instruments?.[r.instrument]?.name ?? "instrument")), counts(r) && h("span", { class: "quiet" }, "; " + counts(r)));
    put(show, h("span", { class: "digits" }, text.replace("-", "\u2212") || "\u00a0"), h("span", { class: "caret", "aria-hidden": "true" }), h("span", { class: "unit" }, unit()));
    const before = round.at - 1;
    put(last, before >= 0 && round.values[before] !== null
      ? ["Before: ", format(round.list[before], round.values[before]), expected(w, round.list[before]) !== null && `, planned ${format(round.list[before], /** @type {number} */ (expected(w, round.list[before])))}`] : "");
    drawing.show([w.seq, round.at], () => plan(w, { mark: r }) ?? "");
  };
  const type = (/** @type {string} */ key) => {
    if (key === "back") text = text.slice(0, -1);
    else if (key === "sign") text = text.startsWith("-") ? text.slice(1) : "-" + text;
    else if (text.length < 9 && !(key === "." && text.includes("."))) text += key;
    typed(text);
    put(hint);
    draw();
  };
  /** What is typed stays with the round, so that it is there again after an instruction came in between. @param {string} now */
  const typed = (now) => {
    round.typed = text = now;
    rounds.keep();
  };
  const enter = () => {
    const r = current(), n = isAngle(r) ? parseDeg(text) : parseLength(text);
    if (n === null) return void put(hint, text ? "That is no number." : "Type the reading, then Enter.");
    const plan = expected(w, r);
    if (plan !== null && Math.abs(n - plan) > (isAngle(r) ? GROSS.udeg : GROSS.um) && doubted !== `${round.at}:${text}`) {
      doubted = `${round.at}:${text}`;
      return void put(hint, "Check the digits, then Enter again.");
    }
    round.values[round.at] = n;
    typed("");
    put(hint);
    const next = round.values.findIndex((v) => v === null);
    if (next < 0) {
      rounds.keep();
      return then.send();
    }
    round.at = next;
    rounds.keep();
    draw();
    then.said(reading(current(), "", from).map((p) => (p instanceof Node ? p.textContent : p)).join(""));
  };
  const key = (/** @type {string} */ label, /** @type {string} */ press, /** @type {string} */ name = label) =>
    h("button", { type: "button", class: "key", id: "key-" + press.replace(".", "point"), "aria-label": name, onclick: () => type(press) }, label);
  const pad = h("div", { class: "pad" },
    ["7", "8", "9"].map((d) => key(d, d)), key("⌫", "back", "Delete a digit"), ["4", "5", "6"].map((d) => key(d, d)),
    h("button", { type: "button", class: "key enter", id: "key-enter", onclick: enter }, "Enter"),
    ["1", "2", "3"].map((d) => key(d, d)), key("±", "sign", "Change the sign"), key("0", "0"), key(".", ".", "Point"));
  const box = h("section", { class: "reading", "aria-labelledby": "asked" },
    h("div", { class: "ask" }, count, asked, last, picture, h("p", { class: "caution" }, CAUTIONS.readings),
      h("div", { class: "beside" },
        h("button", { type: "button", class: "second", id: "leave-readings", onclick: then.cancel }, "Leave"),
        round.purpose === "report" && h("button", { type: "button", class: "second", id: "send-now", onclick: () => round.values.some((v) => v !== null) && then.send() }, "Send what I have"))),
    h("div", { class: "entry" }, h("div", { class: "window" }, h("p", { class: "lid" }, "expected value covered until Enter"), show), hint, pad));
  const typing = (/** @type {KeyboardEvent} */ e) => {
    if (!box.isConnected) return removeEventListener("keydown", typing);
    if (e.ctrlKey || e.metaKey || e.altKey || /^(INPUT|SELECT|TEXTAREA)$/.test(/** @type {Element} */ (e.target).tagName)) return;
    const map = /** @type {Record<string, string>} */ ({ Backspace: "back", "-": "sign", ",": ".", Decimal: "." });
    if (e.key === "Enter") enter();
    else if (/^[0-9.]$/.test(e.key) || map[e.key]) type(map[e.key] ?? e.key);
    else return;
    e.preventDefault();
  };
  addEventListener("keydown", typing);
  draw();
  queueMicrotask(() => byId("main").focus({ preventScroll: true }));
  return box;
}
