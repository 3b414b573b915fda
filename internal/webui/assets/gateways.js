// @ts-check
// A shop's vehicle interfaces, for its owners: added, given a token that is shown this once, taken out of use.
import { ask, command, get, newId, Refused } from "./api.js";
import { field, h, put } from "./dom.js";
import { hold } from "./hold.js";

const list = h("div", { class: "rows" }), trouble = h("p", { id: "gateway-problem", class: "problem", role: "alert" });
/** @type {any} */
let register = null;
let org = "";
/** The token that was made last, of the interface. @type {{id: string, box: Element} | null} */
let made = null;

/** @param {string} shop */
export async function section(shop) {
  org = shop;
  await load();
  return h("section", { "aria-labelledby": "gateways" }, h("h1", { id: "gateways" }, "Vehicle interfaces"),
    h("p", { class: "quiet" }, "Plugged into a car, one of these says by itself which car it is. The car then waits in the bay's list, or is held against the job that its technician tied it to."),
    trouble, list, newcomer());
}

async function load() {
  register = await get("/v1/registers/" + org);
  const all = Object.entries(register.state.interfaces ?? {}).map(([id, i]) => ({ id, .../** @type {any} */ (i) }));
  put(list, all.sort((a, b) => Number(b.active) - Number(a.active) || a.name.localeCompare(b.name)).map(row));
}

/** Does something, then shows how things are now; a refusal is told. @param {() => Promise<void>} what */
async function act(what) {
  trouble.textContent = "";
  const tell = (/** @type {unknown} */ e) => void (trouble.textContent ||= e instanceof Refused ? e.text() : "There is no link to the server. Try again.");
  await what().catch(tell);
  await load().catch(tell);
}

/** @param {{id: string, name: string, bay?: string, active: boolean}} i */
function row(i) {
  const named = "interface-" + i.id, bay = i.bay && register.state.bays?.[i.bay]?.name;
  return h("article", { class: "row person", "aria-labelledby": named },
    h("b", { id: named }, i.name), h("span", null, bay ?? ""), h("span", { class: "quiet" }, i.active ? "In use." : "Out of use: announces nothing."),
    i.active && h("div", { class: "keys" },
      hold({ id: "token-" + i.id, class: "second" }, "New token: hold", () => act(async () => token(i, (await ask("POST", `/v1/interfaces/${i.id}/token`)).token))),
      hold({ id: "retire-" + i.id, class: "second" }, "Take out of use: hold", () => act(async () => void (await command("registers", org, register.seq, "retire", { kind: "interface", id: i.id }))))),
    i.active && made?.id === i.id && made.box);
}

/** Shows a token, this once. @param {{id: string, name: string}} i @param {string} text */
function token(i, text) {
  const shown = /** @type {HTMLInputElement} */ (h("input", { type: "text", readonly: true, value: text, id: "token", "aria-label": "Token of " + i.name, onfocus: () => shown.select() }));
  const copied = h("span", { role: "status" });
  const copy = async () => {
    shown.select();
    // Without a secure context there is no clipboard; what is selected can be copied by hand.
    copied.textContent = await navigator.clipboard?.writeText(text).then(() => "Copied.", () => "Copy what is marked.") ?? "Copy what is marked.";
  };
  made = { id: i.id, box: h("div", { class: "under link-box" },
    h("p", null, `Put this token into ${i.name} and nowhere else: whoever has it announces cars in this shop's name. It is shown this once; the one before is void from now on.`),
    shown, h("div", { class: "keys" }, h("button", { type: "button", class: "second", id: "copy-token", onclick: copy }, "Copy"), copied)) };
}

/** The form for another one. */
function newcomer() {
  let id = newId(); // kept over a failed try, so that trying again adds none twice
  const bays = Object.entries(register.state.bays ?? {}).filter(([, b]) => /** @type {any} */ (b).active);
  const form = /** @type {HTMLFormElement} */ (h("form", { id: "new-gateway" }, h("h2", { id: "another" }, "Another one"),
    field("gateway-name", "Name", h("input", { type: "text", name: "name", maxlength: 60, autocomplete: "off", required: true })),
    field("gateway-bay", "Bay, if it stays in one", h("select", { name: "bay" }, h("option", { value: "" }, "none"), bays.map(([b, v]) => h("option", { value: b }, /** @type {any} */ (v).name)))),
    h("button", { type: "submit", class: "second" }, "Add")));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const said = new FormData(form), bay = String(said.get("bay"));
    act(async () => {
      await command("registers", org, register.seq, "add-interface", { id, name: String(said.get("name")).trim(), ...(bay && { bay }) });
      id = newId();
      form.reset();
    });
  });
  return form;
}
