// @ts-check
// What the bay's instruments read now, drawn into the plan view while the fixture is nudged. It is in no entry: the next one
// draws the plan anew, and so does its end. Numbers that move are in no live region.

import { h, put } from "./dom.js";
import { deg, lengthText } from "./format.js";
import { plan } from "./plan.js";
import { verdict } from "./words.js";

const TO = /** @type {Record<string, string>} */ ({
  "towards-car": "towards the car", away: "away from the car", left: "to vehicle left", right: "to vehicle right", up: "up", down: "down",
});

const NUDGE_UM = 50_000;

/** A move in few words. @param {any} m */
function words(m) {
  const end = m.end_um === undefined ? deg(m.by_udeg ?? 0) + "°" : lengthText(m.end_um);
  switch (m.move) {
    case "turn": return `left end ${TO[m.left_end] ?? ""} ${end}`;
    case "roll": return `left end ${TO[m.left_end] ?? ""} ${end}`;
    case "tilt": return `top ${TO[m.top] ?? ""} ${deg(m.by_udeg ?? 0)}°`;
    default: return `${TO[m.to] ?? ""} ${lengthText(m.by_um ?? 0)}`;
  }
}

/** What is to be done, in few words. A large move is instructed and read back: nobody acts on a number that runs. @param {any} v */
function todo(v) {
  const moves = (v.verdict === "unsure" ? v.nudge : v.verdict === "adjust" ? v.moves : null) ?? [];
  return moves.some((/** @type {any} */ m) => (m.end_um ?? m.by_um ?? 0) > NUDGE_UM) ? "far off: the desk instructs the move" : moves.map(words).join(", then ");
}

/** Draws the live value of the calibration, or takes it away again. @param {import("./watch.js").Watch} w */
export function show(w) {
  const box = document.querySelector(".plan-box");
  if (!box) return;
  const now = w.live?.seq === w.seq && w.live.position === w.state.place.position ? w.live : null;
  let strip = box.querySelector(".live");
  if (!now && !strip) return;
  const v = now?.verdict;
  const drawn = plan(w, now ? { verdict: v, suspects: now.moved ? [] : v.suspects } : { suspects: w.state.place.verdict?.suspects });
  if (!drawn) return;
  if (!now) return box.replaceChildren(...drawn.childNodes);
  if (!strip) {
    strip = h("div", { class: "live", "aria-live": "off" }, h("p", { class: "live-line" }), location.pathname.startsWith("/bay/") && capture(w));
    box.prepend(strip);
  }
  put(/** @type {Element} */ (strip.firstElementChild), h("b", null, "Live: " + verdict(v)), " ", todo(v));
  while (strip.nextSibling) strip.nextSibling.remove();
  box.append(...drawn.childNodes);
}

/** The button that reports what is read at the moment of the press. It stays while all around it moves. @param {import("./watch.js").Watch} w */
function capture(w) {
  const said = h("span", { role: "status" });
  const press = () => {
    const now = w.live;
    if (!now) return;
    w.command("report-readings", { moved: now.moved, readings: now.readings, captured: now.n }).catch((e) => put(said, String(e.message)));
  };
  return h("p", { class: "live-keys" }, h("button", { type: "button", class: "second", id: "capture", onclick: press }, "Report these readings"), " ", said);
}
