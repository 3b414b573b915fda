// @ts-check
// The organisation's webhooks, for its owners: whether programs elsewhere are told, what did not reach them and why, and
// sending it again; others added, changed and retired (hookforms.js), and their secrets made.
import { ask, get } from "./api.js";
import { byId, h, part, place, put } from "./dom.js";
import { hold } from "./hold.js";
import { acting, once, room } from "./rooms.js";
import { when } from "./seats.js";

/** @typedef {{id: string, url: string, events: string[], active: boolean, secrets: number, waiting: number, done: number, dead: number, failures: number, held_until?: string, disabled_at?: string, last_error?: string, last_error_at?: string, last?: Delivery}} Hook */
/** @typedef {{id: string, event: string, state: "waiting" | "done" | "dead", attempts: number, next_try?: string, last_status?: number, last_error?: string, changed_at: string, body: {data: {stream: {kind: string, id: string}, seq: number}}}} Delivery */

const LOOK_MS = 3_000, PAGE = 20;

const forms = part(() => import("./hookforms.js"));

room(async (register) => {
  put(byId("main"), webhooks(register));
  forms.warm();
});

/** The room. It looks again every few seconds. @param {import("./rooms.js").Register} register */
function webhooks(register) {
  const list = h("div", { class: "rows" }), trouble = h("p", { id: "webhooks-problem", class: "problem", role: "alert" });
  const send = (/** @type {string} */ type, /** @type {object} */ data) => register.command(type, data);
  const box = h("div", { class: "split people" },
    h("section", { "aria-labelledby": "webhooks" }, h("h1", { id: "webhooks" }, "Webhooks"), h("p", { class: "quiet" }, "Programs elsewhere that are told when something happened: what, in which stream, no name and no plate. They fetch the rest by signing in."), trouble, list),
    forms.show((m) => m.newcomer(send, () => fresh())));
  const shown = place(list);
  /** What stands open under a webhook: how it is changed, or its secret. @type {{hook: string, what: string, box: any} | null} */
  let open = null;
  /** @type {Hook[] | null} */
  let hooks = null;
  /** The webhook whose dead letters are shown, and these. @type {{hook: string, rows: Delivery[], more: boolean} | null} */
  let dead = null;

  async function look() {
    const all = /** @type {Hook[]} */ ((await get("/v1/webhooks")).webhooks);
    await Promise.all(all.map(async (hook) => { hook.last = (await get(`/v1/webhooks/${hook.id}/deliveries?limit=1`)).deliveries[0]; }));
    hooks = all.sort((a, b) => Number(b.active) - Number(a.active));
    if (dead) await letters(dead.hook, Math.max(PAGE, dead.rows.length));
    draw();
  }

  /** @param {string} hook @param {number} most */
  async function letters(hook, most) {
    const rows = (await get(`/v1/webhooks/${hook}/deliveries?state=dead&limit=${Math.min(most, 499) + 1}`)).deliveries;
    dead = rows.length ? { hook, rows: rows.slice(0, most), more: rows.length > most } : null;
  }

  /** Shows how things are now. */
  async function fresh() {
    await register.load();
    await look();
  }

  /** Does something, then shows how things are now; a refusal is told. */
  const act = acting(trouble, fresh);

  /** @param {string} hook @param {string} what @param {() => any} make */
  function toggle(hook, what, make) {
    open = open?.hook === hook && open.what === what ? null : { hook, what, box: make() };
    draw();
  }

  const again = (/** @type {Delivery[]} */ all) => act(async () => {
    for (const d of all) await ask("POST", `/v1/webhooks/${dead?.hook}/deliveries/${d.id}/retry`);
  });

  function draw() {
    shown.show([hooks, dead, open?.hook, open?.what], () => (hooks?.length ? hooks.map(row) : h("p", null, "There are none.")));
  }

  /** @param {Hook} hook */
  function row(hook) {
    const [tone, text] = standing(hook), shows = dead?.hook === hook.id, under = open?.hook === hook.id ? open : null;
    const key = (/** @type {string} */ what, /** @type {string} */ label, /** @type {() => void} */ does, /** @type {object} */ more = {}) => h("button", { type: "button", class: "plain", id: what + "-" + hook.id, onclick: does, ...more }, label);
    return h("article", { class: "row person", id: "hook-" + hook.id },
      h("b", null, hook.url), h("span", null, hook.events.join(", ")),
      h("span", { class: tone }, text),
      h("span", { class: "quiet" }, `${hook.done} arrived in a week, ${hook.waiting} to be sent, ${hook.dead} given up in thirty days. `, last(hook)),
      hook.last_error && h("span", { class: "quiet" }, `Last failure, ${when(hook.last_error_at ?? "")}: ${hook.last_error}.`),
      h("div", { class: "keys" },
        hook.active && (hook.disabled_at || hook.failures > 0) && key("enable", "Send again now", () => act(() => ask("POST", `/v1/webhooks/${hook.id}/enable`))),
        hook.dead > 0 && key("dead", "What was given up", () => act(async () => { if (shows) dead = null; else await letters(hook.id, PAGE); }), { "aria-expanded": String(shows) }),
        hook.active && [key("change", "Change", () => toggle(hook.id, "change", () => forms.show((m) => m.change(hook, send, async () => { open = null; await fresh(); }))), { "aria-expanded": String(under?.what === "change") }),
          hold({ id: "secret-" + hook.id, class: "second" }, (hook.secrets ? "New secret" : "Make its secret") + ": hold", () => act(() => secret(hook))),
          hold({ id: "retire-" + hook.id, class: "second" }, "Retire: hold", () => act(() => send("retire", { kind: "webhook", id: hook.id })))]),
      hook.active && under?.box,
      shows && dead && h("div", { class: "under rows" }, dead.rows.map((d) => letter(d, hook.active)),
        (dead.more || dead.rows.length > 1) && h("div", { class: "keys" }, hook.active && dead.rows.length > 1 && key("all", `Send these ${dead.rows.length} again`, () => dead && again(dead.rows)),
          dead.more && key("more", "Show more", () => act(() => letters(hook.id, (dead?.rows.length ?? 0) + PAGE))))));
  }

  /** Makes a secret and shows it, this once. @param {Hook} hook */
  async function secret(hook) {
    const made = await ask("POST", `/v1/webhooks/${hook.id}/secret`);
    open = { hook: hook.id, what: "secret" + Date.now(), box: once("secret", "Secret of " + hook.url, made.secret,
      "Put this secret into the program at that address and nowhere else: by it the program knows that a message is from here. It is shown this once." + (hook.secrets ? ` The one before signs beside it until ${when(made.earlier_until)}.` : "")) };
  }

  /** @param {Delivery} d @param {boolean} active */
  function letter(d, active) {
    const { stream, seq } = d.body.data;
    return h("div", { class: "row session" }, h("b", null, d.event),
      active ? h("button", { type: "button", class: "plain", id: "again-" + d.id, onclick: () => again([d]) }, "Send again") : h("span"),
      h("span", { class: "quiet" }, `Given up ${when(d.changed_at)} after ${d.attempts} ${d.attempts === 1 ? "try" : "tries"}: ${d.last_error ?? "no reason is kept"}. Entry ${seq} of ${stream.kind} ${stream.id}.`));
  }

  act(async () => {});
  const timer = setInterval(() => {
    if (!box.isConnected) clearInterval(timer);
    else if (box.checkVisibility() && !document.hidden) look().catch(() => {}); // what is shown stays; whoever acts is told
  }, LOOK_MS);
  return box;
}

