// @ts-check
// The HTTP interface, as far as the screens use it.

/** A refusal of the server: a problem of RFC 9457. */
export class Refused extends Error {
  /** @param {{type?: string, title?: string, detail?: string, guard?: string, errors?: {field: string, want: string}[]}} problem */
  constructor(problem) {
    super(problem.detail ?? problem.title ?? "Refused.");
    this.slug = (problem.type ?? "").split("/").pop() ?? "";
    this.fields = problem.errors ?? [];
  }
  /** The whole refusal as one text. */
  text() {
    return [this.message, ...this.fields.filter((f) => f.field !== "guard").map((f) => f.field.replace(/^data\./, "").replace(/_(um|udeg)\b/, "") + ": " + f.want)].join(" ");
  }
}

/** Slugs after which the same is to be sent again. */
export const LATER = new Set(["not-ready", "too-many", "no-database"]);

/** A request that takes longer went into a dead line. */
const PATIENCE_MS = 30_000;

/** There was no answer, or none in time. What was asked for may have been done all the same: whoever tries again finds that out. */
export class NoAnswer extends Error {
  /** @param {boolean} late whether it was waited for until the time was over */
  constructor(late) {
    super("There is no link to the server. Try again: nothing is made twice.");
    this.late = late;
  }
}

/**
 * Asks as fetch does, as whoever is signed in. The time holds for the whole answer: read tells what of it never came.
 * @template T
 * @param {string} path @param {RequestInit} options @param {(res: Response) => Promise<T>} read @param {number} [ms] how long it may take
 */
export async function fetched(path, options, read, ms = PATIENCE_MS) {
  try {
    return await read(await fetch(path, { credentials: "same-origin", signal: AbortSignal.timeout(ms), ...options }));
  } catch (e) {
    const late = e instanceof DOMException && e.name === "TimeoutError";
    throw late || e instanceof TypeError ? new NoAnswer(late) : e;
  }
}

/**
 * @param {string} method
 * @param {string} path
 * @param {unknown} [body]
 * @returns {Promise<any>}
 */
export async function ask(method, path, body) {
  const [res, answer] = await fetched(path, {
    method,
    headers: body === undefined ? {} : { "Content-Type": "application/json" },
    body: body === undefined ? undefined : JSON.stringify(body),
  }, async (r) => [r, r.status !== 204 && (r.headers.get("Content-Type") ?? "").includes("json") ? await r.json() : null]);
  if (!res.ok) {
    const refused = new Refused(answer ?? { detail: "The server answered " + res.status + "." });
    if (refused.slug === "sign-in-needed" && location.pathname !== "/sign-in") location.assign("/sign-in?to=" + encodeURIComponent(location.pathname));
    throw refused;
  }
  return answer;
}

/** @param {string} path */
export const get = (path) => ask("GET", path);

/** A UUID of version 7: the time first, then chance. Works without a secure context. */
export function newId() {
  const b = crypto.getRandomValues(new Uint8Array(16));
  let t = Date.now();
  for (let i = 5; i >= 0; i--) {
    b[i] = t % 256;
    t = Math.floor(t / 256);
  }
  b[6] = (b[6] & 0x0f) | 0x70;
  b[8] = (b[8] & 0x3f) | 0x80;
  const x = [...b].map((v) => v.toString(16).padStart(2, "0")).join("");
  return [x.slice(0, 8), x.slice(8, 12), x.slice(12, 16), x.slice(16, 20), x.slice(20)].join("-");
}

const pause = (/** @type {number} */ ms) => new Promise((done) => setTimeout(done, ms));

/**
 * Gives a command by HTTP, the same one again until it is answered.
 * @param {"jobs" | "calibrations" | "registers"} kind
 * @param {string} id
 * @param {number} base
 * @param {string} type
 * @param {unknown} data
 */
export async function command(kind, id, base, type, data) {
  const body = { id: newId(), base, type, data };
  for (let wait = 250; ; wait = Math.min(wait * 2, 8000)) {
    try {
      return await ask("POST", `/v1/${kind}/${id}/commands`, body);
    } catch (e) {
      if (e instanceof Refused && !LATER.has(e.slug)) throw e;
      if (wait >= 8000 || (e instanceof NoAnswer && e.late)) throw e;
      await pause(wait);
    }
  }
}

/** Opens sealed values of a view: its personal values stand beside the state, by what they are sealed as. */
export const opener = (/** @type {Record<string, string> | undefined} */ opened) =>
  (/** @type {any} */ value) => opened?.[value?.sealed?.v] ?? "";

export async function signOut() {
  try {
    await ask("POST", "/v1/sign-out", {});
  } catch {
    // the cookie is dropped all the same
  }
  sessionStorage.clear();
  location.assign("/sign-in");
}
