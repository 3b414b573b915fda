// @ts-check
// One's own sessions, to be ended, and one's own password, to be changed.
import { ask, get, signOut } from "./api.js";
import { byId, h, put, theme } from "./dom.js";

/** @typedef {{id: string, created: string, used: string, origin?: string, device?: string, current: boolean}} Session */

theme();
byId("sign-out").addEventListener("click", signOut);
byId("everywhere").addEventListener("click", async () => {
  try {
    await ask("POST", "/v1/sign-out", { everywhere: true });
    location.assign("/sign-in");
  } catch (err) {
    problem("sessions-problem", err);
  }
});

/** @param {string} id @param {unknown} err */
function problem(id, err) {
  byId(id).textContent = err instanceof Error ? err.message : "That did not work.";
}

const when = (/** @type {string} */ instant) =>
  new Date(instant).toLocaleString("en-GB", { day: "numeric", month: "short", hour: "2-digit", minute: "2-digit" });

/** @param {Session} s */
function row(s) {
  const end = h("button", { type: "button", class: "plain", id: "end-" + s.id, onclick: () => finish(s.id) }, "End");
  return h("div", { class: "row session" },
    h("b", { title: s.device }, device(s.device)), s.current ? h("span", null, "this one") : end,
    h("span", { class: "quiet" }, "last used ", when(s.used), s.origin && " from " + s.origin, ", since ", when(s.created)));
}

/**
 * What a browser calls itself, shortened to its name and its system; other programs as they are.
 * @param {string | undefined} text
 */
function device(text) {
  if (!text?.startsWith("Mozilla/")) return text || "Unknown device";
  const find = (/** @type {[string, string][]} */ names) => names.find(([sign]) => text.includes(sign))?.[1];
  const name = find([["Edg", "Edge"], ["Firefox", "Firefox"], ["Chrome", "Chrome"], ["Safari", "Safari"]]) ?? "Browser";
  const system = find([["Android", "Android"], ["iPhone", "iPhone"], ["iPad", "iPad"], ["Windows", "Windows"], ["Mac OS", "macOS"], ["Linux", "Linux"]]);
  return system ? name + " on " + system : name;
}

/** @param {string} id */
async function finish(id) {
  try {
    await ask("DELETE", "/v1/sessions/" + id);
  } catch (err) {
    problem("sessions-problem", err);
  }
  await list();
}

async function list() {
  try {
    put(byId("sessions"), (await get("/v1/sessions")).sessions.map(row));
  } catch (err) {
    problem("sessions-problem", err);
  }
}

const form = /** @type {HTMLFormElement} */ (byId("change"));
form.addEventListener("submit", async (e) => {
  e.preventDefault();
  const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value;
  byId("problem").textContent = byId("done").textContent = "";
  try {
    if (value("new") !== value("again")) throw new Error("The two are not the same.");
    await ask("POST", "/v1/password", { old: value("old"), new: value("new") });
    form.reset();
    byId("done").textContent = "Your password is changed.";
    await list();
  } catch (err) {
    problem("problem", err);
  }
});
await list();
