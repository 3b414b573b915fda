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
 * A chain from its first entry on, given part by part: take says what does not fit the entry before, null if all does; last is
 * the fingerprint of the last entry it took.
 * @param {{kind: string, id: string}} stream
 */
export function chain(stream) {
  const tag = new TextEncoder().encode("readback/entry/1\n");
  let before = new Uint8Array(32), seq = 0, last = "";
  /** @param {Entry[]} entries @returns {Promise<{seq: number, why: string} | null>} */
  const take = async (entries) => {
    for (const e of entries) {
      const body = new TextEncoder().encode(canonical(e.body)), all = new Uint8Array(tag.length + 32 + body.length);
      seq++;
      all.set(tag);
      all.set(before, tag.length);
      all.set(body, tag.length + 32);
      before = new Uint8Array(await crypto.subtle.digest("SHA-256", all));
      last = [...before].map((b) => b.toString(16).padStart(2, "0")).join("");
      if (e.seq !== seq || e.body.seq !== seq) return { seq, why: "an entry is missing or out of its place" };
      if (e.body.stream.kind !== stream.kind || e.body.stream.id !== stream.id) return { seq, why: "it belongs to another trail" };
      if (last !== e.hash) return { seq, why: "its content and the entries before it do not give its fingerprint" };
    }
    return null;
  };
  return { take, count: () => seq, last: () => last };
}

/** Whether this browser can compute: browsers give SHA-256 to pages with HTTPS only, and to this machine's own. */
export const able = () => Boolean(globalThis.crypto?.subtle);
