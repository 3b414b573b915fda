// @ts-check
// Who belongs to the organisation, for its owners: roles, who can sign in and where they are signed in; people let in and
// links handed over; the programs that are told of its work, and a shop's vehicle interfaces (gateways.js). The register says
// who is a member and what they may do, the accounts only who can sign in.
import { ask, command, get, newId, opener, Refused, signOut } from "./api.js";
import { byId, field, h, part, put, theme } from "./dom.js";
import { seat, when } from "./seats.js";

/** @typedef {{id: string, member: string, kind: "invitation" | "reset", login: string, expires: string, link?: string}} Invitation */
/** @typedef {{id: string, name: string, roles: string[], active: boolean, login?: string, disabled?: boolean, open?: Invitation}} Person */

const ROLES = ["technician", "specialist", "owner"];
const main = byId("main"), list = h("div", { class: "rows" }), trouble = h("p", { id: "problem", class: "problem", role: "alert" });
/** @type {any} */
let me = null, register = null;
/** @type {Person[]} */
let people = [];
/** What stands open under one person, and the key that opened it. @type {{member: string, key?: string, draw: (p: Person) => any} | null} */
let panel = null;

theme();
byId("sign-out").addEventListener("click", signOut);
start();

async function start() {
  try {
    me = await get("/v1/me");
    if (!me.roles.includes("owner")) throw new Error("Owners let people in. Ask one of yours.");
    await load();
    byId("who").textContent = register.state.organisation.name;
    put(main, h("div", { class: "split people" },
      h("section", { "aria-labelledby": "here" }, h("h1", { id: "here" }, "People"), trouble, list),
      h("section", { "aria-labelledby": "new" }, newcomer())), programs());
    draw();
    if (register.state.organisation.sort === "shop") main.append(await (await import("./gateways.js")).section(me.org));
  } catch (e) {
    put(main, h("p", { class: "problem", role: "alert" }, said(e)));
  }
}

const hooks = part(() => import("./webhooks.js"));

/** What else is told of the organisation's work: loaded when it is looked at, and anew each time. */
function programs() {
  const box = h("div", null), all = /** @type {HTMLDetailsElement} */ (h("details", { id: "webhooks" }, h("summary", null, "Webhooks"), box));
  all.addEventListener("toggle", () => put(box, all.open && hooks.show((m) => m.webhooks())));
  return all;
}

/** @param {unknown} e */
const said = (e) => (e instanceof Refused ? e.text() : e instanceof TypeError ? "There is no link to the server. Try again." : e instanceof Error ? e.message : "That did not work.");

async function load() {
  const [view, accounts, invitations] = await Promise.all([get("/v1/registers/" + me.org), get("/v1/accounts"), get("/v1/invitations")]);
  register = view;
  const open = opener(view.opened);
  people = Object.entries(view.state.members ?? {}).map(([id, m]) => {
    const account = accounts.accounts.find((/** @type {any} */ a) => a.member === id);
    return { id, name: open(m.name) || "Name erased", roles: m.roles, active: m.active, login: account?.login, disabled: account?.disabled,
      open: invitations.invitations.find((/** @type {Invitation} */ i) => i.member === id) };
  }).sort((a, b) => Number(b.active) - Number(a.active) || a.name.localeCompare(b.name));
}

function draw() {
  put(list, people.map(row));
}

/** Does something, then shows how things are now; a refusal is told. @param {() => Promise<void>} what */
async function act(what) {
  trouble.textContent = "";
  const tell = (/** @type {unknown} */ e) => {
    trouble.textContent ||= said(e);
    trouble.scrollIntoView({ block: "nearest" });
  };
  await what().catch(tell);
  await load().catch(tell);
  draw();
}

/** A key that opens something under a person opens it, or closes it again. @param {string} key @param {() => void} does */
function toggle(key, does) {
  if (panel?.key !== key) return does();
  panel = null;
  draw();
}

/** Whether and as whom somebody signs in. @param {Person} p */
function state(p) {
  if (!p.active) return "Left: cannot sign in.";
  const now = p.disabled ? "The account is closed." : p.login ? `Signs in as ${p.login}.` : "Cannot sign in yet.";
  if (!p.open) return now;
  return `${now} ${p.open.kind === "reset" ? "Has a link for a new password" : `Invited as ${p.open.login}`}, good until ${when(p.open.expires)}.`;
}

/** @param {Person} p */
function row(p) {
  const key = (/** @type {string} */ what, /** @type {string} */ text, /** @type {() => void} */ does) =>
    h("button", { type: "button", class: "plain", id: what + "-" + p.id, "aria-expanded": what === "invite" || what === "sessions" ? String(panel?.key === what + "-" + p.id) : null, onclick: does }, text);
  const under = panel?.member === p.id && panel.draw(p), named = "name-" + p.id;
  return h("article", { class: "row person", "aria-labelledby": named },
    h("b", { id: named }, p.name, p.id === me.member && " (you)"), h("span", null, p.roles.join(", ")),
    h("span", { class: p.active && !p.login && !p.open ? "bay" : "quiet" }, state(p)),
    p.active && h("div", { class: "keys" },
      p.login && !p.disabled
        ? [key("reset", "Link for a new password", () => act(async () => shown(p, await ask("POST", "/v1/resets", { member: p.id })))), key("sessions", "Where signed in", () => toggle("sessions-" + p.id, () => act(() => sessions(p))))]
        : key("invite", p.open ? "Invite again" : "Invite", () => toggle("invite-" + p.id, () => inviting(p))),
      p.open && key("withdraw", "Withdraw the link", () => act(async () => { panel = null; await ask("DELETE", "/v1/invitations/" + p.open?.id); }))),
    under);
}

