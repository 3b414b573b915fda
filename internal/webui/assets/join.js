// @ts-check
// Sets a password by the link that leads here: its token stands behind the number sign, which no server sees. Without one
// the page asks for a link.
import { ask } from "./api.js";
import { byId, theme } from "./dom.js";

theme();
const token = location.hash.slice(1);
history.replaceState(null, "", location.pathname); // not kept in the history, nor shown to who looks over a shoulder
const value = (/** @type {string} */ id) => /** @type {HTMLInputElement} */ (byId(id)).value;

/**
 * Shows a form and sends it; a refusal is told beneath it.
 * @param {string} id
 * @param {() => Promise<string>} send what is told when it is done
 */
function form(id, send) {
  const el = /** @type {HTMLFormElement} */ (byId(id));
  const button = /** @type {HTMLButtonElement} */ (el.querySelector("button"));
  el.hidden = false;
  el.querySelector("input")?.focus();
  el.addEventListener("submit", async (e) => {
    e.preventDefault();
    button.disabled = true;
    byId(id + "-problem").textContent = "";
    try {
      byId("done").textContent = await send();
      el.hidden = true;
    } catch (err) {
      byId(id + "-problem").textContent = err instanceof Error ? err.message : "That did not work.";
    }
    button.disabled = false;
  });
}

if (token) {
  form("set", async () => {
    if (value("password") !== value("again")) throw new Error("The two are not the same.");
    const { login } = await ask("POST", "/v1/join", { token, password: value("password") });
    return "Your password is set. Sign in as " + login + ".";
  });
} else {
  form("ask", async () => {
    await ask("POST", "/v1/resets", { login: value("login") });
    return "If there is an account of this name and the server sends mail, a link is on its way. It is good for an hour.";
  });
}
