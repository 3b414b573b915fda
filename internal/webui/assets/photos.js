// @ts-check
// Photos of a calibration, at the bay and at the desk alike: one is taken or chosen, seen as the server keeps it, said what
// it shows, and attached; those there are can be looked at and drawn on. What is begun here stays while the room is left.

import { fetched, newId, Refused } from "./api.js";
import { field, h, place, put, select } from "./dom.js";
import { board } from "./marking.js";
import { timeOfDay } from "./format.js";
import { about, asks, picture, takesPart, who } from "./picture.js";

/** @typedef {import("./watch.js").Watch} Watch */
/** @typedef {import("./picture.js").Of} Of */

export { thumbs } from "./picture.js";

/** What was taken and is not attached yet, and what is looked at, by calibration. @type {Map<string, {photo: any, of: string, caption: string, looking: string}>} */
const begun = new Map();
/** @param {Watch} w */
function mine(w) {
  let b = begun.get(w.ref.id);
  if (!b) begun.set(w.ref.id, (b = { photo: null, of: "", caption: "", looking: "" }));
  return b;
}

/** What a photo can be of, as value and text. @param {Watch} w @returns {[string, string][]} */
function subjects(w) {
  const s = w.state, entries = [...new Set(s.place.stands.map((/** @type {any} */ r) => r.entry))];
  return [...s.gates.map((/** @type {any} */ g) => ({ gate: g.gate })), ...s.steps.map((/** @type {any} */ x) => ({ step: x.number })).reverse(), ...entries.map((reading) => ({ reading }))]
    .map((of) => [JSON.stringify(of), about(w, of)]);
}

/** What is likely meant when nobody said: the step under way, a gate that waits for a photo, the readings. @param {Watch} w */
function likely(w) {
  const s = w.state, step = s.steps.at(-1), gate = s.gates.find((/** @type {any} */ g) => g.demands === "photographed" && (!g.met || g.ran_out));
  if (step && !["done", "withdrawn"].includes(step.state)) return { step: step.number };
  return gate ? { gate: gate.gate } : s.place.stands.length ? { reading: s.place.stands.at(-1).entry } : { gate: s.gates[0]?.gate };
}

/** How long a photo may take: the server reads no request for longer. */
const SENDING_MS = 60_000;

/** Sends the file as it is. @param {Watch} w @param {File} file @returns {Promise<any>} the photo as the server keeps it */
async function send(w, file) {
  const [res, answer] = await fetched(`/v1/calibrations/${w.ref.id}/photos`, { method: "POST", headers: { "Content-Type": file.type || "application/octet-stream" }, body: file },
    async (r) => [r, await r.json().catch(() => ({ detail: `The server answered ${r.status}.` }))], SENDING_MS)
    .catch(() => { throw new Refused({ detail: "The photo did not get through. Choose it again when there is a link." }); });
  if (!res.ok) throw new Refused(answer);
  return answer;
}

/**
 * The room. Whoever opens it for something says for what (aim); done is called once a photo of that is attached. looking is the
 * photo to look at first, and leave leads out where nothing around the room does.
 * @param {Watch} w @param {{aim?: Of, done?: () => void, looking?: string, leave?: () => void}} [by]
 */
