// @ts-check
// The desk: a strip for each calibration in a fixed order, the queue, and the focused calibration below with its next step
// composed. Everything has a key.

import { get, opener, Refused, signOut } from "./api.js";
import { byId, h, part, place, put, theme, untilThere } from "./dom.js";
import { DeskWork } from "./deskwork.js";
import { clock, otherUnit, timeOfDay, unit } from "./format.js";
import { linkGlyph, stopGlyph, turnGlyph } from "./glyph.js";
import { held, leaving } from "./leaving.js";
import { Link } from "./link.js";
import { queueRows } from "./queue.js";
import { strip } from "./strip.js";
import { Watch } from "./watch.js";
import { PHASES, sensor, task, waited, where } from "./words.js";

const QUEUE_MS = 5000;
const link = new Link();
/** @type {Map<string, Watch>} */
const watches = new Map();
/** Names of the shops that wait, by id. @type {Map<string, string>} */
const shops = new Map();
/** @type {any[]} */
let queue = [];
let focused = location.pathname.split("/")[2] ?? "", asked = false, me = /** @type {any} */ (null), register = /** @type {any} */ (null);
const record = h("p", { id: "record", class: "quiet" });
const strips = place(byId("strips"), draw), main = place(byId("main"), draw), linkline = place(byId("link")), keys = place(byId("keys"));
const photos = part(() => import("./photos.js")), gone = place(byId("leaving"), draw);
const work = new DeskWork(link, notice, () => draw(), stop);

theme();
byId("sign-out").addEventListener("click", signOut);
byId("duty").addEventListener("click", switchDuty);
byId("unit").textContent = unit();
byId("unit").addEventListener("click", () => { otherUnit(); byId("unit").textContent = unit(); for (const w of watches.values()) w.look(); });
link.addEventListener("state", drawLink);
link.addEventListener("outbox", drawLink);
link.addEventListener("orphan", (e) => notice(/** @type {CustomEvent} */ (e).detail.refused.text()));
addEventListener("keydown", onKey);
addEventListener("popstate", () => { focused = location.pathname.split("/")[2] ?? ""; work.form = ""; draw(); });
drawLink();
start();

async function start() {
  try {
    me = await get("/v1/me");
    byId("people").hidden = !me.roles.includes("owner");
    await staff();
    link.follow({ kind: "register", id: me.org }, register.seq, () => staff().then(look)); // duty, above all
    byId("who").textContent = [name(me.member), register.state.organisation.name].filter(Boolean).join(", ");
    await look();
    import("./record.js").then((m) => m.keep(record)).catch(() => {}); // the work does not wait for it
  } catch (e) {
    put(byId("main"), h("p", { class: "problem", role: "alert" }, e instanceof Error ? e.message : "That did not work."));
  }
  setInterval(look, QUEUE_MS);
  setInterval(tick, 500);
}

async function staff() {
  register = await get("/v1/registers/" + me.org);
  const on = register.state.duty?.[me.member]?.on, key = byId("duty");
  key.hidden = !me.roles.includes("specialist");
  key.setAttribute("aria-pressed", String(Boolean(on)));
  put(key, turnGlyph(on ? "specialist" : ""), on ? "On duty" : "Off duty");
}

/** @param {string} member */
const name = (member) => opener(register?.opened)(register?.state.members?.[member]?.name).replace(" (invented)", "");

/** Goes on duty at once, and off it; what is held is told before. */
function switchDuty() {
  if (!register.state.duty?.[me.member]?.on || !held(inOrder()).length) return duty();
  asked = true;
  draw();
  byId("stay").focus();
}

function stay() {
  asked = false;
  draw();
  byId("duty").focus();
}

async function duty() {
  asked = false;
  draw();
  const on = register.state.duty?.[me.member]?.on;
  try {
    await link.command({ kind: "register", id: me.org }, register.seq, on ? "go-off-duty" : "go-on-duty", { member: me.member });
  } catch (e) {
    notice(e instanceof Refused ? e.text() : String(e));
  }
  await staff();
  await look();
}

/** @param {any} row @param {string} reason */
async function decline(row, reason) {
  await link.command(row.stream, row.seq, "decline", { reason }).catch((e) => notice(e.message));
  await look();
}