/** Opens the form that invites a member. @param {Person} p */
function inviting(p) {
  const login = signInName("login-" + p.id, p.open?.login ?? p.login ?? "");
  const form = h("form", { class: "under", id: "inviting" }, login, h("div", { class: "keys" }, h("button", { type: "submit", class: "second" }, "Invite " + p.name)));
  form.addEventListener("submit", (e) => {
    e.preventDefault();
    act(async () => shown(p, await ask("POST", "/v1/invitations", { member: p.id, login: typed("login-" + p.id) })));
  });
  panel = { member: p.id, key: "invite-" + p.id, draw: () => form };
  draw();
  byId("login-" + p.id).focus();
}

/** @param {string} id @param {string} was */
const signInName = (id, was) => field(id, "Sign-in name, such as a mail address", h("input", { type: "text", maxlength: 100, autocomplete: "off", autocapitalize: "none", spellcheck: "false", required: true, value: was }));

/** @param {string} id */
const typed = (id) => /** @type {HTMLInputElement} */ (byId(id)).value.trim();

/** Shows a new link, this once; where the server mails links it tells that. @param {{id: string, name: string}} p @param {Invitation} made */
function shown(p, made) {
  if (!made.link) {
    panel = { member: p.id, draw: () => h("p", { class: "under", role: "status" }, `A link was mailed to ${made.login}. It works once, until ${when(made.expires)}.`) };
    return;
  }
  const link = /** @type {HTMLInputElement} */ (h("input", { type: "text", readonly: true, value: made.link, id: "handed", "aria-label": "Link for " + p.name, onfocus: () => link.select() }));
  const copied = h("span", { role: "status" });
  const copy = async () => {
    link.select();
    // Without a secure context there is no clipboard; what is selected can be copied by hand.
    copied.textContent = await navigator.clipboard?.writeText(made.link ?? "").then(() => "Copied.", () => "Copy what is marked.") ?? "Copy what is marked.";
  };
  const box = h("div", { class: "under link-box" },
    h("p", null, `Hand this link to ${p.name} and to nobody else: whoever has it sets the password. It works once, until ${when(made.expires)}, and is shown this once.`),
    link, h("div", { class: "keys" }, h("button", { type: "button", class: "second", id: "copy", onclick: copy }, "Copy"), copied));
  panel = { member: p.id, draw: (now) => (now.open?.id === made.id ? box : null) };
}

/** Shows where a member is signed in. @param {Person} p */
async function sessions(p) {
  const all = (await get("/v1/sessions?member=" + p.id)).sessions;
  const end = (/** @type {string} */ id) => act(async () => {
    await ask("DELETE", "/v1/sessions/" + id).catch((e) => { if (!(e instanceof Refused && e.slug === "not-found")) throw e; }); // it has ended by itself
    await sessions(p);
  });
  panel = { member: p.id, key: "sessions-" + p.id, draw: () => h("div", { class: "under rows", id: "sessions" }, all.length ? all.map((/** @type {import("./seats.js").Session} */ s) => seat(s, end)) : h("p", { class: "quiet" }, "Nowhere now.")) };
}

/** The form for somebody who is not a member yet: added to the register, then invited. */
function newcomer() {
  let id = newId(); // kept over a failed try, so that trying again adds nobody twice
  const about = h("p", { id: "new-problem", class: "problem", role: "alert" });
  const form = /** @type {HTMLFormElement} */ (h("form", { id: "new-person" }, h("h1", { id: "new" }, "Somebody new"),
    field("new-name", "Name", h("input", { type: "text", maxlength: 120, autocomplete: "off", required: true })),
    h("fieldset", null, h("legend", null, "Roles"), h("div", { class: "choices" }, ROLES.map((r) =>
      h("label", { class: "choice" }, h("input", { type: "checkbox", name: "role", value: r, id: "role-" + r }), h("span", null, r))))),
    signInName("new-login", ""), about, h("button", { type: "submit", class: "primary" }, "Add and invite")));
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const roles = new FormData(form).getAll("role"), person = { id, name: typed("new-name") }, login = typed("new-login");
    about.textContent = "";
    try {
      if (!roles.length) throw new Error("Tick one role or more.");
      await command("registers", me.org, register.seq, "add-member", { ...person, roles });
    } catch (err) {
      about.textContent = said(err);
      return;
    }
    id = newId();
    form.reset();
    // Refused, the person is a member all the same, and is invited from their own row.
    await act(async () => shown(person, await ask("POST", "/v1/invitations", { member: person.id, login })));
    byId("name-" + person.id).scrollIntoView({ block: "nearest" });
    document.getElementById("handed")?.focus();
  });
  return form;
}
