// @ts-check
// One's own sessions, to be ended, and one's own password, to be changed.
import { ask, get, signOut } from "./api.js";
import { byId, put, theme } from "./dom.js";
import { seat } from "./seats.js";

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
    put(byId("sessions"), (await get("/v1/sessions")).sessions.map((/** @type {import("./seats.js").Session} */ s) => seat(s, finish)));
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
byId("people").hidden = !(await get("/v1/me").catch(() => null))?.roles.includes("owner");
