// @ts-check
// The chain of a trail, recomputed by this browser: docs/trail.md says how. An entry's hash covers its bytes and the hash
// before it. Bodies are canonical JSON (RFC 8785) with whole numbers only, so that the bytes can be written again from what
// was parsed.

/** @typedef {{seq: number, hash: string, body: any, opened?: Record<string, string>}} Entry */

/** Canonical JSON: keys in the order of their UTF-16 code units, which is how this language sorts. @param {any} v @returns {string} */
function canonical(v) {
  if (Array.isArray(v)) return "[" + v.map(canonical).join(",") + "]";
  if (v && typeof v === "object") return "{" + Object.keys(v).sort().map((k) => JSON.stringify(k) + ":" + canonical(v[k])).join(",") + "}";
  return JSON.stringify(v);
}

/**
 * The number of the first entry that does not fit the one before, and why; null if all do.
 * @param {Entry[]} entries @param {{kind: string, id: string}} stream
 * @returns {Promise<{seq: number, why: string} | null>}
 */
export async function broken(entries, stream) {
  const tag = new TextEncoder().encode("readback/entry/1\n");
  let before = new Uint8Array(32);
  for (const [i, e] of entries.entries()) {
    const body = new TextEncoder().encode(canonical(e.body)), all = new Uint8Array(tag.length + 32 + body.length);
    all.set(tag);
    all.set(before, tag.length);
    all.set(body, tag.length + 32);
    before = new Uint8Array(await crypto.subtle.digest("SHA-256", all));
    const hex = [...before].map((b) => b.toString(16).padStart(2, "0")).join("");
    if (e.seq !== i + 1 || e.body.seq !== i + 1) return { seq: i + 1, why: "an entry is missing or out of its place" };
    if (e.body.stream.kind !== stream.kind || e.body.stream.id !== stream.id) return { seq: e.seq, why: "it belongs to another trail" };
    if (hex !== e.hash) return { seq: e.seq, why: "its content and the entries before it do not give its fingerprint" };
  }
  return null;
}

/** Whether this browser can compute: browsers give SHA-256 to pages with HTTPS only, and to this machine's own. */
export const able = () => Boolean(globalThis.crypto?.subtle);