/** How a webhook fares, and its tone. @param {Hook} hook @returns {[string, string]} */
function standing(hook) {
  if (!hook.active) return ["quiet", "Retired: nothing is sent."];
  if (!hook.secrets) return ["bay", "Has no secret yet: nothing is sent."];
  if (hook.disabled_at) return ["bay", `Stopped ${when(hook.disabled_at)}: its receiver answered that it is gone (410). What waits is given up after four days.`];
  const failed = `${hook.failures} ${hook.failures === 1 ? "try" : "tries"} failed in a row`;
  if (hook.held_until && Date.parse(hook.held_until) > Date.now()) return ["bay", `Held back until ${when(hook.held_until)}: ${failed}.`];
  return hook.failures ? ["bay", failed + "."] : ["met", "In order."];
}

/** What became of the newest. @param {Hook} hook */
function last(hook) {
  const d = hook.last;
  if (!d) return "Nothing was to be sent lately.";
  if (d.state === "done") return `The last, ${d.event}, arrived ${when(d.changed_at)}.`;
  if (d.state === "dead") return `The last, ${d.event}, was given up ${when(d.changed_at)}.`;
  return `The last, ${d.event}, waits${d.attempts && d.next_try && !hook.disabled_at ? " until " + when(d.next_try) : ""}.`;
}
