// @ts-check
// A button that counts only after it was held: for words that cannot be taken back.

import { h } from "./dom.js";

const HOLD_MS = 1200;

/**
 * @param {{id: string, class?: string}} props
 * @param {import("./dom.js").Child} inside
 * @param {() => void} act
 */
export function hold(props, inside, act) {
  /** @type {Animation | null} */
  let filling = null;
  const bar = h("span", { class: "fill", "aria-hidden": "true" });
  const button = h("button", { type: "button", ...props, class: "hold " + (props.class ?? "") }, bar, h("span", { class: "inside" }, inside));
  const begin = () => {
    if (filling) return;
    filling = bar.animate([{ transform: "scaleX(0)" }, { transform: "scaleX(1)" }], { duration: HOLD_MS, fill: "forwards" });
    filling.onfinish = () => { end(); act(); };
  };
  const end = () => {
    filling?.cancel();
    filling = null;
  };
  button.addEventListener("pointerdown", (e) => { if (e.button === 0) begin(); });
  for (const name of ["pointerup", "pointerleave", "pointercancel", "blur"]) button.addEventListener(name, end);
  button.addEventListener("keydown", (e) => { if (e.key === " " || e.key === "Enter") { e.preventDefault(); begin(); } });
  button.addEventListener("keyup", end);
  button.addEventListener("contextmenu", (e) => e.preventDefault());
  // Assistive technology presses without a pointer or a key: such a press is taken as meant.
  button.addEventListener("click", (e) => { if (e.detail === 0 && !filling && e.isTrusted && !button.matches(":active")) act(); });
  return button;
}