/** Looks at the queue and for calibrations that came or went. Nothing pushes these. */
async function look() {
  for (const [id, w] of watches) if (w.state && !w.state.claim && w.state.phase !== "closed") leave(id, w); // given back, or taken over
  try {
    const [rows, waiting] = await Promise.all([get("/v1/calibrations?limit=50"), get("/v1/queue").catch(() => ({ waiting: [] }))]);
    queue = waiting.waiting.filter((/** @type {any} */ r) => !watches.has(r.stream.id));
    await Promise.all([...new Set(queue.map((r) => r.org))].filter((org) => !shops.has(org)).map(async (org) => shops.set(org, (await get("/v1/registers/" + org).catch(() => null))?.state.organisation.name ?? "")));
    const open = rows.calibrations.filter((/** @type {any} */ r) => r.phase !== "closed" && r.phase !== "waiting").map((/** @type {any} */ r) => r.stream.id);
    if (focused && !open.includes(focused)) open.push(focused);
    await Promise.all(open.filter((/** @type {string} */ id) => !watches.has(id)).map(watch));
  } catch {
    // no line: the link says so, and the next look is soon
  }
  draw();
}

/** @param {string} id */
async function watch(id) {
  const w = new Watch(link, id);
  watches.set(id, w);
  try {
    await w.start();
    const seen = w.seq;
    photos.show((m) => m.follow(w, seen, "specialist", notice, () => { focus(id); work.open("photos"); }));
    w.addEventListener("change", () => (w.state.claim || w.state.phase === "closed" ? draw() : look()));
    if (!focused) focused = id;
  } catch {
    watches.delete(id);
    if (focused === id) focused = "";
  }
}

/** @param {string} id @param {Watch} w */
function leave(id, w) {
  w.stop();
  watches.delete(id);
  if (focused !== id) return;
  focused = inOrder()[0]?.ref.id ?? "";
  work.form = "";
  history.replaceState(null, "", "/desk" + (focused && "/" + focused));
}

/** @param {string} id */
function focus(id) {
  if (focused === id) return;
  focused = id;
  work.form = "";
  history.pushState(null, "", "/desk/" + id);
  draw();
}

/** @param {any} row */
async function claim(row) {
  notice("");
  const id = row.stream.id;
  try {
    await link.command(row.stream, row.seq, "claim");
    queue = queue.filter((r) => r.stream.id !== id);
    focused = id;
    history.pushState(null, "", "/desk/" + id);
    await watch(id);
  } catch (e) {
    notice(e instanceof Refused ? e.text() : String(e));
  }
  await look();
}

/** @param {string} text */
function notice(text) {
  put(byId("notice"), text && [h("span", null, text), h("button", { type: "button", class: "plain", onclick: () => notice("") }, "Put away")]);
}

function drawLink() {
  const kept = link.outbox.length;
  linkline.show([link.state, kept, link.reason], () => [linkGlyph(link.state === "linked"), link.state === "linked" ? "Linked" : link.state === "out" ? link.reason : ["No link", kept > 0 && `, kept here: ${kept}`, link.reason && ". " + link.reason]]);
  byId("link").classList.toggle("lost", link.state !== "linked");
}

/** @param {Watch} w */
function stop(w) {
  const number = w.register?.organisation?.phone;
  untilThere(w.command("stop").catch((e) => notice(e.message)), notice, `Stop has not reached ${w.name()} yet. Telephone the bay${number ? ": " + number : ""}.`);
}

/** @param {Watch} w */
function turnOf(w) {
  const { turn, phase } = w.state;
  if (!w.mine) return { who: "", word: "With " + (name(w.state.claim.member) || "a colleague"), tone: "", task: w.offer("specialist") ? "hand-over offered" : task(turn) };
  const running = phase === "running";
  if (phase === "stopped") return { who: "", word: "Stopped", tone: "", task: task(turn) };
  if (running) return { who: "running", word: "Leg running", tone: "met", task: where(w.state) };
  if (!turn.who) return { who: "", word: /** @type {any} */ (PHASES)[phase], tone: "", task: "" };
  return turn.who === "specialist" ? { who: "specialist", word: "Your turn", tone: "desk", task: task(turn) } : { who: "technician", word: "Bay’s turn", tone: "bay", task: task(turn) };
}

/** @returns {Watch[]} one's own in the order in which they were claimed, which never changes; then those of colleagues */
const inOrder = () => {
  const all = [...watches.values()].filter((w) => w.state && (w.state.phase !== "closed" || w.ref.id === focused));
  return [...all.filter((w) => w.mine), ...all.filter((w) => !w.mine)];
};

