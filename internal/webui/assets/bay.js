// @ts-check
// The bay: one calibration, one thing to do, on a tablet two metres away. What is shown follows from the state that the
// server folds; what is being typed is kept here and in sessionStorage.

import { command, get, Refused, signOut } from "./api.js";
import { byId, drop, h, kept, part as lazy, place, put, theme, untilThere } from "./dom.js";
import { clock, otherUnit, unit } from "./format.js";
import { linkGlyph, speakGlyph, stopGlyph, turnGlyph } from "./glyph.js";
import { Link } from "./link.js";
import { Rounds } from "./rounds.js";
import { seam } from "./seam.js";
import { stepScene } from "./steps.js";
import { Watch } from "./watch.js";
import { CAUTIONS, PHASES, sensor, task, waited, where } from "./words.js";

/** @typedef {import("./steps.js").Scene} Scene */
/** @typedef {"now" | "more" | "gates" | "sheet" | "scan" | "readings" | "void" | "ask" | "handover" | "end" | "photos"} Part */

const id = location.pathname.split("/")[2];
const link = new Link();
const w = new Watch(link, id);
const rounds = new Rounds(id);
const main = place(byId("main"), draw), foot = place(byId("foot"), draw), turnline = place(byId("turn")), linkline = place(byId("link"));
// Loaded when first needed, or once the screen stands: a link that goes then takes none of it away.
const gates = lazy(() => import("./gates.js")), sheet = lazy(() => import("./sheet.js")), scan = lazy(() => import("./scan.js")),
  places = lazy(() => import("./placing.js")), voids = lazy(() => import("./voids.js")), handover = lazy(() => import("./handover.js")), finish = lazy(() => import("./finish.js")), vin = lazy(() => import("./vin.js")), asking = lazy(() => import("./asking.js")), readings = lazy(() => import("./readings.js")), drives = lazy(() => import("./drive.js")), photos = lazy(() => import("./photos.js"));
/** @type {Part} */
let part = "now";
/** What the photos are opened for, and from where. @type {any[]} */
let aimed = [];
let spoken = "", lastStep = "", meanwhile = false; // placed while the request waits
let number = "", numberOf = "none"; // the desk's telephone, asked for while there is a link

theme();
put(byId("stop"), stopGlyph(), h("span", null, "Stop"));
byId("stop").addEventListener("click", () => untilThere(act("stop"), notice, `Stop has not reached the desk yet. Telephone the desk${number}.`));
link.addEventListener("state", drawLink);
link.addEventListener("outbox", drawLink);
link.addEventListener("orphan", (e) => notice(/** @type {CustomEvent} */ (e).detail.refused.text()));
w.addEventListener("change", draw);
drawLink();
places.warm();
begin();
setInterval(tick, 500);
new ResizeObserver(fit).observe(byId("main"));

/** Loads the calibration; without a line, again until there is one. */
async function begin() {
  try {
    await w.start();
    draw();
    for (const p of [asking, readings, gates, voids, finish, handover, vin, scan, sheet, ...(w.state.procedure?.drive ? [drives] : [])]) p.warm();
    const seen = w.seq;
    photos.show((m) => m.follow(w, seen, "technician", notice, () => go("photos")));
  } catch (e) {
    const refused = e instanceof Refused;
    put(byId("main"), h("p", { class: "problem", role: "alert" }, refused ? e.message : "No link to the server. Trying again: check the network here."), refused && h("a", { href: "/bay" }, "All calibrations"));
    if (!refused) setTimeout(begin, 1000);
  }
}

/** Learns whom to call once there is no link. */
function learn() {
  const desk = w.state.claim?.desk ?? "";
  if (desk === numberOf) return;
  numberOf = desk;
  get(`/v1/calibrations/${id}/place`).then((p) => { number = p.telephones?.length ? ": " + p.telephones.map((/** @type {any} */ t) => t.phone).join(" or ") : ""; }, () => { numberOf = "none"; });
}

/** @param {string} text */
function notice(text) {
  put(byId("notice"), text && [h("span", null, text), h("button", { type: "button", class: "plain", onclick: () => notice("") }, "Put away")]);
}

/** Gives a command and says why if it is refused. @param {string} type @param {object} [data] */
async function act(type, data = {}) {
  notice("");
  try {
    return await w.command(type, data);
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    await w.look(); // first what came in between, then that it did
    notice(said(e));
  }
}

