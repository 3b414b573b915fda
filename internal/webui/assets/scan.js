// @ts-check
// The scan of the car's control units, before the work and after it: pasted as people have it, or typed code by code. What
// of a paste was not understood is listed, line by line.

import { ask } from "./api.js";
import { h, put } from "./dom.js";
import { faults } from "./faults.js";

const hex = (/** @type {number | undefined} */ n) => (n === undefined ? "" : n.toString(16).toUpperCase().padStart(2, "0"));
const value = (/** @type {Element | null} */ e) => /** @type {HTMLInputElement} */ (e).value.trim();

/** How the newest scan after the work differs from the newest before it. @param {any} c */
export function comparison(c) {
  if (!c) return null;
  const list = (/** @type {string} */ name, /** @type {string} */ word, /** @type {any[]} */ codes) => h("li", { id: "codes-" + name }, h("b", null, `${word}: ${codes.length}`), codes.length > 0 && " ",
    codes.map((x, i) => [i ? ", " : "", h("b", { class: name === "gone" ? "" : "bay" }, x.code), x.untested && " (not tested again yet: no proof)"]));
  return h("section", { id: "comparison" }, h("h2", null, "Before and after the work"), h("ul", { class: "found" }, list("new", "New", c.new), list("still", "Still there", c.still), list("gone", "Gone", c.gone)));
}

/**
 * @param {any} job its state
 * @param {"before" | "after"} first what is likely meant
 * @param {(data: object) => Promise<any>} send
 */
export function scan(job, first, send) {
  const last = job?.scans?.at(-1);
  let when = first, pasted = false, taken = "", n = 0; // taken: what of the paste has been read
  const list = h("div", { class: "codes", id: "codes" }), unread = h("div", { id: "not-read" });
  /** Where each code of the last scan that was sent was typed. @type {Record<string, string>} */
  const places = {};
  const wrong = faults(() => form, places);
  wrong.rest.id = "scan-problem";
  const add = (/** @type {{code?: string, status?: number, meaning?: string, text?: string, status_names?: string[]}} */ c = {}) => {
    n += 1;
    const about = [c.text, c.meaning, c.status_names?.join(", ")].filter(Boolean).join("; ");
    const row = h("div", { class: "code", role: "group", "aria-label": "Code " + n },
      h("label", { class: "unseen", for: "code-" + n }, "Code " + n), h("input", { id: "code-" + n, name: "code", type: "text", maxlength: 8, value: c.code ?? "", placeholder: "B1F0E-54", autocomplete: "off", autocapitalize: "characters", spellcheck: "false" }),
      h("label", { class: "unseen", for: "status-" + n }, `Status byte of code ${n}, two hexadecimal digits`), h("input", { id: "status-" + n, name: "status", type: "text", maxlength: 2, class: "short", value: hex(c.status), placeholder: "status", autocomplete: "off" }),
      h("label", { class: "choice" }, h("input", { type: "checkbox", name: "blocks", id: "blocks-" + n }), h("span", null, "holds the routine back")), h("button", { type: "button", class: "plain", "aria-label": "Leave out code " + n, onclick: () => row.remove() }, "Leave out"), about && h("p", { class: "quiet about" }, about));
    list.append(row);
  };
  const segment = (/** @type {"before" | "after"} */ v, /** @type {string} */ text) => h("button", { type: "button", class: "segment", id: "scan-" + v, "aria-pressed": String(v === when), onclick: (/** @type {Event} */ e) => {
    when = v;
    const me = /** @type {Element} */ (e.currentTarget);
    for (const b of me.parentElement?.children ?? []) b.setAttribute("aria-pressed", String(b === me));
  } }, text);
  const paste = h("textarea", { id: "paste", rows: 4, spellcheck: "false", autocapitalize: "characters" });
  const read = async () => {
    const text = value(paste);
    if (!text) return paste.focus();
    await wrong.trying(async () => {
      const got = await ask("POST", "/v1/read-codes", { text });
      pasted = true;
      taken = text;
      put(list);
      got.codes.forEach(add);
      const lines = got.not_read.length;
      put(unread, h("p", { role: "status", id: "read" }, `${got.codes.length} codes read.`, got.incomplete && " The text was longer than is read: paste the rest apart."),
        lines > 0 && [h("p", { class: "problem" }, `${lines} ${lines === 1 ? "line was" : "lines were"} not understood:`), h("ul", null, got.not_read.map((/** @type {any} */ l) => h("li", null, h("b", null, `Line ${l.line}: `), l.text, h("span", { class: "quiet" }, " " + l.why))))]);
    });
  };
  const none = h("input", { type: "checkbox", id: "no-codes" });
  const form = h("form", { id: "scan", class: "scan", novalidate: true },
    h("h1", null, "Scan"), h("p", { class: "quiet" }, last ? `Last one: ${last.when} the work, ${last.codes.length} codes, ${last.codes.filter((/** @type {any} */ c) => c.blocking).length} hold the routine back.` : "None recorded yet. A leg needs one."),
    comparison(job?.comparison),
    h("div", { class: "segments", role: "group", "aria-label": "When" }, segment("before", "Before the work"), segment("after", "After the work")),
    h("label", { for: "paste" }, "Paste what the scan tool gave: codes, or the control unit's answer in bytes"), paste, h("button", { type: "button", id: "read-codes", class: "second", onclick: read }, "Read it"),
    unread, list, h("button", { type: "button", class: "plain", id: "add-code", onclick: () => add() }, "Add a code"), h("label", { class: "choice" }, none, h("span", null, "The scan found no code")), h("p", { class: "quiet" }, "What a code means, and whether it holds the routine back, stands in the service information."),
    wrong.rest, h("button", { type: "submit", class: "primary" }, "Record the scan"));
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    wrong.clear();
    // A scan without codes lets the routine start: nobody records one by leaving the form as it is.
    if (value(paste) !== taken) return wrong.at("paste", "What is pasted has not been read. Read it first.");
    const rows = [...list.children].map((row) => ({ code: value(row.querySelector("[name=code]")).toUpperCase(), status: value(row.querySelector("[name=status]")), at: row.querySelector("[name=code]")?.id ?? "", blocking: /** @type {HTMLInputElement} */ (row.querySelector("[name=blocks]")).checked })).filter((c) => c.code);
    if (!rows.length && !none.checked) return wrong.say("Enter the codes, or say that the scan found none.");
    if (rows.length && none.checked) return wrong.say("Codes are entered, and it is said that there are none. Which is right?");
    const odd = rows.find((c) => !/^([0-9A-F]{2})?$/i.test(c.status));
    if (odd) return wrong.at(odd.at.replace("code", "status"), `Status of ${odd.code}: two hexadecimal digits, or nothing.`);
    rows.forEach((c, i) => { places[`codes[${i}]`] = c.at; });
    const codes = rows.map(({ code, status, blocking }) => ({ code, blocking, ...(status && { status: parseInt(status, 16) }) }));
    await wrong.trying(() => send({ when, codes, source: pasted ? "pasted" : "typed" })); // and then this form is gone
  });
  return form;
}
