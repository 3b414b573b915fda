// @ts-check
// A calibration's trail and its job's, whole, as the record page reads them; and what the entries say of people and things as
// they were then. Everything is from the entries: the register of today may say something else.
import { get } from "./api.js";

/** @typedef {import("./proving.js").Entry} Entry */
/** @typedef {{name: string, org: string, member: string, competences: {sensor: string, expires: string, proof?: string}[], roles: Set<string>, first: string, last: string, count: number}} Person */
/** @typedef {{id: string, kind: string, value: any, used: number, at: string}} Thing */
/** @typedef {{job: Entry[], calibration: Entry[], all: Entry[], people: Map<string, Person>, orgs: Map<string, any>, things: Map<string, Thing>, gates: Map<string, any>, plain: (v: any) => string, jobId: string, id: string}} Trail */

const MOST = 500;

/** Every entry of a stream, part by part: a trail may have 20,000. @param {"calibrations" | "jobs"} kinds @param {string} id @returns {AsyncGenerator<{entries: Entry[], head: number}>} */
export async function* parts(kinds, id) {
  for (let after = 0; ;) {
    const part = await get(`/v1/${kinds}/${id}/entries?after=${after}&limit=${MOST}`);
    after += part.entries.length;
    yield part;
    if (!part.entries.length || after >= part.head) return;
  }
}

/** @param {"calibrations" | "jobs"} kinds @param {string} id @param {(read: number, of: number) => void} progress */
async function entries(kinds, id, progress) {
  /** @type {Entry[]} */
  const all = [];
  for await (const part of parts(kinds, id)) {
    all.push(...part.entries);
    progress(all.length, part.head);
  }
  return all;
}

/** @param {string} id of the calibration @param {(read: number, of: number) => void} [progress] @returns {Promise<Trail>} */
export async function gather(id, progress = () => {}) {
  const calibration = await entries("calibrations", id, progress), jobId = calibration[0].body.command.data.job, job = await entries("jobs", jobId, progress);
  const opened = new Map();
  for (const e of [...job, ...calibration]) {
    for (const [pointer, text] of Object.entries(e.opened ?? {})) {
      const at = pointer.split("/").slice(1).reduce((v, k) => v?.[k.replaceAll("~1", "/").replaceAll("~0", "~")], e.body);
      if (at?.sealed) opened.set(at.sealed.v, text);
    }
  }
  const plain = (/** @type {any} */ v) => (v?.sealed ? opened.get(v.sealed.v) ?? "(not to be read here any more)" : v ?? "");
  const all = [...job, ...calibration].sort((a, b) => a.body.at.localeCompare(b.body.at) || b.body.stream.kind.localeCompare(a.body.stream.kind) || a.seq - b.seq);
  const trail = { job, calibration, all, people: new Map(), orgs: new Map(), things: new Map(), gates: new Map(), plain, jobId, id };
  for (const e of all) read(trail, e);
  return trail;
}

/** @param {Trail} t @param {Entry} e */
function read(t, e) {
  const b = e.body, who = person(t, b.by.org, b.by.member);
  for (const f of b.facts) {
    const [kind, id] = f.name.split("/");
    if (kind === "organisation") t.orgs.set(f.stream.id, f.value);
    else if (kind === "member") Object.assign(person(t, f.stream.id, id), { name: t.plain(f.value.name), competences: f.value.competences ?? [] });
    else if (["instrument", "fixture", "bay", "dimensions"].includes(kind)) t.things.set(id, { id, kind, value: f.value, used: t.things.get(id)?.used ?? 0, at: b.at });
  }
  who.roles.add(b.by.role);
  who.first ||= b.at;
  who.last = b.at;
  who.count++;
  for (const r of b.command.data.readings ?? []) {
    const thing = t.things.get(r.instrument);
    if (thing) thing.used++;
  }
  if (b.type === "opened") for (const g of b.decided.gates ?? []) t.gates.set(g.gate, g);
}

/** Two registers may hold the same id, so that who somebody is is organisation and member. @param {string} org @param {string} member */
const key = (org, member) => org + " " + member;

/** @param {Trail} t @param {string} org @param {string} member @returns {Person} */
function person(t, org, member) {
  let p = t.people.get(key(org, member));
  if (!p) t.people.set(key(org, member), p = { name: "", org, member, competences: [], roles: new Set(), first: "", last: "", count: 0 });
  return p;
}

/** Somebody's name as the trail has it. @param {Trail} t @param {{org: string, member: string, role: string}} by */
export const named = (t, by) => (by.role === "system" ? "The server" : t.people.get(key(by.org, by.member))?.name || `Member ${by.member.slice(-6)}`);