/** @param {Refused} e */
const said = (e) => (e.slug === "stale" ? "Something came in between. Look again, then decide." : e.text());

/** Sends the round of readings that was typed. */
async function sendRound() {
  const round = rounds.now;
  if (!round) return;
  const data = rounds.report();
  put(byId("main"), h("p", { class: "quiet then" }, link.state === "linked" ? "Checking" : "No link: kept here, sent when it is back"));
  try {
    await w.command(round.purpose === "closing" ? "report-closing" : "report-readings", data, round.base);
    rounds.end();
  } catch (e) {
    if (!(e instanceof Refused)) throw e;
    round.values[round.at] = null;
    await w.look();
    notice(said(e));
    round.base = w.seen.seq;
    rounds.keep();
  }
  redraw();
}

function redraw() {
  part = "now";
  main.show(["anew", Math.random()], () => "");
  draw();
}

/** @param {string} text */
function say(text) {
  if (text && text !== spoken) byId("say").textContent = text;
  spoken = text;
}

function speakAgain() {
  byId("say").textContent = "";
  byId("say").textContent = spoken;
  if (!("speechSynthesis" in window)) return;
  speechSynthesis.cancel();
  speechSynthesis.speak(new SpeechSynthesisUtterance(spoken));
}

function drawLink() {
  const kept = link.outbox.length;
  linkline.show([link.state, kept, link.reason], () => [linkGlyph(link.state === "linked"),
    link.state === "linked" ? "Linked" : link.state === "out" ? link.reason : ["No link, kept here", kept > 0 && `: ${kept}`, link.reason && ". " + link.reason]]);
  byId("link").classList.toggle("lost", link.state !== "linked");
}

function openStep() {
  const last = w.state.steps[w.state.steps.length - 1];
  return last && last.state !== "done" && last.state !== "withdrawn" ? last : null;
}