function draw() {
  const list = inOrder();
  const shown = strips.show([list.map((w) => [w.ref.id, w.seq, w.state.turn, w.entries.length, w.name(), w.mine]), focused, queue.map((r) => [r.stream.id, r.seq, r.place]), Math.floor(link.now() / 30_000), me?.member, link.member], () => [
    list.map((w, i) => {
      const t = turnOf(w), id = w.ref.id, bay = w.register?.bays?.[w.state.sheet?.bay]?.name ?? "";
      return h("article", { class: "strip" + (id === focused ? " focused" : "") },
        h("button", { type: "button", class: "strip-name", id: "focus-" + id, "aria-pressed": String(id === focused), onclick: () => focus(id) },
          h("kbd", null, String(i + 1)), h("b", null, w.name()), h("span", { class: "quiet" }, [sensor(w.state.sensor), bay, w.register?.organisation?.name].filter(Boolean).join(" · "))),
        strip(w, link.now()),
        h("div", { class: "strip-turn" }, w.state.phase === "stopped" ? stopGlyph() : turnGlyph(/** @type {any} */ (t.who)), h("span", null, h("b", { class: t.tone }, t.word), h("span", { class: "quiet" }, t.task), h("span", { class: "quiet asked-at", "data-turn": id }))),
        h("b", { class: "strip-clock", "data-since": String(w.since()) }, clock(link.now() - w.since())),
        h("button", { type: "button", id: "stop-" + id, class: "stop small" + (w.state.phase === "running" ? " live" : ""), disabled: ["declared", "closed", "stopped"].includes(w.state.phase), "aria-label": "Stop " + w.name(), onclick: () => stop(w) }, "Stop"));
    }),
    queueRows(queue, { name, shop: (org) => shops.get(org) ?? "", claim, decline, now: link.now() }), record,
  ]);
  const mine = asked ? held(list) : [];
  gone.show([asked, mine.map((w) => [w.ref.id, w.name(), w.state.phase])], () => asked && leaving(mine, { stay, leave: duty, focus: (id) => { stay(); focus(id); byId("main").focus({ preventScroll: true }); } }));
  if (shown) for (const w of list) if (w.ref.id !== focused) w.saw();
  byId("queue-state").textContent = `Queue ${queue.length}`;
  const yours = list.filter((w) => w.mine && w.state.turn.who === "specialist" && w.state.phase !== "running").length;
  document.title = (yours ? `(${yours}) Your turn` : "Desk") + " · Readback";
  const w = watches.get(focused);
  if (w?.state) work.draw(w, main);
  else main.show(["empty", queue.length], () => h("p", { class: "empty quiet" }, queue.length ? "Claim one from the queue: key Q, then Enter." : "Nobody waits."));
  keys.show([Boolean(w?.state), work.form], () => [["Enter", "send the next step"], ["A", "say again"], ["G", "go"], ["S", "stop"], ["C", "leg completed"], ["V", "with values"], ["X", "leg not completed"], ["O", "another outcome"], ["H R", "restart"], ["W", "waive"], ["N", "note"], ["F", "photos"], ["B", "give back"], ["P", "hand over"], ["1–9", "calibration"], ["Q", "queue"], ["Esc", "leave a form"]]
    .map(([k, text]) => h("span", null, h("kbd", null, k), " ", text)));
  tick();
}

function tick() {
  byId("clock").textContent = timeOfDay(link.now());
  for (const el of document.querySelectorAll("[data-since]")) el.textContent = clock(link.now() - Number(/** @type {HTMLElement} */ (el).dataset.since));
  for (const el of document.querySelectorAll("[data-until]")) el.textContent = clock(Date.parse(/** @type {any} */ (el).dataset.until) - link.now());
  for (const el of document.querySelectorAll("[data-turn]")) {
    const w = watches.get(/** @type {HTMLElement} */ (el).dataset.turn ?? ""), x = w?.state?.turn.late_at && waited(w.state.turn, link.now(), 0).late ? { text: "late", late: true } : w?.gone.technician && link.state === "linked" ? { text: `Bay not heard of for ${clock(link.now() - w.gone.technician)}`, late: true } : { text: "", late: false };
    el.textContent = x.text;
    el.className = "asked-at " + (x.late ? "late" : "quiet");
  }
  work.tick();
}

/** @param {KeyboardEvent} e */
function onKey(e) {
  if (e.key === "Escape" && asked) return stay();
  if (e.key === "Escape" && work.form) return work.open("");
  const tag = /** @type {Element} */ (e.target).tagName;
  if (e.ctrlKey || e.metaKey || e.altKey || e.repeat || /^(INPUT|SELECT|TEXTAREA)$/.test(tag)) return;
  if (e.key === "Enter" && /^(BUTTON|A)$/.test(tag)) return;
  const key = e.key.toLowerCase();
  if (/^[1-9]$/.test(key)) {
    const w = inOrder()[Number(key) - 1];
    if (w) focus(w.ref.id);
    byId("main").focus({ preventScroll: true }); // and Tab goes on in its work
  } else if (key === "q") {
    /** @type {HTMLElement | null} */ (document.querySelector(".claim"))?.focus();
  } else if (!work.key(key)) return;
  e.preventDefault();
}
