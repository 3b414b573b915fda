// @ts-check
// The record of one calibration, for who reads it later and may have to show it: the outcome, what stands out, who took part,
// with what, every entry of the trail in order, and how to prove it. It is made of entries alone, and prints as it stands.
import { fetched, get } from "./api.js";
import { byId, h, put, s } from "./dom.js";
import { dayText } from "./due.js";
import { decimal, NBSP, timeOfDay } from "./format.js";
import { gather, named, parts } from "./gather.js";
import { able, chain } from "./proving.js";
import { room, said } from "./rooms.js";
import { car, sheetOf, tell } from "./telling.js";
import { sensor, sentence } from "./words.js";

/** @typedef {import("./gather.js").Trail} Trail */

const id = location.pathname.split("/")[2];
/** How many entries the page shows at once, and of one sort that stands out. Paper has them all. */
const PAGE = 100, MOST_OUT = 50;
const ALWAYS = ["Waivers", "Stops", "Set-ups that became void", "Read back wrong", "Not within limits, or not sure, when measured"];

room(async () => {
  const [t, view] = [await gather(id, (read, of) => { if (read < of) put(byId("main"), h("p", { class: "quiet", role: "status" }, `Loading: ${read} of ${of} entries`)); }), await get("/v1/calibrations/" + id)];
  draw(t, view.state);
}, true);

/** The day of a moment on this device, and the time. @param {string} at */
const day = (at) => new Date(at).toLocaleDateString("en-GB", { day: "numeric", month: "short", year: "numeric" });
/** @param {string} at */
const time = (at) => timeOfDay(Date.parse(at));
/** @param {string} at */
const moment = (at) => `${day(at)}, ${time(at).slice(0, 5)}`;
/** How far this device's clock is from UTC then. @param {string} at */
function zone(at) {
  const min = -new Date(at).getTimezoneOffset(), two = (/** @type {number} */ n) => String(Math.floor(n)).padStart(2, "0");
  return `UTC${min < 0 ? "\u2212" : "+"}${two(Math.abs(min) / 60)}:${two(Math.abs(min) % 60)}`;
}

/** How an entry is numbered here. @param {import("./proving.js").Entry} e */
const number = (e) => (e.body.stream.kind === "job" ? "job" + NBSP + e.seq : String(e.seq));
/** @param {import("./proving.js").Entry} e */
const anchor = (e) => "entry-" + number(e).replace(NBSP, "-");

/** @param {Trail} t @param {any} state */
function draw(t, state) {
  const first = t.job[0].body.command.data, behind = /rear/.test(state.sensor), told = t.all.map((e) => ({ e, ...tell(t, e, behind) })).filter((x) => x.out);
  const names = ["plate", "vin", "mileage_km", "steering", "causes", "sensors", "customer_told", "customer_reference"];
  const now = Object.assign({}, first, ...t.job.filter((e) => ["vehicle-described", "work-described"].includes(e.body.type)).map((e) => e.body.command.data));
  const of = Object.fromEntries(names.filter((n) => now[n] !== undefined).map((n) => [n, now[n]]));
  const title = sensor(state.sensor) + " calibration", result = state.result, done = state.phase === "closed";
  document.title = `${title}, ${t.plain(of.plate) || id} · Readback`;
  cut(t.calibration.at(-1)?.hash ?? "", `Readback record ${id}${of.plate ? ", " + t.plain(of.plate) : ""}, ${t.calibration.length} entries`);
  put(byId("main"), h("div", { class: "head" }, h("h1", { id: "title" }, title, of.plate && `, ${t.plain(of.plate)}`), h("p", { class: "outcome", id: "outcome" }, result ? [h("b", null, sentence(result.outcome.replaceAll("-", " "))), done ? ", closed" : ", not closed yet"] : "No outcome is declared yet."),
      h("div", { class: "keys screen" }, h("button", { type: "button", class: "primary", id: "print", onclick: () => window.print() }, "Print the record"),
        h("a", { class: "second keylike", id: "bundle", href: `/v1/calibrations/${id}/bundle`, download: "" }, "Save the file that checks itself"),
        state.notice && h("a", { class: "second keylike", href: `/v1/calibrations/${id}/notice?lang=${state.notice.language ?? "en"}` }, "The customer's notice"))),
    section("In short", "short", short(t, state, of)), section("What stands out", "out", standsOut(t, told)), section("Who took part", "who-took-part", people(t)), section("With what", "with", things(t)),
    section("Every entry, in order", "entries", [h("p", { class: "quiet" }, `Times are those of this device, ${zone(t.all[0].body.at)}; the trail keeps them in UTC. "Job" numbers are of the car's visit, the others of this calibration. Left and right are the vehicle's, as seated facing forward.`), table(t, behind)]),
    section("How to prove it", "prove", prove(t)));
}

