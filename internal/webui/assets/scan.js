// @ts-check
// The scan of the car's control units, before the work and after it.

import { Refused } from "./api.js";
import { byId, h } from "./dom.js";

/**
 * @param {import("./watch.js").Watch} w
 * @param {(data: object) => Promise<any>} send
 */
export function scan(w, send) {
  const last = w.job?.scans?.[w.job.scans.length - 1];
  let when = w.state.attempts.length ? "after" : "before";
  const list = h("div", { class: "codes" });
  const add = () => {
    const n = list.children.length + 1;
    list.append(h("div", { class: "code", role: "group", "aria-label": "Code " + n },
      h("label", { class: "unseen", for: "code-" + n }, "Code " + n), h("input", { id: "code-" + n, type: "text", maxlength: 8, placeholder: "B1F0E-54", autocomplete: "off", autocapitalize: "characters", spellcheck: "false" }),
      h("label", { class: "unseen", for: "status-" + n }, "Status byte of code " + n), h("input", { id: "status-" + n, type: "text", inputmode: "numeric", class: "short", value: "8" }),
      h("label", { class: "choice" }, h("input", { type: "checkbox", id: "blocks-" + n }), h("span", null, "holds the routine back"))));
  };
  const segment = (/** @type {string} */ v, /** @type {string} */ text) => h("button", { type: "button", class: "segment", "aria-pressed": String(v === when), onclick: (/** @type {Event} */ e) => {
    when = v;
    const me = /** @type {Element} */ (e.currentTarget);
    for (const b of me.parentElement?.children ?? []) b.setAttribute("aria-pressed", String(b === me));
  } }, text);
  const form = h("form", { id: "scan", class: "scan", novalidate: true },
    h("h1", null, "Scan"), h("p", { class: "quiet" }, last ? `Last one: ${last.when} the work, ${last.codes.length} codes, ${last.codes.filter((/** @type {any} */ c) => c.blocking).length} hold the routine back.` : "None recorded yet. A leg needs one."),
    h("div", { class: "segments", role: "group", "aria-label": "When" }, segment("before", "Before the work"), segment("after", "After the work")),
    list, h("button", { type: "button", class: "plain", onclick: add }, "Add a code"),
    h("p", { id: "scan-problem", class: "problem", role: "alert" }),
    h("button", { type: "submit", class: "primary" }, "Record the scan"));
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id));
    const codes = [...list.children].map((_, i) => ({ code: value(`code-${i + 1}`).value.trim().toUpperCase(), status: Number(value(`status-${i + 1}`).value), blocking: value(`blocks-${i + 1}`).checked })).filter((c) => c.code);
    try {
      await send({ when, codes, source: "typed" }); // and then this form is gone
    } catch (err) {
      byId("scan-problem").textContent = err instanceof Refused ? err.text() : String(err);
    }
  });
  return form;
}
