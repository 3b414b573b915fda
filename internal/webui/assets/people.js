// @ts-check
// Who belongs to the organisation, for its owners: roles, who can sign in and where they are signed in; people let in and
// links handed over; what somebody may do and is proven for (member.js). The register says who is a member and what they may
// do, the accounts only who can sign in.
import { ask, get, newId, opener, Refused } from "./api.js";
import { byId, field, h, part, put } from "./dom.js";
import { faults } from "./faults.js";
import { acting, once, room } from "./rooms.js";
import { seat, when } from "./seats.js";

/** @typedef {{id: string, member: string, kind: "invitation" | "reset", login: string, expires: string, link?: string}} Invitation */
/** @typedef {{id: string, name: string, roles: string[], active: boolean, member: import("./member.js").Member, login?: string, disabled?: boolean, open?: Invitation}} Person */

const ROLES = ["technician", "specialist", "owner"];
const main = byId("main"), list = h("div", { class: "rows" }), trouble = h("p", { id: "problem", class: "problem", role: "alert" });
const members = part(() => import("./member.js"));
/** @type {import("./rooms.js").Register} */
let register;
/** @type {Person[]} */
let people = [];
/** What stands open under one person, and the key that opened it. @type {{member: string, key?: string, draw: (p: Person) => any} | null} */
let panel = null;

room(async (r) => {
  register = r;
  await look();
  put(main, h("div", { class: "split people" },
    h("section", { "aria-labelledby": "here" }, h("h1", { id: "here" }, "People"), trouble, list),
    h("section", { "aria-labelledby": "new" }, newcomer())));
  draw();
  members.warm().then(draw);
});

/** Shows how things are now, or at least what is known of them. */
async function fresh() {
  try {
    await load();
  } finally {
    draw();
  }
}

/** Does something, then shows how things are now; a refusal is told. */
const act = acting(trouble, fresh);

async function load() {
  await register.load();
  await look();
}

/** Reads the accounts beside the register. */
async function look() {
  const [accounts, invitations] = await Promise.all([get("/v1/accounts"), get("/v1/invitations")]);
  const open = opener(register.view.opened);
  people = Object.entries(register.state.members ?? {}).map(([id, m]) => {
    const account = accounts.accounts.find((/** @type {any} */ a) => a.member === id);
    return { id, name: open(m.name) || "Name erased", roles: m.roles, active: m.active, member: m, login: account?.login, disabled: account?.disabled,
      open: invitations.invitations.find((/** @type {Invitation} */ i) => i.member === id) };
  }).sort((a, b) => Number(b.active) - Number(a.active) || a.name.localeCompare(b.name));
}

function draw() {
  put(list, people.map(row));
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
    h("button", { type: "button", class: "plain", id: what + "-" + p.id, "aria-expanded": ["invite", "sessions", "change"].includes(what) ? String(panel?.key === what + "-" + p.id) : null, onclick: does }, text);
  const under = panel?.member === p.id && panel.draw(p), named = "name-" + p.id;
  return h("article", { class: "row person", "aria-labelledby": named },
    h("b", { id: named }, p.name, p.id === register.me.member && " (you)"), h("span", null, p.roles.join(", ")),
    h("span", { class: p.active && !p.login && !p.open ? "bay" : "quiet" }, state(p)), h("span", { class: "quiet" }, members.show((m) => m.about(p.member))),
    p.active && h("div", { class: "keys" },
      p.login && !p.disabled
        ? [key("reset", "Link for a new password", () => act(async () => shown(p, await ask("POST", "/v1/resets", { member: p.id })))), key("sessions", "Where signed in", () => toggle("sessions-" + p.id, () => act(() => sessions(p))))]
        : key("invite", p.open ? "Invite again" : "Invite", () => toggle("invite-" + p.id, () => inviting(p))),
      p.open && key("withdraw", "Withdraw the link", () => act(async () => { panel = null; await ask("DELETE", "/v1/invitations/" + p.open?.id); })),
      key("change", "Change", () => toggle("change-" + p.id, () => changing(p)))),
    under);
}