/** @param {string} name @param {string} key @param {any} inside */
const section = (name, key, inside) => h("section", { "aria-labelledby": key }, h("h2", { id: key }, name), inside);
/** @param {string} name @param {any} value */
const line = (name, value) => value && [h("dt", null, name), h("dd", null, value)];

/** @param {Trail} t @param {any} state @param {any} of of car and work, as corrected last */
function short(t, state, of) {
  const r = state.result, open = t.calibration[0].body, end = t.calibration.findLast((e) => e.body.type === "closed")?.body;
  const orgs = [...t.orgs.values()], shop = t.orgs.get(open.by.org), desks = orgs.filter((o) => o.sort === "desk");
  return h("dl", { class: "facts" }, line("Car", car(of, t.plain)), line("Workshop", shop && [shop.name, shop.phone && `, ${shop.phone}`]), line("Desk", desks.map((o) => o.name).join(", ")),
    line("Opened", `${moment(open.at)} by ${named(t, open.by)}`), line("Declared", r && `${sentence(r.outcome.replaceAll("-", " "))}, ${moment(r.at)}, by ${named(t, r.by)}`), line("Reason", r?.reason && h("q", null, t.plain(r.reason))), line("Remarks", r?.remarks && h("q", null, t.plain(r.remarks))),
    line("Positions", r?.positions?.map((/** @type {any} */ p) => `${p.position}: ${p.outcome.replaceAll("-", " ")}`).join("; ")),
    line("Looked at", r?.evaluation && `${r.evaluation.routine_confirmed ? "the vehicle took it over" : "the vehicle did not take it over"}; warning lamps ${r.evaluation.lamps.replaceAll("-", " ")}`),
    line("Signed", state.signs.length > 0 && h("ul", null, state.signs.map((/** @type {any} */ x) => h("li", null, `${named(t, x.by)} as ${x.by.role}, ${moment(x.at)}`, x.again && h("b", { class: "bay" }, " (the same person again)"))))),
    line("Notice", state.notice && `${state.notice.refused ? "refused by" : "handed to"} the ${state.notice.to.replaceAll("-", " ")}, ${moment(state.notice.at)}`),
    line("Closed", end && `${moment(end.at)} by ${named(t, end.by)}`),
    line("It says", "The recorded placements were computed from the readings entered, with the stated uncertainty, against the limits that the sheet states, by the people and with the instruments named here. Whether what was entered was true it cannot say; the maker's service information comes first."));
}

/** @param {Trail} t @param {{e: import("./proving.js").Entry, what: any, out?: string, more?: any[]}[]} told */
function standsOut(t, told) {
  /** @type {Map<string, any[]>} */
  const groups = new Map(ALWAYS.map((name) => [name, []]));
  for (const x of told) if (x.out) groups.set(x.out, [...(groups.get(x.out) ?? []), x]);
  const old = overdue(t), rest = (/** @type {any[]} */ list) => list.length > MOST_OUT && h("li", null, `and ${list.length - MOST_OUT} more, marked among the entries below`);
  if (old.length) groups.set("Out of date when it was used", old);
  const item = (/** @type {any} */ x) => (x.e ? h("li", null, h("a", { href: "#" + anchor(x.e) }, `Entry ${number(x.e)}`), `, ${moment(x.e.body.at)}, ${named(t, x.e.body.by)}: `, ...[x.what].flat(Infinity).map(copy), x.out === "Waivers" || x.e.body.command.data.reason ? [" ", ...(x.more ?? []).map(copy)] : "") : h("li", null, x));
  return h("dl", { class: "outs" }, [...groups].map(([name, list]) => [h("dt", null, h("b", { class: list.length ? "count some" : "count" }, list.length), " ", name), list.length > 0 && h("dd", null, h("ul", null, list.slice(0, MOST_OUT).map(item), rest(list)))]));
}