/** What there is to do now. @returns {Scene} */
function now() {
  const s = w.state, turn = s.turn, handed = w.offer("technician");
  const big = (/** @type {string} */ id, /** @type {string} */ text, /** @type {() => void} */ onclick) => () => h("button", { type: "button", id, class: "primary bay", onclick }, text);
  const plain = (/** @type {string} */ title, /** @type {any} */ text, /** @type {(() => any) | undefined} */ primary, /** @type {any} */ more = null) =>
    ({ key: [title, text, w.seq], spoken: title, primary, body: () => h("section", { class: "only" }, h("h1", { class: "instruction", id: "instruction" }, title), text && h("p", { class: "then" }, text), more) });
  const askMore = () => h("button", { type: "button", id: "ask-more", class: "second", onclick: () => go("ask") }, "Promised time, language");
  const startSheet = () => h("button", { type: "button", id: "to-sheet", class: "second", onclick: () => go("sheet") }, "Set-up sheet");
  if (handed && handed.member !== link.member && s.phase !== "running") {
    return { key: ["take", handed.at], spoken: "A hand-over waits. Read the card.", body: () => h("section", { class: "scroll" }, h("h1", { class: "instruction small", id: "instruction" }, "Hand-over"), kept("take" + handed.at, () => handover.show((m) => m.take(handed, w, act)))) };
  }
  const road = s.procedure?.drive && !s.procedure.set_ups?.length; // nothing is placed
  const calm = ["preparing", "waiting", "guided", "stopped"].includes(s.phase);
  if (calm && w.job.phase === "withdrawn") return plain("Job withdrawn", "Nothing more is done on this car here.", big("to-end", "End this calibration", () => go("end")));
  if (calm && !openStep() && w.doubt()) {
    return { key: ["vins", w.jobSeq], spoken: "Two VINs. Is this the right car?",
      body: () => vin.show((m) => m.twoVINs(w.job, w.opened, (data) => w.commandJob("settle-vin", data).then(draw))) };
  }
  switch (s.phase) {
    case "preparing":
      if (turn.do === "record-gate") return { key: ["gates", w.stamp], spoken: "Answer the gates", body: answers };
      if (road) return plain("Ready to ask", "When the desk has come, the drive follows.", big("request", "Ask for a specialist", () => act("request")), askMore());
      if (!s.sheet) return plain("Ready to ask", "The desk can come now. With the set-up sheet you can place the target meanwhile.", big("request", "Ask for a specialist", () => act("request")), [startSheet(), askMore()]);
      if (s.place.stage !== "none") return { ...setUp(), primary: big("request", "Ask for a specialist", () => act("request")) };
      return plain("Ready to ask", "You can place the target while you wait.", big("request", "Ask for a specialist", () => act("request")), askMore());
    case "waiting":
      if (s.sheet && (s.place.stage !== "none" || meanwhile)) return setUp();
      return plain("Waiting for a specialist", "", s.sheet ? big("meanwhile", "Place the target meanwhile", () => { meanwhile = true; draw(); }) : undefined,
        [asking.show((m) => m.wait(s.request, id)), !s.sheet && !road && [h("p", { class: "then" }, "With the set-up sheet you can place the target meanwhile."), startSheet()]]);
    case "running":
      return { key: ["running", w.seq], spoken: "The leg runs. " + CAUTIONS.running, body: () => h("section", { class: "only running" }, h("h1", { class: "instruction", id: "instruction" }, "Leg running"), seam("met"), h("p", { class: "then" }, CAUTIONS.running)) };
    case "stopped": {
      const agreed = (s.stop?.agreed ?? []).includes("technician");
      return plain("Stopped", agreed ? "You agree to restart. The desk has not yet." : "Work goes on when both sides agree. Closing readings are taken again.",
        agreed ? undefined : big("restart", "Agree to restart", () => act("restart")));
    }
    case "declared": case "closed": {
      const signed = s.signs.some((/** @type {any} */ x) => x.by.role === "technician");
      return { key: ["ending", w.seq, link.roles], spoken: "Result: " + s.result.outcome.replace("-", " "), body: () => finish.show((m) => m.ending(w, act)),
        primary: s.phase === "closed" ? undefined : !signed ? big("sign", "Sign", () => act("sign")) : turn.do === "close" ? big("close", "Close the calibration", () => act("close")) : undefined };
    }
  }
  const step = openStep();
  if (step) return stepScene(w, step, act);
  if (turn.do === "record-drive") return { key: ["drive", s.attempts], spoken: "Drive, then record it. " + s.procedure.drive_caution, body: () => drives.show((m) => m.drive(w, (data) => command("calibrations", id, w.seen.seq, "record-drive", data).then(() => w.look()))) };
  if (turn.do === "record-gate") return { key: ["gates", w.stamp], spoken: "Answer the gates", body: answers };
  if (turn.do === "waive") return plain("Wait for the desk", "", big("give-again", "Answer it again", () => { go("gates"); document.getElementById("gate-" + turn.gate)?.scrollIntoView(); }), gates.show((m) => m.passing(w, turn.gate)));
  const fit = turn.do === "instruct" && turn.kind === "fit-target";
  if (turn.who === "technician" || turn.do === "go" || (fit && s.place.stage === "none")) return setUp();
  const text = { "issue-sheet": "The desk makes the set-up sheet.", "adopt-sheet": "The desk looks at your set-up sheet.", declare: (road ? "" : "Every position has run. ") + "The desk declares the result.", instruct: fit ? "The desk says which target to fit." : turn.kind === "move" ? "It is far off. The desk says how to move it." : `The desk sends you to position ${turn.position}.` }[/** @type {string} */ (turn.do)] ?? "";
  return plain("Wait for the desk", text, undefined, [!s.sheet && !road && startSheet(), s.procedure?.drive && drives.show((m) => m.driven(s))]);
}

const hands = { act, rounds, redraw };
/** The set-up at this position, as soon as what draws it has come. @returns {Scene} */
function setUp() {
  const m = places.here();
  if (m) return m.placing(w, hands);
  places.warm().then(() => (places.here() ? draw() : setTimeout(draw, 1000)));
  return { key: ["coming"], spoken: "", body: () => h("p", { class: "then" }, "Loading") };
}
const answers = () => gates.show((m) => m.gates(w, act, photo));

/** Opens the photos for a gate, and comes back from there. @param {any} of @param {string} [look] */
function photo(of, look) {
  notice("");
  aimed = [of, part, look];
  go("photos");
}

/** @param {Part} to */
function go(to) {
  part = to;
  draw();
  byId("main").scrollTop = 0;
  byId("main").focus({ preventScroll: true });
}

