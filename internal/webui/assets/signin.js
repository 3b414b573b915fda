// @ts-check
import { ask } from "./api.js";
import { byId } from "./dom.js";

const form = /** @type {HTMLFormElement} */ (byId("sign-in"));
form.addEventListener("submit", async (e) => {
  e.preventDefault();
  const value = (/** @type {string} */ name) => /** @type {HTMLInputElement} */ (byId(name)).value;
  const button = /** @type {HTMLButtonElement} */ (form.querySelector("button"));
  button.disabled = true;
  byId("problem").textContent = "";
  try {
    await ask("POST", "/v1/sign-in", { login: value("login"), password: value("password"), cookie: true });
    await ask("GET", "/v1/me").catch(() => {
      throw new Error("Signed in, but this browser kept no cookie: use HTTPS, or the address that starts with http://localhost.");
    });
    const to = new URLSearchParams(location.search).get("to") ?? "/";
    location.assign(/^\/(account|people|equipment|webhooks|records|(bay|desk|record|bay\/jobs)(\/[0-9a-f-]{36})?)$/.test(to) ? to : "/");
  } catch (err) {
    byId("problem").textContent = err instanceof Error ? err.message : "That did not work.";
    button.disabled = false;
    byId("password").focus();
  }
});