/** A node can stand in one place only. @param {any} v */
const copy = (v) => (v instanceof Node ? v.cloneNode(true) : v);

/** What had run out on the day the calibration was opened. @param {Trail} t */
function overdue(t) {
  const on = t.calibration[0].body.at.slice(0, 10), late = (/** @type {string} */ d) => d && d < on;
  return [...t.things.values()].flatMap((x) => (late(x.value.due) ? [`${x.value.name}: its check was due ${dayText(x.value.due)}`] : late(x.value.expires) ? [`${x.value.name}: its floor survey ran out ${dayText(x.value.expires)}`] : []));
}

/** @param {Trail} t */
function people(t) {
  const rows = [...t.people.values()].filter((p) => p.count).map((p) => {
    const role = [...p.roles][0], proof = p.competences.map((c) => `${sensor(c.sensor)} through ${dayText(c.expires)}${c.proof ? `, proof ${c.proof}` : ""}`).join("; ");
    return [named(t, { ...p, role }), [...p.roles].join(", "), t.orgs.get(p.org)?.name ?? "", proof || (role === "system" ? "" : "none entered"), `${p.count}: ${moment(p.first)} to ${moment(p.last)}`];
  });
  return cards("people", ["Name", "As", "Of", "Competence as entered then", "Entries"], rows);
}

/** @param {string} name @param {string[]} heads @param {any[]} rows */
const tabled = (name, heads, rows) => h("div", { class: "wide" }, h("table", { id: name + "-table" }, h("thead", null, h("tr", null, heads.map((x) => h("th", { scope: "col" }, x)))), h("tbody", null, rows)));

/** A table whose rows are cards on a phone: each cell has the name of its column with it. @param {string} name @param {string[]} heads @param {any[][]} rows */
function cards(name, heads, rows) {
  const box = tabled(name, heads, rows.map(([first, ...others]) => h("tr", null, h("th", { scope: "row" }, first), others.map((v, i) => h("td", { "data-name": heads[i + 1] }, v)))));
  box.firstElementChild?.classList.add("cards");
  return box;
}

const trimmed = (/** @type {number} */ n, /** @type {number} */ digits) => decimal(n, digits, digits).replace(/\.?0+$/, "");

/** @param {Trail} t */
function things(t) {
  const all = [...t.things.values()], of = (/** @type {string} */ kind) => all.filter((x) => x.kind === kind).map((x) => x.value);
  const u = (/** @type {any} */ i) => (i.standard_uncertainty_udeg !== undefined ? trimmed(i.standard_uncertainty_udeg, 6) + "°" : trimmed(i.standard_uncertainty_um, 3) + NBSP + "mm");
  const sheets = t.calibration.filter((e) => e.body.type === "sheet-issued").map((e) => sheetOf(e.body)).filter((d) => d.source);
  return [all.some((x) => x.kind === "instrument") && cards("instruments", ["Instrument", "Kind", "Standard uncertainty", "Certificate", "Next check due", "Readings"],
    all.filter((x) => x.kind === "instrument").map((x) => [x.value.name, x.value.instrument.kind, u(x.value.instrument), `${x.value.certificate.number}, ${dayText(x.value.certificate.dated)}`, dayText(x.value.due), x.used])),
  h("dl", { class: "facts" }, line("Stand, target", of("fixture").map((f) => `${f.name}, target ${f.target}`).join("; ")), line("Bay", of("bay").map((b) => b.name + (b.floor ? `, floor surveyed ${dayText(b.surveyed)}, counts through ${dayText(b.expires)}` : ", floor not surveyed")).join("; ")),
    line("Dimensions", of("dimensions").map((d) => `${d.type}: ${d.source}`).join("; ")), line("Source", [...new Set(sheets.map((d) => `${d.source.title}, ${d.source.dated}, version ${d.source.version}; limits ${d.limits === "own" ? "the shop's own" : "as stated there"}`))].join(". "))),
  h("p", { class: "quiet" }, "As they stood in the register when they were used. What was renewed or renamed since does not change this.")];
}

