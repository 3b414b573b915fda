// @ts-check
// What is wrong, said beneath the field that it is about, with the focus there. The server names a field by its path in the
// command: a form says once which of its own each is, and bounds come back in the unit in which they are typed.

import { Refused } from "./api.js";
import { h } from "./dom.js";
import { amountText } from "./gatestate.js";

/** What was wanted instead, as a sentence in the form's units. @param {string} path of the server @param {string} want */
function sentence(path, want) {
  const unit = /_(um|udeg|km)$/.exec(path)?.[1];
  const text = unit ? want.replace(/a whole number from (-?\d+) to (-?\d+)/, (_, low, high) => `from ${amountText(Number(low), unit)} to ${amountText(Number(high), unit)}`) : want;
  return text.charAt(0).toUpperCase() + text.slice(1) + (/[.?!]$/.test(text) ? "" : ".");
}

/**
 * The faults of one form. What is about no field of it stands in rest, which belongs beside the form's main button.
 * @param {() => Element} form
 * @param {Record<string, string>} [places] the id of a control, by the server's path or what it begins with
 */
export function faults(form, places = {}) {
  const rest = h("p", { class: "problem rest", role: "alert" });
  const clear = () => {
    rest.textContent = "";
    form().querySelectorAll(".fault").forEach((e) => e.remove());
    for (const e of form().querySelectorAll("[aria-invalid]")) for (const name of ["aria-invalid", "aria-describedby"]) e.removeAttribute(name);
  };
  const say = (/** @type {string} */ text) => {
    rest.textContent = text;
    rest.scrollIntoView({ block: "nearest" });
  };
  /** @param {string} id of the control @param {string} text */
  const at = (id, text) => {
    const control = /** @type {HTMLElement | null} */ (form().querySelector("#" + CSS.escape(id)));
    if (!control) return say(text);
    const first = !form().querySelector(".fault");
    (control.closest(".field") ?? control.parentElement ?? form()).append(h("p", { class: "problem fault", id: "fault-" + id, role: "alert" }, text));
    control.setAttribute("aria-invalid", "true");
    control.setAttribute("aria-describedby", "fault-" + id);
    if (!first) return;
    control.focus({ preventScroll: true });
    (control.closest(".field") ?? control).scrollIntoView({ block: "nearest" });
  };
  /** @param {unknown} e what came instead of an answer */
  const tell = (e) => {
    if (!(e instanceof Refused)) return say(e instanceof Error ? e.message : String(e));
    const placed = e.fields.map((f) => {
      const path = f.field.replace(/^data\./, "");
      return { text: sentence(path, f.want), id: Object.entries(places).find(([p]) => path === p || path.startsWith(p + ".") || path.startsWith(p + "["))?.[1] };
    });
    if (!placed.length || placed.some((p) => !p.id)) return say(e.text());
    for (const { id, text } of placed) at(id ?? "", text);
  };
  /** Does something; what is refused is told. Gives whether it was done. @param {() => Promise<unknown>} what */
  const trying = async (what) => {
    clear();
    try {
      await what();
      return true;
    } catch (e) {
      tell(e);
      return false;
    }
  };
  return { rest, clear, at, say, tell, trying };
}
