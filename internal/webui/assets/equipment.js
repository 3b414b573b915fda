// @ts-check
// What the shop works with, for its owners: what is due or overdue, bays with their floor, instruments with their
// certificates, stands with their targets, dimension sheets; each renamed, renewed (equipforms.js) or retired. Vehicle
// interfaces are below (devices.js). What is retired keeps its entry: old records name it still.
import { opener } from "./api.js";
import { byId, h, part, place, put } from "./dom.js";
import { dayText, due, today } from "./due.js";
import { decimal, NBSP } from "./format.js";
import { hold } from "./hold.js";
import { acting, room } from "./rooms.js";
import { sensor } from "./words.js";

/** @typedef {{kind: string, id: string, name: string, said: any, due?: string, none?: string, active: boolean, value: any, renew?: string}} Thing */

const forms = part(() => import("./equipforms.js")), pasting = part(() => import("./paste.js"));
const top = h("section", { "aria-labelledby": "due" }), trouble = h("p", { id: "problem", class: "problem", role: "alert" });
/** @type {import("./rooms.js").Register} */
let register;
/** What stands open under one thing. @type {{id: string, what: string, box: any} | null} */
let open = null;

const SORTS = [
  { kind: "bay", shelf: "bays", title: "Bays", one: "bay", renew: "Survey", of: bay },
  { kind: "instrument", shelf: "instruments", title: "Instruments", one: "instrument", renew: "Renew", of: instrument },
  { kind: "fixture", shelf: "fixtures", title: "Stands and targets", one: "stand", of: fixture },
  { kind: "dimensions", shelf: "dimensions", title: "Dimensions of cars", one: "", of: sheet },
];

room(async (r) => {
  register = r;
  if (r.state.organisation.sort !== "shop") throw new Error("A desk has no bays and no instruments: shops have.");
  put(byId("main"), trouble, h("div", { class: "column" }, top, SORTS.map((s) => shelves[s.kind])));
  forms.warm();
  draw();
  const devices = await import("./devices.js");
  byId("main").append(...devices.sections(register));
});

const act = acting(trouble, async () => {
  await register.load();
  draw();
});

/** Lengths and angles of instruments, without zeros that say nothing. @param {any} i @param {string} key */
const amount = (i, key) => (i[key + "_um"] ? decimal(i[key + "_um"], 3, 3).replace(/\.?0+$/, "") + NBSP + "mm" : i[key + "_udeg"] ? decimal(i[key + "_udeg"], 6, 3).replace(/\.?0+$/, "") + "°" : "");
const mm = (/** @type {number} */ um) => decimal(um, 3, 1).replace(/\.0$/, "");

/** @param {any} v */
function bay(v) {
  const f = v.floor, w = f?.wheels_um;
  return { name: v.name, due: v.expires, none: "The floor is not surveyed.", said: [
    v.size_um && `Clear room ${mm(v.size_um.length)} by ${mm(v.size_um.width)}${NBSP}mm. `,
    f && `Floor surveyed ${dayText(v.surveyed)}, heights against level: under the wheels front left ${mm(w.front_left)}, front right ${mm(w.front_right)}, rear left ${mm(w.rear_left)}, rear right ${mm(w.rear_right)}; under the stand ${mm(f.fixture_um)}${NBSP}mm.`] };
}

/** @param {any} v */
function instrument(v) {
  const common = amount(v.instrument, "common");
  return { name: v.name, due: v.due, said: `${v.instrument.kind}, standard uncertainty ${amount(v.instrument, "standard_uncertainty")}${common ? ` and ${common} common to all its readings` : ""}. Certificate ${v.certificate.number} of ${dayText(v.certificate.dated)}.` };
}

/** @param {any} v */
function fixture(v) {
  const f = v.fixture;
  return { name: v.name, said: f.kind === "reflector" ? `Target ${v.target}, a reflector.` : `Target ${v.target}, a board ${mm(2 * f.half_width_um)}${NBSP}mm wide, ${f.carried === "stand" ? "moved with its stand" : "slid along its stand"}.` };
}

/** @param {any} v */
function sheet(v) {
  return { name: v.type, said: `Wheelbase ${mm(v.vehicle.wheelbase_um)}${NBSP}mm. From: ${v.source}.` };
}

/** Everything of a sort, what is in use first. @param {typeof SORTS[number]} s @returns {Thing[]} */
function things(s) {
  return Object.entries(register.state[s.shelf] ?? {}).map(([id, v]) => ({ kind: s.kind, id, active: v.active, value: v, renew: s.renew, .../** @type {any} */ (s.of(v)) }))
    .sort((a, b) => a.name.localeCompare(b.name));
}

/** Where each sort stands; drawn anew only when something of it changed, so that nothing else moves. @type {Record<string, HTMLElement>} */
const shelves = Object.fromEntries(SORTS.map((s) => [s.kind, h("section", { "aria-labelledby": s.shelf })]));
const shown = Object.fromEntries([["due", place(top)], ...SORTS.map((s) => [s.kind, place(shelves[s.kind])])]);

function draw() {
  const s = register.state;
  shown.due.show([s.due, s.bays, today()], dueList);
  for (const sort of SORTS) shown[sort.kind].show([s[sort.shelf], open && s[sort.shelf]?.[open.id] && [open.id, open.what]], () => section(sort));
}

/** @param {string} what @param {string} kind @param {string} tone @param {string} text @param {Element} key */
const line = (what, kind, tone, text, key) => h("li", { class: "row session" }, h("span", null, h("b", null, what), ", ", kind), key, h("span", { class: tone }, text));