/** Puts a form away that has done its work, and goes back to the work; one that was refused stays. @param {string} form */
const done = (form) => (/** @type {unknown} */ accepted) => {
  if (!accepted) return;
  drop(form);
  go("now");
};

function more() {
  const b = (/** @type {Part} */ to, /** @type {string} */ text) => h("button", { type: "button", class: "second", id: "part-" + to, onclick: () => go(to) }, text);
  return h("section", { class: "menu all" }, h("h1", { class: "unseen" }, "More"), w.state.phase === "waiting" && asking.show((m) => m.wait(w.state.request, id)), b("gates", "Car and bay"), b("sheet", "Set-up sheet"), b("scan", "Scan"), b("photos", "Photos"), b("readings", "Readings"), b("void", "Something changed"), b("handover", "Hand over to a colleague"), b("end", "End it without a result"), h("a", { class: "second", href: "/bay/jobs/" + w.state.job }, "The car and its job"),
    h("a", { class: "second", href: "/bay" }, "All calibrations"), h("button", { type: "button", class: "second", id: "theme-here", onclick: () => { const r = document.documentElement; r.dataset.theme = r.dataset.theme === "dark" ? "light" : "dark"; localStorage.setItem("readback.theme", r.dataset.theme); } }, "Light or dark"),
    h("button", { type: "button", class: "second", id: "unit", onclick: () => { otherUnit(); w.look(); } }, unit() === "in" ? "Show millimetres" : "Show inches"),
    h("button", { type: "button", class: "second", onclick: signOut }, "Sign out"));
}

/** Other calibrations of this car that wait for a specialist already. */
async function others() {
  const rows = (await get("/v1/calibrations?limit=100")).calibrations;
  return rows.filter((/** @type {any} */ r) => r.job === w.state.job && r.stream.id !== id && r.phase === "waiting" && !r.summary.queue?.with).map((/** @type {any} */ r) => ({ id: r.stream.id, name: sensor(r.summary.sensor) }));
}

/** @type {Record<string, () => any>} */
const parts = {
  ask: () => kept("ask", () => asking.show((m) => {
    const box = h("section", { class: "scroll" });
    others().catch(() => []).then((list) => put(box, m.askForm(list, (data) => act("request", data).then(done("ask")))));
    return box;
  })),
  end: () => kept("end", () => finish.show((m) => m.giveUp(w, (type, data) => act(type, data).then(done("end"))))),
  handover: () => h("section", { class: "scroll" }, h("h1", null, "Hand over to a colleague"), kept("offer" + (w.offer("technician")?.at ?? ""), () => handover.show((m) => m.offer(w.offer("technician"), w, act)))),
  more, void: () => voids.show((m) => m.voids((cause) => act("void-setup", { cause }).then(() => go("now")))), readings: () => places.show((m) => m.standing(w, hands)), gates: answers,
  sheet: () => h("section", { class: "scroll" }, h("h1", null, w.state.sheet ? "Another set-up sheet" : "Set-up sheet"), w.state.sheet && h("p", { class: "quiet" }, `Sheet ${w.state.sheet.sheet}: ${w.state.sheet.source.title}, ${w.state.sheet.source.dated}, version ${w.state.sheet.source.version}.`), kept("sheet" + unit(), () => sheet.show((m) => m.sheetForm(w, (data) => w.command("issue-sheet", data).then(done("sheet" + unit())))))),
  photos: () => {
    const [aim, from, looking] = aimed;
    aimed = [];
    return photos.show((m) => m.room(w, { aim, looking, done: () => go(from) }));
  },
  scan: () => h("section", { class: "scroll" }, kept("scan", () => scan.show((m) => m.scan(w.job, w.state.attempts.length ? "after" : "before", (data) => w.commandJob("record-scan", data).then(() => done("scan")(true)))))),
};

