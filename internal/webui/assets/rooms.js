// @ts-check
// What the owners' rooms have in common: who looks, the way from one to the next, the register with its commands, and how a
// refusal is told.
import { command, get, Refused, signOut } from "./api.js";
import { byId, h, put, theme } from "./dom.js";

/** @param {unknown} e */
export const said = (e) => (e instanceof Refused ? e.text() : e instanceof Error ? e.message : "That did not work.");

/** The organisation's register as it was read last, and the commands to it. */
export class Register {
  /** @param {any} me @param {any} view */
  constructor(me, view) {
    this.me = me;
    this.view = view;
  }
  get state() { return this.view.state; }
  async load() { this.view = await get("/v1/registers/" + this.me.org); }
  /** @param {string} type @param {object} data */
  command(type, data) { return command("registers", this.me.org, this.view.seq, type, data); }
}

/**
 * Opens a room for owners, or for anyone of the organisation: what show gives fills the page.
 * @param {(register: Register) => Promise<void>} show @param {boolean} [anyone]
 */
export async function room(show, anyone = false) {
  theme();
  byId("sign-out").addEventListener("click", signOut);
  try {
    const me = await get("/v1/me");
    const owner = me.roles.includes("owner");
    if (!owner && !anyone) throw new Error("Owners let people in and keep the register. Ask one of yours.");
    const register = new Register(me, null);
    await register.load();
    byId("who").textContent = register.state.organisation.name;
    for (const a of byId("rooms").querySelectorAll("a")) {
      a.hidden = a.classList.contains("of-shop") && register.state.organisation.sort !== "shop";
      if (a.pathname === location.pathname) a.setAttribute("aria-current", "page");
    }
    byId("rooms").hidden = !owner;
    await show(register);
  } catch (e) {
    put(byId("main"), h("p", { class: "problem", role: "alert" }, said(e)));
  }
}

/**
 * Gives what does something and then shows how things are now; a refusal is told in its place.
 * @param {HTMLElement} trouble @param {() => Promise<void>} look
 */
export const acting = (trouble, look) => async (/** @type {() => Promise<unknown>} */ what) => {
  trouble.textContent = "";
  /** @type {unknown[]} */
  const failed = [];
  const note = (/** @type {unknown} */ e) => void failed.push(e);
  await what().catch(note);
  await look().catch(note); // first how things are, then what was refused: who reads that may type at once
  if (!failed.length) return;
  trouble.textContent ||= said(failed[0]);
  trouble.scrollIntoView({ block: "nearest" });
};

/** Something that is shown this once, to be handed on. @param {string} id @param {string} label @param {string} text @param {string} about */
export function once(id, label, text, about) {
  const shown = /** @type {HTMLInputElement} */ (h("input", { type: "text", readonly: true, value: text, id, "aria-label": label, onfocus: () => shown.select() }));
  const copied = h("span", { role: "status" });
  const copy = async () => {
    shown.select();
    // Without a secure context there is no clipboard; what is selected can be copied by hand.
    copied.textContent = await navigator.clipboard?.writeText(text).then(() => "Copied.", () => "Copy what is marked.") ?? "Copy what is marked.";
  };
  return h("div", { class: "under link-box" }, h("p", null, about), shown, h("div", { class: "keys" }, h("button", { type: "button", class: "second", id: "copy-" + id, onclick: copy }, "Copy"), copied));
}