/** What has run out or soon will, of everything in use; the earliest first. */
function dueList() {
  const name = opener(register.view.opened), s = register.state;
  const rows = s.due.map((/** @type {any} */ d) => ({ d, is: due(d.day) })).filter((/** @type {any} */ r) => r.is.over || r.is.soon);
  const bare = Object.entries(s.bays ?? {}).filter(([, b]) => b.active && !b.floor);
  const of = (/** @type {any} */ d) => (d.kind === "instrument" ? [s.instruments[d.id].name, "check of the instrument"] : d.kind === "survey" ? [s.bays[d.id].name, "floor survey"] : [name(s.members[d.id].name) || "Name erased", `competence, ${sensor(d.sensor).toLowerCase()}`]);
  const next = s.due.find((/** @type {any} */ d) => { const is = due(d.day); return !is.over && !is.soon; });
  return [h("h1", { id: "due" }, "Due"),
    rows.length + bare.length === 0 && h("p", null, "Nothing is overdue, and nothing falls due within 30 days."),
    h("ul", { class: "rows" }, rows.map((/** @type {any} */ r) => {
      const [what, kind] = of(r.d);
      return line(what, kind, r.is.tone, r.is.text + ".", r.d.kind === "competence" ? h("a", { href: "/people", class: "second keylike" }, "Renew under People") : h("button", { type: "button", class: "second", id: "to-" + r.d.id, onclick: () => go(r.d.id) }, r.d.kind === "survey" ? "Enter a survey" : "Renew"));
    }), bare.map(([id, b]) => line(b.name, "floor survey", "bay", "The floor is not surveyed.", h("button", { type: "button", class: "second", id: "to-" + id, onclick: () => go(id) }, "Enter a survey")))),
    next && h("p", { class: "quiet", id: "next" }, `After that: ${of(next).join(", ")}, ${due(next.day).when}.`)];
}

/** Opens how a thing is renewed, where it stands. @param {string} id */
function go(id) {
  const thing = SORTS.flatMap(things).find((t) => t.id === id);
  if (!thing) return;
  if (open?.id !== id || open.what !== "renew") opening(thing, "renew");
  byId("thing-" + id).scrollIntoView({ block: "start" });
  /** @type {HTMLElement | null} */ (document.querySelector("#opened input"))?.focus({ preventScroll: true });
}

/** @param {Thing} t @param {string} what */
function opening(t, what) {
  const problem = h("p", { id: "thing-problem", class: "problem", role: "alert" });
  const here = acting(problem, async () => { await register.load(); draw(); });
  const send = (/** @type {string} */ type, /** @type {object} */ data) => here(async () => {
    await register.command(type, data);
    open = null;
  });
  open = open?.id === t.id && open.what === what ? null : { id: t.id, what, box: h("div", { class: "under", id: "opened" }, problem, forms.show((m) => (what === "rename" ? m.rename(t, send) : t.kind === "bay" ? m.survey(t, send) : m.renew(t, send)))) };
  draw();
}

/** @param {typeof SORTS[number]} s */
function section(s) {
  const all = things(s), used = all.filter((t) => t.active), gone = all.filter((t) => !t.active);
  return [h("h1", { id: s.shelf }, s.title),
    used.length ? h("div", { class: "rows" }, used.map(row)) : h("p", { class: "quiet" }, "None is entered."),
    s.one ? add(s) : (adding[s.kind] ??= pasting.show((m) => m.paste(register, "dimensions", () => null, async () => { await register.load(); draw(); }))),
    gone.length > 0 && h("details", { id: "gone-" + s.kind }, h("summary", null, `Retired: ${gone.length}`), h("div", { class: "rows" }, gone.map(row)))];
}

/** The form for another one stays as it is typed. @type {Record<string, any>} */
const adding = {};

/** @param {typeof SORTS[number]} s */
function add(s) {
  return (adding[s.kind] ??= h("details", { id: "add-" + s.kind }, h("summary", null, `Add ${s.one === "instrument" ? "an" : "a"} ${s.one}`), forms.show((m) => m.newcomer(s.kind, register, async () => { await register.load(); draw(); }))));
}

/** @param {Thing} t */
function row(t) {
  const is = t.due ? due(t.due) : null, under = open?.id === t.id ? open : null;
  const key = (/** @type {string} */ what, /** @type {string} */ text) => h("button", { type: "button", class: "plain", id: `${what}-${t.id}`, "aria-expanded": String(under?.what === what), onclick: () => opening(t, what) }, text);
  return h("article", { class: "row person", id: "thing-" + t.id, "aria-labelledby": "called-" + t.id }, h("b", { id: "called-" + t.id }, t.name),
    t.active ? h("span", { class: is?.tone ?? (t.none ? "bay" : "quiet") }, is ? is.text : t.none ?? "") : h("span", { class: "quiet" }, "Retired"),
    h("span", { class: "quiet" }, t.said),
    t.active && h("div", { class: "keys" }, t.renew && key("renew", t.renew === "Survey" ? "Enter a survey" : "Renew"), key("rename", t.kind === "fixture" ? "Change name or target" : "Rename"),
      t.kind === "bay" && t.due && hold({ id: "unsurvey-" + t.id, class: "second" }, "Floor has changed, survey void: hold", () => act(() => register.command("withdraw-survey", { bay: t.id }))),
      hold({ id: "retire-" + t.id, class: "second" }, "Retire: hold", () => act(() => register.command("retire", { kind: t.kind, id: t.id })))),
    t.active && under?.box);
}