function draw() {
  if (!w.state) return;
  const s = w.state, step = openStep();
  // What the desk says, a stop and a running leg come before anything that is looked at beside.
  const urgent = JSON.stringify([step?.number, step?.state, s.phase === "stopped", s.phase === "running"]);
  if (urgent !== lastStep && lastStep !== "" && (step || s.phase === "stopped" || s.phase === "running")) {
    part = "now";
    if (rounds.now && (s.phase === "stopped" || s.phase === "running")) rounds.end();
  }
  lastStep = urgent;
  if (rounds.between(step, s.steps, w.seq, w.entries)) notice("The target was moved: its readings are taken anew.");
  learn();
  byId("where").textContent = where(s);
  byId("stop").hidden = s.phase === "declared" || s.phase === "closed";
  const typing = rounds.now && part === "now" && !step; // what is typed waits until the instruction is done
  const mine = typing || s.turn.who === "technician", running = s.phase === "running";
  turnline.show([s.turn, s.phase, typing], () => [turnGlyph(running ? "running" : typing ? "technician" : s.turn.who ?? ""),
    h("b", { class: running ? "met" : mine ? "bay" : s.turn.who ? "desk" : "" }, running ? "Leg running" : s.turn.who ? (mine ? "Your turn: " : "Desk’s turn: ") + (typing ? "readings" : task(s.turn)) : /** @type {any} */ (PHASES)[s.phase]), " ", h("span", { id: "since", class: "quiet" })]);
  if (part !== "now") {
    const live = part === "handover" ? w.offer("technician")?.at ?? "" : part === "gates" || part === "readings" ? w.stamp : part + unit() + (s.sheet?.sheet ?? "");
    saw(main.show(["part", part, live], parts[part]), foot.show(["part", part], () => [again(), h("button", { type: "button", id: "back", class: "primary quiet-key", onclick: () => go("now") }, "Back to the work"), moreKey()]));
    return;
  }
  if (typing) {
    saw(main.show(["keypad", rounds.now?.purpose, rounds.now?.list], () => readings.show((m) => m.keypad(w, rounds, { send: sendRound, cancel: () => { rounds.end(); redraw(); }, said: say }))), true);
    byId("main").className = "full";
    foot.show(["none"], () => "");
    byId("foot").hidden = true;
    return;
  }
  byId("main").className = "";
  byId("foot").hidden = false;
  const scene = now();
  saw(main.show(scene.key, scene.body), foot.show([scene.key, Boolean(scene.primary)], () => [again(), scene.primary ? scene.primary() : h("span", { class: "spring" }), moreKey()]));
  say(scene.spoken);
  tick();
  fit();
}

/** However much stands above and below it, an instruction is on the screen as a whole: its texts give way, to seven tenths at most. */
function fit() {
  const el = byId("main"), whole = !el.querySelector(".scroll, .menu, .reading");
  let share = 1;
  const give = () => el.style.setProperty("--fit", share.toFixed(2));
  for (give(); whole && share > 0.7 && el.scrollHeight > el.clientHeight; give()) share -= 0.03;
}

/** What is pressed next is said on what stands here, and on nothing newer. @param {boolean} inMain @param {boolean} inFoot */
const saw = (inMain, inFoot) => inMain && inFoot && w.saw();
const again = () => h("button", { type: "button", class: "corner left-corner", id: "say-again", onclick: speakAgain }, speakGlyph(), h("span", null, "Say again"));
const moreKey = () => h("button", { type: "button", class: "corner right-corner", id: "more", onclick: () => go("more") }, h("span", { class: "dots", "aria-hidden": "true" }, "•••"), h("span", null, "More"));

/** What runs by the clock: how long the turn has lasted, and the sixty seconds. */
function tick() {
  if (!w.state) return;
  const since = document.getElementById("since");
  if (since) {
    const x = waited(w.state.turn, link.now(), w.since());
    since.textContent = x.text;
    since.className = x.late ? "late" : "quiet";
    byId("gone").textContent = w.state.claim && w.gone.specialist && link.state === "linked" && w.state.phase !== "closed" ? `Specialist not heard of for ${clock(link.now() - w.gone.specialist)}` : "";
  }
  for (const el of document.querySelectorAll("[data-until]")) el.textContent = clock(Date.parse(/** @type {any} */ (el).dataset.until) - link.now());
  if (byId("main").scrollHeight > byId("main").clientHeight) fit(); // the status may have become a line longer
  const word = w.state.word, left = document.getElementById("left"), line = document.getElementById("word-seam");
  if (!word || !left || !line) return;
  const passed = (link.now() - Date.parse(word.at)) / 1000;
  if (passed > 60) return void w.look();
  left.textContent = `${60 - Math.floor(passed)} s left for both words`;
  put(line, seam("open", passed / 60));
}
