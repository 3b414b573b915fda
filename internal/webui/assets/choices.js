// @ts-check
// The answers among which a read-back chooses: the right one and what it is most easily confused with. They are put in the
// order of their places, so that nothing but the instruction says which one is right.

/**
 * Swaps two neighbouring digits so that another value of as many digits comes out; where all are alike, one digit changes.
 * @param {number} um
 */
export function swapped(um) {
  const unit = um % 1000 === 0 ? 1000 : 1;
  const text = String(Math.abs(um) / unit);
  for (let i = 0; i + 1 < text.length; i++) {
    if (text[i] !== text[i + 1] && !(i === 0 && text[1] === "0")) {
      return Number(text.slice(0, i) + text[i + 1] + text[i] + text.slice(i + 2)) * unit;
    }
  }
  const first = text[0] === "9" ? "8" : String(Number(text[0]) + 1);
  return Number(first + text.slice(1)) * unit;
}

/** Ways that are confused with each other. */
const PAIRS = [["left", "right"], ["towards-car", "away"], ["up", "down"]];

/**
 * @typedef {{value_um: number, side?: string}} Answer
 * @param {{value_um: number, side?: string}} says
 * @param {number[]} others values of other positions, for an instruction to the centre
 * @returns {Answer[]} from vehicle left to vehicle right, or from small to large
 */
export function places(says, others) {
  const v = says.value_um;
  if (says.side === undefined) {
    const set = new Set([v, swapped(v), v + 100_000, v > 200_000 ? v - 100_000 : v + 200_000]);
    while (set.size < 4) set.add(v + set.size * 50_000);
    return [...set].sort((a, b) => a - b).map((value_um) => ({ value_um }));
  }
  if (says.side === "centre") {
    const near = Math.abs(others.find((o) => o !== 0) ?? 100_000);
    return [{ value_um: near, side: "left" }, { value_um: 0, side: "centre" }, { value_um: near, side: "right" }];
  }
  const [one, other] = PAIRS.find((pair) => pair.includes(/** @type {string} */ (says.side))) ?? PAIRS[0];
  const w = swapped(v);
  const [small, large] = v < w ? [v, w] : [w, v];
  return [
    { value_um: large, side: one }, { value_um: small, side: one },
    { value_um: small, side: other }, { value_um: large, side: other },
  ];
}

/**
 * Ids of targets to choose among: the right one and three that differ by one slip.
 * @param {string} id
 * @returns {string[]}
 */
export function targets(id) {
  const set = new Set([id]);
  const digits = [...id.matchAll(/\d/g)].map((m) => /** @type {number} */ (m.index));
  const change = (/** @type {number} */ at, /** @type {string} */ to) => id.slice(0, at) + to + id.slice(at + 1);
  for (let i = 0; i + 1 < digits.length; i++) {
    const [a, b] = [digits[i], digits[i + 1]];
    const t = [...id];
    [t[a], t[b]] = [t[b], t[a]];
    set.add(t.join(""));
  }
  for (const at of digits.reverse()) for (const by of [1, 4, 8]) if (set.size < 4) set.add(change(at, String((Number(id[at]) + by) % 10)));
  for (let i = 2; set.size < 4; i++) set.add(id + "-" + i);
  return [...set].slice(0, 4).sort();
}