/** A page of the entries, and the ways to the others; on paper all. @param {Trail} t @param {boolean} behind */
function table(t, behind) {
  const box = tabled("entries", ["No.", "Time", "Who", "What, and how it is known"], []), body = /** @type {Element} */ (box.querySelector("tbody"));
  const all = t.all, pages = Math.ceil(all.length / PAGE), now = h("span", { role: "status", id: "which" });
  let page = 0;
  const turn = (/** @type {string} */ name, /** @type {string} */ text, /** @type {() => number} */ to) => h("button", { type: "button", class: "second", id: name, onclick: () => { show(to()); byId("entries").scrollIntoView(); } }, text);
  const ways = [turn("first", "First", () => 0), turn("earlier", "Earlier", () => page - 1), turn("later", "Later", () => page + 1), turn("last", "Last", () => pages - 1)];
  /** @param {number} to */
  const show = (to) => {
    page = Math.min(Math.max(to, 0), pages - 1);
    put(body, rows(t, all.slice(page * PAGE, (page + 1) * PAGE), behind));
    now.textContent = `Entries ${page * PAGE + 1} to ${Math.min((page + 1) * PAGE, all.length)} of ${all.length}, in order of time`;
    for (const [i, way] of ways.entries()) /** @type {HTMLButtonElement} */ (way).disabled = i < 2 ? page === 0 : page === pages - 1;
  };
  /** To the entry that the address names, on whatever page it is. */
  const follow = () => {
    const at = location.hash.startsWith("#entry-") ? all.findIndex((e) => "#" + anchor(e) === location.hash) : -1;
    if (at < 0) return;
    show(Math.floor(at / PAGE));
    const row = document.getElementById(location.hash.slice(1));
    row?.scrollIntoView();
    for (const e of body.querySelectorAll(".here")) e.classList.remove("here");
    row?.classList.add("here");
  };
  addEventListener("hashchange", follow);
  addEventListener("click", (e) => { if (/** @type {Element} */ (e.target).closest?.('a[href^="#entry-"]')) setTimeout(follow); }); // also to where it was before
  addEventListener("beforeprint", () => put(body, rows(t, all, behind)));
  addEventListener("afterprint", () => show(page));
  show(0);
  if (location.hash) setTimeout(follow); // once it stands on the page
  return [pages > 1 && h("div", { class: "keys screen" }, ways, now), box];
}

/** @param {Trail} t @param {import("./proving.js").Entry[]} list @param {boolean} behind */
function rows(t, list, behind) {
  let last = "";
  return list.flatMap((e) => {
    const { what, more, how, out } = tell(t, e, behind);
    const on = day(e.body.at), head = on === last ? [] : [h("tr", { class: "day" }, h("th", { colspan: 4, scope: "rowgroup" }, on))], by = e.body.by;
    last = on;
    return [...head, h("tr", { id: anchor(e), class: out ? "out" : "" }, h("td", { class: "n" }, number(e)), h("td", { class: "n" }, time(e.body.at)), h("td", null, named(t, by), h("span", { class: `quiet as ${by.role === "specialist" ? "desk" : by.role === "technician" ? "bay" : ""}` }, by.role)),
      h("td", null, h("span", null, what), " ", h("span", { class: "how" }, how), more?.map((m) => h("div", { class: "more" }, m))))];
  });
}

