// @ts-check
// How a condition of car and bay stands, as state and as word.

/** @param {any} g */
export function gateState(g) {
  if (g.waived) return "waived";
  if (g.met || (g.grade === "recorded" && g.answered)) return "met";
  return g.answered ? "not" : "open";
}

/** @param {any} g */
export const gateWord = (g) => ({ waived: "let pass by the desk", met: g.grade === "recorded" ? "noted" : "met", not: "not met", open: "not answered" })[gateState(g)];