/** Opens what the register says of a member, to be changed. It is made anew once the register says something else. @param {Person} p */
function changing(p) {
  let key = "", box = /** @type {any} */ (null);
  const problem = h("p", { id: "member-problem", class: "problem", role: "alert" }), here = acting(problem, fresh);
  const send = (/** @type {string} */ type, /** @type {object} */ data) => here(() => register.command(type, data));
  panel = { member: p.id, key: "change-" + p.id, draw: (now) => {
    const is = JSON.stringify([now.name, now.member]);
    if (is !== key) [key, box] = [is, members.show((m) => m.panel(now, now.member, ROLES, send, problem))];
    return now.active && box;
  } };
  draw();
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
  const box = once("handed", "Link for " + p.name, made.link,
    `Hand this link to ${p.name} and to nobody else: whoever has it sets the password. It works once, until ${when(made.expires)}, and is shown this once.`);
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

/**
 * The form for somebody who is not a member yet: added to the register, then invited. Where only the invitation is refused, the
 * form stays as it was typed, and what is sent next invites the same person by another name.
 */
function newcomer() {
  let id = newId(), added = false; // kept over a failed try, so that trying again adds nobody twice
  const send = h("button", { type: "submit", class: "primary" }, "Add and invite"), leave = h("button", { type: "button", class: "plain", id: "new-leave", onclick: () => anew() }, "Somebody else");
  const who = h("fieldset", { id: "new-who" }, field("new-name", "Name", h("input", { type: "text", maxlength: 120, autocomplete: "off", required: true })),
    h("fieldset", null, h("legend", { id: "new-roles" }, "Roles"), h("div", { class: "choices" }, ROLES.map((r) =>
      h("label", { class: "choice" }, h("input", { type: "checkbox", name: "role", value: r, id: "role-" + r }), h("span", null, r))))));
  const form = /** @type {HTMLFormElement} */ (h("form", { id: "new-person" }, h("h1", { id: "new" }, "Somebody new")));
  const wrong = faults(() => form, { name: "new-name", roles: "role-technician", login: "new-login" });
  form.append(who, signInName("new-login", ""), wrong.rest, send, leave);
  const is = (/** @type {boolean} */ now) => {
    added = /** @type {HTMLFieldSetElement} */ (who).disabled = now;
    leave.hidden = !now;
    send.textContent = now ? "Invite" : "Add and invite";
  };
  const anew = () => {
    id = newId();
    form.reset();
    wrong.clear();
    is(false);
  };
  is(false);
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    const roles = [...form.querySelectorAll("input[name=role]:checked")].map((i) => /** @type {HTMLInputElement} */ (i).value), person = { id, name: typed("new-name") }, login = typed("new-login");
    wrong.clear();
    if (!roles.length) return wrong.at("role-technician", "Tick one role or more.");
    const has = people.find((p) => p.id !== id && [p.login, p.open?.login].includes(login.toLowerCase()));
    if (has) return wrong.at("new-login", `${has.name} has this name. Another one, please: nobody is added yet.`);
    if (!added && !await wrong.trying(() => register.command("add-member", { ...person, roles }))) return void fresh().catch(() => {});
    is(true);
    try {
      shown(person, await ask("POST", "/v1/invitations", { member: person.id, login }));
    } catch (err) {
      wrong.tell(err);
      if (err instanceof Refused && err.fields.some((f) => f.field === "login")) wrong.say(`${person.name} is added, but not invited yet. Give another sign-in name.`);
      return void act(async () => {});
    }
    anew();
    await act(async () => {});
    byId("name-" + person.id).scrollIntoView({ block: "nearest" });
    document.getElementById("handed")?.focus();
  });
  return form;
}
