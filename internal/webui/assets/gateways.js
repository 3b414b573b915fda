// @ts-check
// A shop's vehicle interfaces, for its owners: added, given a token that is shown this once, taken out of use.
import { ask, newId } from "./api.js";
import { field, h, put } from "./dom.js";
import { hold } from "./hold.js";
import { acting, once } from "./rooms.js";

const list = h("div", { class: "rows" }), trouble = h("p", { id: "gateway-problem", class: "problem", role: "alert" });
/** @type {import("./rooms.js").Register} */
let register;
/** The token that was made last, of the interface. @type {{id: string, box: Element} | null} */
let made = null;

/** @param {import("./rooms.js").Register} r */
export function section(r) {
  register = r;
  draw();
  return h("section", { "aria-labelledby": "gateways" }, h("h1", { id: "gateways" }, "Vehicle interfaces"),
    h("p", { class: "quiet" }, "Plugged into a car, one of these says by itself which car it is. The car then waits in the bay's list, or is held against the job that its technician tied it to."),
    trouble, list, newcomer());
}

/** Does something, then shows how things are now; a refusal is told. */
const act = acting(trouble, async () => {
  await register.load();
  draw();
});

function draw() {
  const all = Object.entries(register.state.interfaces ?? {}).map(([id, i]) => ({ id, .../** @type {any} */ (i) }));
  put(list, all.sort((a, b) => Number(b.active) - Number(a.active) || a.name.localeCompare(b.name)).map(row));
}

/** @param {{id: string, name: string, bay?: string, active: boolean}} i */
function row(i) {
  const named = "interface-" + i.id, bay = i.bay && register.state.bays?.[i.bay]?.name;
  return h("article", { class: "row person", "aria-labelledby": named },
    h("b", { id: named }, i.name), h("span", null, bay ?? ""), h("span", { class: "quiet" }, i.active ? "In use." : "Out of use: announces nothing."),
    i.active && h("div", { class: "keys" },
      hold({ id: "token-" + i.id, class: "second" }, "New token: hold", () => act(async () => token(i, (await ask("POST", `/v1/interfaces/${i.id}/token`)).token))),
      hold({ id: "retire-" + i.id, class: "second" }, "Take out of use: hold", () => act(() => register.command("retire", { kind: "interface", id: i.id })))),
    i.active && made?.id === i.id && made.box);
}

/** Shows a token, this once. @param {{id: string, name: string}} i @param {string} text */
function token(i, text) {
  made = { id: i.id, box: once("token", "Token of " + i.name, text,
    `Put this token into ${i.name} and nowhere else: whoever has it announces cars in this shop's name. It is shown this once; the one before is void from now on.`) };
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
      await register.command("add-interface", { id, name: String(said.get("name")).trim(), ...(bay && { bay }) });
      id = newId();
      form.reset();
    });
  });
  return form;
}
