// @ts-check
// What the organisation works by, for its owners: procedures in force, whose, from which source; a shop's agreements with
// desks; a desk's opening hours.
import { get } from "./api.js";
import { byId, field, h, part, place, put } from "./dom.js";
import { dayText } from "./due.js";
import { hold } from "./hold.js";
import { acting, once, room } from "./rooms.js";
import { sensor } from "./words.js";

const pasting = part(() => import("./paste.js")), opening = part(() => import("./hours.js"));
const trouble = h("p", { id: "problem", class: "problem", role: "alert" });
const methods = h("section", { "aria-labelledby": "procedures" }), second = h("section", { "aria-labelledby": "second" });
const shown = { methods: place(methods), second: place(second) };
/** @type {import("./rooms.js").Register} */
let register;
/** Procedures that may be worked by now, the desks' too. @type {any[]} */
let usable = [];
const isShop = () => register.state.organisation.sort === "shop";

room(async (r) => {
  register = r;
  put(byId("main"), trouble, h("div", { class: "column" }, methods, second));
  await look();
});

async function load() {
  await register.load();
  await look();
}
async function look() {
  usable = (await get("/v1/procedures")).procedures;
  const s = register.state;
  shown.methods.show([s.procedures, usable], procedures);
  shown.second.show([s.agreements, s.hours, usable.length], isShop() ? agreements : hours);
}
const act = acting(trouble, load);

/** @param {any} source */
const from = (source) => `From: ${source.title}, ${dayText(source.dated)}, version ${source.version}.`;

function procedures() {
  const own = Object.entries(register.state.procedures ?? {}).sort((a, b) => a[1].procedure.title.localeCompare(b[1].procedure.title)), used = own.filter(([, p]) => p.active), gone = own.filter(([, p]) => !p.active);
  const others = usable.filter((m) => m.register !== register.me.org);
  return [h("h1", { id: "procedures" }, "Procedures"),
    used.length ? h("div", { class: "rows" }, used.map(([id, p]) => method(id, p))) : h("p", { class: "quiet" }, "None of your own is in use."),
    pasted ??= pasting.show((m) => m.paste(register, "procedure", (title) => Object.entries(register.state.procedures ?? {}).find(([, p]) => p.active && p.procedure.title === title)?.[0] ?? null, load)),
    gone.length > 0 && h("details", { id: "gone-procedures" }, h("summary", null, `Retired: ${gone.length}`), h("div", { class: "rows" }, gone.map(([id, p]) => method(id, p)))),
    isShop() && [h("h2", null, "Of your desks"), others.length ? h("div", { class: "rows" }, others.map((m) => h("article", { class: "row person" }, h("b", null, m.title), h("span", { class: "quiet" }, `Version ${m.version}`), h("span", { class: "quiet" }, `${m.organisation}. ${sensor(m.sensor)}. ${from(m.source)}`)))) : h("p", { class: "quiet" }, "No desk of yours has one in use.")]];
}
/** The form stays as it is typed. @type {any} */
let pasted;

/** @param {string} id @param {any} p */
function method(id, p) {
  const d = p.procedure;
  return h("article", { class: "row person", id: "procedure-" + id }, h("b", null, d.title), h("span", { class: "quiet" }, p.active ? `Version ${p.version}, in use` : "Retired"),
    h("span", { class: "quiet" }, `${sensor(d.sensor)}, ${(d.gates ?? []).length} gates. ${from(d.source)}`),
    p.active && h("div", { class: "keys" }, hold({ id: "retire-" + id, class: "second" }, "Retire: hold", () => act(() => register.command("retire", { kind: "procedure", id })))));
}

function agreements() {
  const names = new Map(usable.map((m) => [m.register, m.organisation])), all = Object.values(register.state.agreements ?? {});
  const row = (/** @type {any} */ a) => h("article", { class: "row person", id: "agreement-" + a.desk }, h("b", null, names.get(a.desk) ?? "A desk"), h("span", { class: "quiet" }, a.ended ? "Ended" : "In force"), h("span", { class: "quiet" }, "Id of its register ", h("code", null, a.desk)),
    !a.ended && h("div", { class: "keys" }, hold({ id: "end-" + a.desk, class: "second" }, "End it: hold", () => act(() => register.command("end-agreement", { desk: a.desk })))));
  const live = all.filter((a) => !a.ended), over = all.filter((a) => a.ended);
  return [h("h1", { id: "second" }, "Agreements with desks"), h("p", { class: "quiet" }, "A desk with an agreement sees your requests and may take them. When it ends, what the desk has claimed stays with it to the end."),
    live.length ? h("div", { class: "rows" }, live.map(row)) : h("p", { class: "bay" }, "None is in force: nobody sees your requests."),
    making(),
    over.length > 0 && h("details", { id: "gone-agreements" }, h("summary", null, `Ended: ${over.length}`), h("div", { class: "rows" }, over.map(row)))];
}

/** @type {any} */
let made;
function making() {
  if (made) return made;
  const id = /** @type {HTMLInputElement} */ (h("input", { type: "text", required: true, maxlength: 36, autocomplete: "off", spellcheck: "false" }));
  const problem = h("p", { id: "agreement-problem", class: "problem", role: "alert" }), here = acting(problem, load);
  const form = h("form", { id: "make-agreement" }, field("agreement-desk", "Id of the desk's register; the desk's owner finds it on this page", id), h("div", { class: "keys" }, h("button", { type: "submit", class: "second" }, "Make the agreement")), problem);
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    here(async () => {
      await register.command("make-agreement", { desk: id.value.trim().toLowerCase() });
      id.value = "";
    });
  });
  return (made = h("details", { id: "add-agreement" }, h("summary", null, "Make an agreement"), form));
}

/** @type {any} */
let told;
function hours() {
  told ??= once("desk-id", "Id of this desk's register", register.me.org, "A shop that wants an agreement with this desk enters this id:");
  return [h("h1", { id: "second" }, "Opening hours"), opening.show((m) => [m.hours(register.state.hours), m.form(register, load)]), h("h2", null, "Agreements"), told];
}