export function room(w, { aim, done, looking, leave } = {}) {
  const b = mine(w), box = h("section", { class: "scroll photos", "aria-labelledby": "photos-title" });
  const problem = h("p", { class: "problem", role: "alert", id: "photo-problem" }), said = h("p", { class: "quiet", role: "status", id: "photo-said" });
  const taking = h("div"), shown = h("div"), take = place(taking), show = place(shown);
  const title = h("h1", { id: "photos-title" }, "Photos");
  let sending = "";
  if (aim) Object.assign(b, { of: JSON.stringify(aim), looking: "" });
  if (looking) b.looking = looking;

  /** @param {Event} e */
  const chosen = async (e) => {
    const input = /** @type {HTMLInputElement} */ (e.target), file = input.files?.[0];
    if (!file || sending) return;
    put(problem);
    put(said, `Sending ${file.name}`);
    sending = newId();
    draw();
    try {
      Object.assign(b, { photo: await send(w, file), caption: "" });
      put(said, "This is how it is kept. Say what it shows, then attach it.");
    } catch (e2) {
      put(said);
      put(problem, e2 instanceof Refused ? e2.text() : String(e2));
    }
    sending = "";
    draw();
  };
  /** Gives commands one after the other and says why one is refused. @param {[string, object][]} commands */
  const give = async (...commands) => {
    put(problem);
    try {
      for (const [type, data] of commands) await w.command(type, data);
      return true;
    } catch (e) {
      if (!(e instanceof Refused)) throw e;
      put(problem, e.text());
      return false;
    }
  };
  /** @param {boolean} met and the gate is met with it */
  const attach = async (met) => {
    const { photo, sha256, width_px, height_px } = b.photo, of = JSON.parse(b.of), caption = b.caption.trim();
    const attached = await give(["attach-photo", { photo, sha256, width_px, height_px, of, ...(caption && { caption }) }]);
    if (!attached) return;
    Object.assign(b, { photo: null, caption: "" });
    put(said, "Attached. " + about(w, of));
    draw();
    if (met && !(await give(["record-gate", { gate: of.gate, met: true, evidence: "photographed" }]))) return;
    if (aim) done?.();
  };

  const pick = (/** @type {string} */ id, /** @type {string} */ text, /** @type {object} */ more) => h("label", { class: "second pick" }, h("input", { type: "file", id, class: "unseen", accept: "image/jpeg,image/png", onchange: chosen, ...more }), h("span", null, text));
  const draft = () => {
    const options = subjects(w);
    if (!options.some(([v]) => v === b.of)) b.of = JSON.stringify(likely(w));
    const what = select(options, b.of), caption = h("input", { type: "text", maxlength: 2000, autocomplete: "off", value: b.caption, oninput: (/** @type {Event} */ e) => { b.caption = /** @type {HTMLInputElement} */ (e.target).value; } });
    const meet = h("button", { type: "button", id: "attach-met", class: "primary", onclick: () => attach(true) }, "Attach: the gate is met");
    const attachKey = h("button", { type: "button", id: "attach", onclick: () => attach(false) }, "Attach");
    const fit = () => {
      const g = w.state.gates.find((/** @type {any} */ one) => one.gate === JSON.parse(b.of).gate);
      meet.hidden = g?.demands !== "photographed" || Boolean(g.figure) || w.relation !== "own";
      attachKey.className = meet.hidden ? "primary" : "second";
    };
    what.addEventListener("change", () => { b.of = /** @type {HTMLSelectElement} */ (what).value; fit(); });
    fit();
    return h("div", { class: "draft" }, picture(w, b.photo, "draft", "The photo as it is kept, not attached yet"),
      h("div", { class: "draft-form" }, field("photo-of", "What it shows", what), field("photo-caption", "Caption, if any", caption)),
      h("div", { class: "draft-keys" }, meet, attachKey,
        h("button", { type: "button", id: "leave-photo", class: "second", onclick: () => { b.photo = null; put(said); draw(); } }, "Not this one")));
  };
  const list = () => {
    const all = [...(w.state.photos ?? [])].reverse();
    if (!all.length) return h("p", { class: "quiet then" }, "No photo is attached yet.");
    return h("ul", { class: "photo-list" }, all.map((p) => h("li", null, h("button", { type: "button", id: "look-" + p.number, onclick: () => { b.looking = p.photo; put(said); draw(); } }, picture(w, p, "list", ""),
      h("span", null, h("b", null, `Photo ${p.number}`), h("span", null, about(w, p.of)), asks(w, p.of) && h("span", { class: "quiet" }, asks(w, p.of)), p.caption && h("span", { class: "quiet" }, w.sealed(p.caption)), h("span", { class: "quiet" }, `${who(p.role)}, ${timeOfDay(Date.parse(p.at))}${p.marks.length ? `, ${p.marks.length} ${p.marks.length === 1 ? "mark" : "marks"}` : ""}`))))));
  };
  /** @type {{id: string, box: HTMLElement, update: () => void} | null} */
  let open = null;
  const draw = () => {
    const p = w.state.photos.find((/** @type {any} */ one) => one.photo === b.looking);
    title.classList.toggle("unseen", Boolean(p));
    taking.hidden = Boolean(p) || !takesPart(w);
    take.show([b.photo?.photo, sending, b.of === ""], () => (sending ? h("p", { class: "then" }, "Sending the photo") : b.photo ? draft() : h("div", { class: "picks" }, pick("take-photo", "Take a photo", { capture: "environment" }), pick("choose-photo", "Choose a photo", {}))));
    if (p) {
      if (open?.id !== p.photo) open = { id: p.photo, ...board(w, p, { give, back: () => { b.looking = ""; draw(); } }) };
      open.update();
    } else open = null;
    show.show(p ? ["board", p.photo] : ["list", w.seq], () => (p ? open?.box : list()));
  };
  const changed = () => (box.isConnected ? draw() : w.removeEventListener("change", changed));
  w.addEventListener("change", changed);
  draw();
  put(box, h("div", { class: "photos-head" }, title, leave && h("button", { type: "button", id: "leave-photos", class: "second", onclick: leave }, h("kbd", null, "Esc"), " Leave")), problem, said, taking, shown);
  return box;
}

/** Has a photo looked at when the room is opened next. @param {Watch} w @param {string} id */
export const look = (w, id) => { mine(w).looking = id; };

/**
 * Tells of what the other side does with photos, unless the room is open.
 * @param {Watch} w @param {number} seen the last entry that is no news @param {string} role of who watches @param {(text: any) => void} notice @param {() => void} open
 */
export function follow(w, seen, role, notice, open) {
  const tell = () => {
    const come = w.entries.filter((e) => e.seq > seen && e.seq <= w.seq); // an entry may come after the state that has it, or before
    seen = come.at(-1)?.seq ?? seen;
    const news = come.filter((e) => e.role !== role && e.type.startsWith("photo-")).at(-1);
    const p = news && w.state.photos.find((/** @type {any} */ one) => one.photo === news.body.command.data.photo);
    if (!p || !takesPart(w) || document.querySelector(".photos")?.checkVisibility()) return;
    notice([role === "specialist" ? w.name() + ": " : "", `${who(news.role)} ${news.type === "photo-marked" ? "drew on" : "attached"} photo ${p.number}. `, h("button", { type: "button", id: "see-photo", class: "plain", onclick: () => { notice(""); look(w, p.photo); open(); } }, "See it")]);
  };
  w.addEventListener("change", tell);
  tell();
  return null;
}