/** @param {Trail} t */
function prove(t) {
  const verdict = h("p", { id: "chain", role: "status" }), key = h("code", { id: "signer" }, "…");
  fetched("/v1/trail-key", {}, (r) => r.text()).then((text) => { key.textContent = text.trim(); }, () => { key.textContent = "not had just now"; });
  const look = async (/** @type {boolean} */ anew) => {
    verdict.className = "";
    verdict.textContent = "Computing.";
    try {
      verdict.textContent = await chains(t, anew, (ok) => { verdict.className = ok ? "met" : "bay"; }, (n) => { verdict.textContent = `Computing: ${n} of ${t.all.length} entries.`; });
    } catch (e) {
      verdict.textContent = said(e);
    }
  };
  look(false);
  const end = (/** @type {string} */ name, /** @type {import("./proving.js").Entry[]} */ list) => line(name, [`${list.length} entries; fingerprint of the last `, h("code", null, list.at(-1)?.hash ?? "")]);
  return [verdict, h("p", { class: "screen" }, h("button", { type: "button", class: "second", id: "recompute", onclick: () => look(true) }, "Compute it again")),
    h("dl", { class: "facts" }, end("Calibration", t.calibration), end("Job", t.job), line("Identity", [h("code", null, id), ", job ", h("code", null, t.jobId)]), line("Signer's key", key)),
    h("p", null, "Who doubts this paper or this server checks without either:"),
    h("ol", null, h("li", null, "Save the file that checks itself. It holds every entry, the photos, and the signed fingerprints; with the key in it whoever has the file can read the names."),
      h("li", null, "Put the signer's key into signer.txt: from a copy that was kept outside this server, not from this page."),
      h("li", null, "On any machine, without a network: ", h("code", null, `readback verify --key signer.txt calibration-${id}.zip`), ". It decides every entry again and names the first that does not hold. The file's README and docs/trail.md say how to do it without this program."),
      h("li", null, "The fingerprints it names must be the two above. The edge of this paper is cut from the first of them, one notch for each of its digits, the same on every page: a page with another edge is of another record."))];
}

/** Computes both chains, of what was read or, anew, of what the server sends now. @param {Trail} t @param {boolean} anew @param {(ok: boolean) => void} tone @param {(n: number) => void} progress */
async function chains(t, anew, tone, progress) {
  if (!able()) return "This browser computes fingerprints over HTTPS only. Check the saved file instead.";
  let done = 0;
  for (const [kinds, kind, key, was] of /** @type {const} */ ([["calibrations", "calibration", id, t.calibration], ["jobs", "job", t.jobId, t.job]])) {
    const links = chain({ kind, id: key });
    let shown = "";
    for await (const part of anew ? parts(kinds, key) : inParts(was)) {
      const bad = await links.take(part.entries);
      if (bad) {
        tone(false);
        return `The trail does not hold: ${kind} entry ${bad.seq}, ${bad.why}. Keep this page and the file, and have the database verified.`;
      }
      shown ||= part.entries.find((e) => e.seq === was.length)?.hash ?? "";
      progress(done + links.count());
    }
    done += links.count();
    if (shown !== was.at(-1)?.hash) {
      tone(false);
      return `The trail does not hold: the ${kind} is not the one shown above any more.`;
    }
  }
  tone(true);
  return `Computed by this browser, ${moment(new Date().toISOString())}: each of the ${t.calibration.length + t.job.length} entries fits the one before it. Nothing was changed, taken out or put in between.`;
}

/** The edge of the paper, cut from the fingerprint, and what the record is: the same on each page. @param {string} hash @param {string} text */
function cut(hash, text) {
  put(byId("cut"), s("svg", { viewBox: "0 0 20 640", preserveAspectRatio: "none" }, s("path", { d: "M0 0H4" + [...hash].map((c, i) => `H${4 + parseInt(c, 16)}V${(i + 1) * 10}`).join("") + "H0Z" })), h("span", null, text));
}

/** @param {import("./proving.js").Entry[]} list */
async function* inParts(list) {
  for (let i = 0; i < list.length; i += PAGE) yield { entries: list.slice(i, i + PAGE) };
}
