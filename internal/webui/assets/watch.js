// @ts-check
// One calibration under watch: its entries as they come, and its state as the server folds it. The state is asked for anew
// after each entry; nothing is folded here, so the screens cannot come to know better than the trail.

import { command, get, opener } from "./api.js";
import { unit } from "./format.js";

export class Watch extends EventTarget {
  /** @param {import("./link.js").Link} link @param {string} id */
  constructor(link, id) {
    super();
    this.link = link;
    this.ref = { kind: "calibration", id };
    /** @type {any} */
    this.state = null;
    /** @type {any} */
    this.job = null;
    /** @type {any} */
    this.register = null;
    /** @type {any} */
    this.words = { moves: [] }; // the server's, as of seq, in the unit of this device
    this.opened = opener({});
    this.sealed = opener({}); // of the calibration itself
    this.people = opener({}); // of the shop
    this.due = 0;
    this.relation = "";
    this.seq = 0;
    this.seen = { seq: 0, job: 0 }; // the entries that the screen shows: what is pressed is said on these
    /** @type {{seq: number, type: string, at: number, role: string, body: any}[]} */
    this.entries = [];
    this.gone = { technician: 0, specialist: 0 }; // since when nothing is heard of them, ms; 0: they are there
    /** @type {any} */
    this.live = null; // what the bay's instruments read now; it is in no entry
    this.want = 0;
    this.loading = false;
  }

  /** Loads everything and follows from there on. */
  async start() {
    await this.load();
    this.link.follow(this.ref, 0, (e) => {
      this.entries.push({ seq: e.seq, type: e.body.type, at: Date.parse(e.body.at), role: e.body.by?.role ?? "", body: e.body });
      if (e.seq > this.seq) this.refresh(e.seq);
      else this.tell();
    }, (people) => this.meet(people), (m) => this.read(m));
    this.link.follow({ kind: "job", id: this.state.job }, this.jobSeq ?? 0, () => Promise.all([this.loadJob(), this.look()]).then(() => this.tell()));
    return this;
  }

  /** Shows what the bay's instruments read now, until it is out of date. @param {any} m */
  async read(m) {
    this.live = m.gone ? null : m;
    (await import("./live.js")).show(this);
  }

  /** Notes since when a side is not heard of. @param {any[]} people */
  meet(people) {
    for (const role of /** @type {const} */ (["technician", "specialist"])) {
      const here = people.some((p) => (role === "specialist" ? p.member === this.state?.claim?.member && p.org === this.state.claim.desk : p.relation === "own" && p.roles.includes(role)));
      this.gone[role] = here ? 0 : this.gone[role] || this.link.now();
    }
    this.tell();
  }

  stop() {
    clearTimeout(this.due);
    this.link.unfollow(this.ref.id);
    this.link.unfollow(this.state.job);
  }

  /** @returns {Promise<void>} */
  async load() {
    const at = "/v1/calibrations/" + this.ref.id, asked = unit();
    const [view, said] = await Promise.all([get(at), get(at + "/words?unit=" + asked)]);
    if (said.seq !== view.seq || asked !== unit()) return this.load(); // an entry came between the two, or the unit was changed
    if (view.seq < this.seq) return; // another load was asked later and answered sooner
    this.words = said.words;
    this.state = view.state;
    this.sealed = opener(view.opened);
    this.relation = view.relation;
    this.seq = view.seq;
    this.loadedAt = Date.now();
    if (!this.job) await this.loadJob();
    if (!this.register) {
      const shop = await get("/v1/registers/" + this.state.shop).catch(() => null);
      this.register = shop?.state ?? null;
      this.people = opener(shop?.opened);
    }
    // What counts for a while only is looked at again when it has run out.
    clearTimeout(this.due);
    const next = Math.min(...this.state.gates.filter((/** @type {any} */ g) => g.runs_out && !g.ran_out).map((/** @type {any} */ g) => Date.parse(g.runs_out) - this.link.now()));
    if (next < 2 ** 31) this.due = setTimeout(() => this.look(), Math.max(next, 0) + 300);
  }

  async loadJob() {
    const view = await get("/v1/jobs/" + this.state.job);
    this.job = view.state;
    this.jobSeq = view.seq;
    this.opened = opener(view.opened);
  }

  /** @param {number} seq */
  async refresh(seq) {
    this.want = Math.max(this.want, seq);
    if (this.loading) return;
    this.loading = true;
    try {
      while (this.seq < this.want) await this.load();
    } catch {
      setTimeout(() => this.refresh(this.want), 1000); // no line: again, until there is one
    } finally {
      this.loading = false;
    }
    this.tell();
  }

  /** Looks again without a new entry: what depends on the time may have changed. */
  async look() {
    await this.load().catch(() => {});
    this.tell();
  }

  tell() {
    this.dispatchEvent(new Event("change"));
  }

  /** When the turn came to whoever has it, ms; what the job asks for counts from the last entry that was not a note. */
  since() {
    if (this.state.turn.since) return Date.parse(this.state.turn.since);
    for (let i = this.entries.length - 1; i >= 0; i--) if (this.entries[i].type !== "noted") return this.entries[i].at;
    return this.loadedAt ?? Date.now();
  }

  /** Whether the VIN that the car gave is another than the one typed, and nobody has said which is right. */
  doubt() {
    const j = this.job;
    return Boolean(j?.announced && !j.announced.vin_equal && !j.settled);
  }

  /** What the screens depend on: the last entry, and what has run out since. */
  get stamp() {
    return `${this.seq}:${this.state.gates.filter((/** @type {any} */ g) => g.ran_out).length}`;
  }

  /** Whether the specialist's part is of whoever looks. */
  get mine() {
    const c = this.state.claim, l = this.link;
    return !c || !l.member || (c.member === l.member && c.desk === l.org);
  }

  /** The hand-over that waits on a side. @param {"technician" | "specialist"} side */
  offer(side) {
    return (this.state.handovers ?? []).find((/** @type {any} */ o) => o.side === side) ?? null;
  }

  /** Notes that the screen shows all that is known. */
  saw() {
    this.seen = { seq: this.seq, job: this.jobSeq ?? 0 };
  }

  /** Gives a command on what the screen shows. @param {string} type @param {object} [data] @param {number} [base] an earlier entry that it was begun on */
  command(type, data, base = this.seen.seq) {
    return this.link.command(this.ref, base, type, data);
  }

  /** The same of the job, once. @param {string} type @param {object} data */
  async commandJob(type, data) {
    await command("jobs", this.state.job, this.seen.job, type, data);
    await this.loadJob();
  }

  /** The plan of the position where the fixture stands. */
  planned() {
    return this.state.sheet?.plan?.find((/** @type {any} */ p) => p.name === this.state.place.position) ?? null;
  }

  /** The dimension sheet of the set-up, in micrometres. */
  car() {
    return this.register?.dimensions?.[this.state.sheet?.dimensions]?.vehicle ?? null;
  }

  /** The thrust angle of the alignment that counts, microdegrees, positive to the right. */
  thrust() {
    const all = this.job?.alignments ?? [];
    const last = all.filter((/** @type {any} */ a) => a.when === "after").pop() ?? all[all.length - 1];
    return this.state.sheet?.setup?.line === "thrust-line" ? (last?.thrust_udeg ?? 0) : 0;
  }

  /** The plate as it is on the car, or what else tells cars apart. */
  name() {
    const v = this.job?.vehicle;
    return (v && (this.opened(v.plate) || "VIN …" + this.opened(v.vin).slice(-6))) || "car";
  }
}
