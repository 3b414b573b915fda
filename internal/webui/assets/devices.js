// @ts-check
// A shop's devices, for its owners: vehicle interfaces, which announce cars, and instrument gateways, which show what a bay's
// instruments read. Each is added, given a token that is shown this once, taken out of use.
import { ask, newId } from "./api.js";
import { field, h, put } from "./dom.js";
import { hold } from "./hold.js";
import { acting, once } from "./rooms.js";

/** @typedef {{id: string, name: string, bay?: string, instruments?: string[], active: boolean}} Device */
/** @typedef {{id: string, title: string, about: string, out: string, warning: string, is: (d: Device) => boolean, list: Element, trouble: HTMLElement, act: (what: () => Promise<unknown>) => Promise<void>}} Sort */

/** @param {string} id @param {string} title @param {string} about @param {string} out @param {string} warning @param {(d: Device) => boolean} is @returns {Sort} */
function sort(id, title, about, out, warning, is) {
  const trouble = h("p", { id: id + "-problem", class: "problem", role: "alert" });
  return { id, title, about, out, warning, is, trouble, list: h("div", { class: "rows" }), act: acting(trouble, async () => {
    await register.load();
    draw();
  }) };
}

const reader = sort("reader", "Vehicle interfaces",
  "Plugged into a car, one of these says by itself which car it is. The car then waits in the bay's list, or is held against the job that its technician tied it to.",
  "Out of use: announces nothing.", "announces cars in this shop's name", (d) => !d.instruments);
const gauges = sort("gauges", "Instrument gateways",
  "A box that reads a bay's instruments shows both sides what they read while the fixture is nudged, in the calibration that is being placed in its bay. It reports nothing: the technician does.",
  "Out of use: shows nothing.", "shows readings in this bay", (d) => !!d.instruments);
const sorts = [reader, gauges];

/** @type {import("./rooms.js").Register} */
let register;
/** The token that was made last, of the device. @type {{id: string, box: Element} | null} */
let made = null;

/** @param {import("./rooms.js").Register} r */
export function sections(r) {
  register = r;
  draw();
  return sorts.map((s) => h("section", { "aria-labelledby": s.id }, h("h1", { id: s.id }, s.title), h("p", { class: "quiet" }, s.about),
    s.trouble, s.list, newcomer(s)));
}

function draw() {
  const all = /** @type {Device[]} */ (Object.entries(register.state.interfaces ?? {}).map(([id, i]) => ({ id, .../** @type {any} */ (i) })));
  all.sort((a, b) => Number(b.active) - Number(a.active) || a.name.localeCompare(b.name));
  for (const s of sorts) put(s.list, all.filter(s.is).map((d) => row(s, d)));
}

/** @param {Sort} s @param {Device} i */
function row(s, i) {
  const named = "interface-" + i.id, bay = i.bay && register.state.bays?.[i.bay]?.name;
  const reads = (i.instruments ?? []).map((x) => register.state.instruments?.[x]?.name).filter(Boolean).join(", ");
  return h("article", { class: "row person", "aria-labelledby": named },
    h("b", { id: named }, i.name), h("span", null, [bay, reads].filter(Boolean).join(": ")), h("span", { class: "quiet" }, i.active ? "In use." : s.out),
    i.active && h("div", { class: "keys" },
      hold({ id: "token-" + i.id, class: "second" }, "New token: hold", () => s.act(async () => token(s, i, (await ask("POST", `/v1/interfaces/${i.id}/token`)).token))),
      hold({ id: "retire-" + i.id, class: "second" }, "Take out of use: hold", () => s.act(() => register.command("retire", { kind: "interface", id: i.id })))),
    i.active && made?.id === i.id && made.box);
}

/** Shows a token, this once. @param {Sort} s @param {Device} i @param {string} text */
function token(s, i, text) {
  made = { id: i.id, box: once("token", "Token of " + i.name, text,
    `Put this token into ${i.name} and nowhere else: whoever has it ${s.warning}. It is shown this once; the one before is void from now on.`) };
}

/** The things of a kind that are in use, by name. @param {any} all @returns {[string, string][]} */
const inUse = (all) => /** @type {[string, any][]} */ (Object.entries(all ?? {})).filter(([, x]) => x.active).map(([id, x]) => /** @type {[string, string]} */ ([id, x.name])).sort((a, b) => a[1].localeCompare(b[1]));

/** The form for another one. @param {Sort} s */
function newcomer(s) {
  let id = newId(); // kept over a failed try, so that trying again adds none twice
  const reads = s === gauges;
  const bay = h("select", { name: "bay", required: reads }, h("option", { value: "" }, reads ? "choose" : "none"), inUse(register.state.bays).map(([b, name]) => h("option", { value: b }, name)));
  const form = /** @type {HTMLFormElement} */ (h("form", { id: "new-" + s.id }, h("h2", null, "Another one"),
    field(s.id + "-name", "Name", h("input", { type: "text", name: "name", maxlength: 60, autocomplete: "off", required: true })),
    field(s.id + "-bay", reads ? "Bay" : "Bay, if it stays in one", bay),
    reads && h("fieldset", { id: "gauges-reads" }, h("legend", null, "It reads"), inUse(register.state.instruments).map(([i, name]) =>
      h("label", { class: "choice" }, h("input", { type: "checkbox", name: "instruments", value: i, id: "reads-" + i }), h("span", null, name)))),
    h("button", { type: "submit", class: "second" }, "Add")));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    const said = new FormData(form), bay = String(said.get("bay")), instruments = said.getAll("instruments");
    if (reads && !instruments.length) return void (s.trouble.textContent = "Say which instruments it reads: at least one.");
    s.act(async () => {
      await register.command("add-interface", { id, name: String(said.get("name")).trim(), ...(bay && { bay }), ...(reads && { instruments }) });
      id = newId();
      form.reset();
    });
  });
  return form;
}
