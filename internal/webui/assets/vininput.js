// @ts-check
// A VIN as people type and paste it: spaces and hyphens are left out, and capitals made, where everybody sees it.

import { h } from "./dom.js";

/** @param {string} text */
export const typedVIN = (text) => text.replace(/[\s\u2010-\u2015\u2212-]/g, "").toUpperCase();

/** @param {string} was */
export function vinInput(was) {
  const input = /** @type {HTMLInputElement} */ (h("input", { type: "text", autocomplete: "off", spellcheck: "false", autocapitalize: "characters", maxlength: 40, value: was })), note = h("p", { class: "quiet", role: "status" });
  input.addEventListener("change", () => {
    const vin = typedVIN(input.value);
    note.textContent = vin.length < input.value.trim().length ? "Spaces and hyphens were left out." : "";
    input.value = vin;
    if (!note.isConnected) input.closest(".field")?.append(note);
  });
  return input;
}
