// @ts-check
// The plan view: forward is up and vehicle left is left, always. The hollow bar is where the board should stand, the filled
// one where it stands. What is off, and the angle of the reference line, are drawn larger by the same factor, which is said.

import { h, s } from "./dom.js";
import { deg, lengthShort } from "./format.js";

const FACTORS = [50, 25, 10, 1];
const W = 420, H = 460;

/**
 * @param {import("./watch.js").Watch} w
 * @param {{mark?: any, suspects?: any[], verdict?: any}} [show] a reading to point out; suspects by number; another verdict than the standing one
 */
export function plan(w, show = {}) {
  const car = w.car(), sheet = w.state.sheet, planned = w.planned();
  const board = w.register?.fixtures?.[sheet?.fixture]?.fixture;
  if (!car || !planned || sheet.setup.side === "behind") return null;
  const half = (board?.half_width_um ?? 400_000) / 1000;
  const v = show.verdict ?? w.state.place.verdict;
  const mm = (/** @type {number} */ um) => um / 1000;
  const wheelbase = mm(car.wheelbase_um), front = mm(car.front_track_um) / 2, nose = mm(car.front_overhang_um);

  // The line's own frame: along it from the rear axle's middle, and across it to the left.
  const angle = (w.thrust() / 1e6) * (Math.PI / 180);
  const e = [Math.cos(angle), -Math.sin(angle)], n = [Math.sin(angle), Math.cos(angle)];
  const datumX = /** @type {Record<string, number>} */ ({ "front-bumper": wheelbase + nose, "front-axle": wheelbase, "rear-axle": 0, "rear-bumper": -mm(car.rear_overhang_um ?? 0) })[sheet.setup.datum] ?? wheelbase;
  const along = e[0] * datumX + mm(planned.distance_um);
  const middle = board?.carried === "stand" ? mm(planned.lateral_um) : 0;
  const ends = { left: [along, middle + half], right: [along, middle - half] };
  const off = { left: [0, 0], right: [0, 0] };
  if (v?.pose) {
    for (const side of /** @type {const} */ (["left", "right"])) {
      const p = v.pose[side + "_end_um"];
      off[side] = [e[0] * mm(p.x) + e[1] * mm(p.y) - ends[side][0], n[0] * mm(p.x) + n[1] * mm(p.y) - ends[side][1]];
    }
  }
  const span = Math.max(2 * half + Math.abs(middle) * 2, 2 * front + 500) + 500;
  const scale = Math.min((W - 40) / span, (H - 60) / (along - wheelbase + 1500));
  const largest = Math.max(...Object.values(off).flat().map(Math.abs));
  const factor = v?.pose ? (FACTORS.find((f) => largest * f * scale <= 70) ?? 1) : 1;
  const turned = angle * factor;
  const top = wheelbase + (along - wheelbase);
  const X = (/** @type {number} */ y) => W / 2 - y * scale;
  const Y = (/** @type {number} */ x) => 56 + (top - x) * scale;
  const onLine = (/** @type {number[]} */ at) => {
    const [a, c] = at;
    return [a * Math.cos(turned) + c * Math.sin(turned), -a * Math.sin(turned) + c * Math.cos(turned)];
  };
  const screen = (/** @type {number[]} */ at) => { const [x, y] = onLine(at); return [X(y), Y(x)]; };
  const moved = (/** @type {"left" | "right"} */ side) => screen([ends[side][0] + off[side][0] * factor, ends[side][1] + off[side][1] * factor]);
  const bar = (/** @type {number[]} */ a, /** @type {number[]} */ b) => `M${a[0]} ${a[1]}L${b[0]} ${b[1]}`;
  const hub = { left: [X(front), Y(wheelbase)], right: [X(-front), Y(wheelbase)] };
  const put = v?.pose ? { left: moved("left"), right: moved("right") } : { left: screen(ends.left), right: screen(ends.right) };

  const suspects = new Set((show.suspects ?? []).map((one) => one.reading));
  const drawn = show.mark ? [show.mark] : [];
  const lines = (w.state.place.stands ?? []).map((/** @type {any} */ r, /** @type {number} */ i) => spanLine(r, suspects.has(i) ? "suspect" : "agrees"));
  function spanLine(/** @type {any} */ r, /** @type {string} */ kind) {
    const from = /^front-(left|right)-hub$/.exec(r.from ?? ""), to = /^(left|right)-end$/.exec(r.to ?? "");
    if (kind === "next" && r.quantity === "datum-distance") {
      const nose = [W / 2, Y(datumX)], face = [(put.left[0] + put.right[0]) / 2, (put.left[1] + put.right[1]) / 2];
      return [s("path", { d: bar(nose, face), class: "span next" }), s("circle", { cx: nose[0], cy: nose[1], r: 9, class: "from" })];
    }
    if (kind === "next" && r.quantity === "end-height" && to) {
      const end = put[/** @type {"left" | "right"} */ (to[1])];
      return s("circle", { cx: end[0], cy: end[1], r: 14, class: "from" });
    }
    if (kind === "next" && (r.quantity === "level" || r.quantity === "tilt")) return s("path", { d: bar(put.left, put.right), class: "span next" });
    if (r.quantity !== "span" || !from || !to) return null;
    const a = hub[/** @type {"left" | "right"} */ (from[1])], b = put[/** @type {"left" | "right"} */ (to[1])];
    const path = s("path", { d: bar(a, b), class: "span " + kind });
    if (kind !== "next") return path;
    return [path, s("circle", { cx: a[0], cy: a[1], r: 9, class: "from" }), s("path", { d: `M${b[0]} ${b[1] - 12}l12 12-12 12-12-12z`, class: "from" }),
      s("text", { x: a[0] - 22, y: a[1] + 6, class: "count" }, "1"), s("text", { x: b[0] + 18, y: b[1] + 6, class: "count" }, "2")];
  }
  const bonnet = Y(wheelbase + nose), axle = Y(wheelbase), wide = (front + 90) * scale, tail = Math.min(axle + 130, H - 4);
  const wheel = w.job?.vehicle?.steering === "right" ? 1 : -1;
  const seat = [W / 2 + wheel * wide * 0.45, Math.min(axle + 96, H - 30)];
  const bottom = Math.min(axle + 120, H - 8);
  const svg = s("svg", { class: "plan", viewBox: `0 0 ${W} ${H}`, role: "img", "aria-label": "Plan view, forward is up, vehicle left is left" },
    s("path", { d: `M${W / 2 - wide} ${tail}V${bonnet + 60}Q${W / 2 - wide} ${bonnet} ${W / 2} ${bonnet}Q${W / 2 + wide} ${bonnet} ${W / 2 + wide} ${bonnet + 60}V${tail}`, class: "body" }),
    s("path", { d: `M${W / 2} 8V${tail}`, class: "centre" }),
    angle !== 0 && s("path", { d: bar(screen([along + 300, 0]), screen([wheelbase - 300, 0])), class: "reference" }),
    [-1, 1].map((q) => s("rect", { x: W / 2 + q * front * scale - 8, y: axle - 26, width: 16, height: 52, class: "wheel" })),
    s("path", { d: `M${W / 2 - wide - 14} ${bottom}V${axle - 30}`, class: "flank" }),
    s("path", { d: `M${W / 2 + wide + 12} ${bottom}V${axle - 30}M${W / 2 + wide + 20} ${bottom}V${axle - 30}`, class: "flank" }),
    s("text", { x: W / 2 - wide - 24, y: axle + 30, class: "flank-word", "text-anchor": "end" }, "LEFT"),
    s("text", { x: W / 2 + wide + 30, y: axle + 30, class: "flank-word" }, "RIGHT"),
    s("g", { transform: `translate(${seat[0]} ${seat[1]})`, class: "seated" }, s("path", { d: "M-20 6V-16Q0 -30 20 -16V6" }), s("circle", { cx: 0, cy: 8, r: 13 }), s("path", { d: "M-6 -2L0 -14 6 -2z" }), s("path", { d: "M-18 -22Q0 -36 18 -22", class: "rim" })),
    lines,
    s("path", { d: bar(screen(ends.left), screen(ends.right)), class: "should" }), s("path", { d: bar(screen(ends.left), screen(ends.right)), class: "should-inner" }),
    v?.pose && s("path", { d: bar(put.left, put.right), class: "stands " + (v.verdict === "within" ? "met" : v.verdict === "remeasure" ? "hollow" : "bay") }),
    s("circle", { cx: hub.left[0], cy: hub.left[1], r: 6, class: "hub" }), s("circle", { cx: hub.right[0], cy: hub.right[1], r: 6, class: "hub" }),
    drawn.map((r) => spanLine(r, "next")), factor > 1 && rule(factor * scale));
  const notes = [];
  if (angle !== 0) notes.push(`Thrust line ${deg(Math.abs(w.thrust()))}° ${w.thrust() > 0 ? "right" : "left"}.`);
  if (factor > 1) notes.push(`Angles and errors drawn ×${factor}.`);
  return h("figure", { class: "plan-box" }, svg, h("figcaption", null, notes.join(" ")));
}

/** A length of the errors' scale, within the drawing so that it stays true at any size. @param {number} perMM */
function rule(perMM) {
  const mm = 10 * perMM > 50 ? 5 : 10;
  return s("g", { class: "rule" }, s("path", { d: `M4 ${H - 16}v12m0-6h${mm * perMM}m0-6v12` }), s("text", { x: 4, y: H - 24 }, lengthShort(mm * 1000)));
}
