// @ts-check
// A procedure or a dimension sheet from a file or the clipboard. The server reads it and names every fault with its line; what
// it holds is shown in plain words before it is put into use.
import { ask, newId, Refused } from "./api.js";
import { field, h, put } from "./dom.js";
import { acting, said } from "./rooms.js";

const SORTS = {
  procedure: { one: "procedure", add: "Add a procedure, or a new version of one", label: "The procedure, YAML or JSON, mm and °" },
  dimensions: { one: "dimension sheet", add: "Add a dimension sheet", label: "The sheet, YAML or JSON, mm: type, vehicle, source" },
};

/**
 * @param {import("./rooms.js").Register} register @param {"procedure" | "dimensions"} kind
 * @param {(title: string) => string | null} there the id of what the document is a new version of @param {() => Promise<void>} fresh
 */
export function paste(register, kind, there, fresh) {
  const sort = SORTS[kind], text = /** @type {HTMLTextAreaElement} */ (h("textarea", { rows: 12, maxlength: 262144, spellcheck: "false", required: true }));
  const file = /** @type {HTMLInputElement} */ (h("input", { type: "file", accept: ".yaml,.yml,.json" }));
  const problem = h("div", { id: `paste-${kind}-problem`, role: "alert" }), shown = h("div", { id: `paste-${kind}-read`, role: "status" });
  let id = newId(); // kept over a failed try, so that trying again adds none twice
  const clear = () => { put(problem); put(shown); };
  const refuse = (/** @type {unknown} */ e) => put(problem, h("p", { class: "problem" }, e instanceof Refused ? e.message : said(e)), e instanceof Refused && h("ul", { class: "problem" }, e.fields.map((f) => h("li", null, h("b", null, f.field.replace(/^data\./, "")), `: ${f.want}`))));
  file.addEventListener("change", async () => {
    clear();
    const chosen = file.files?.[0];
    if (!chosen) return;
    if (chosen.size > 262144) refuse(new Error("A document is at most 256 KiB."));
    else text.value = await chosen.text();
  });
  text.addEventListener("input", clear);
  const trouble = h("p", { class: "problem", role: "alert" }), act = acting(trouble, fresh);
  const form = h("form", { id: "paste-" + kind }, field(`paste-${kind}-file`, "Choose a file", file), field(`paste-${kind}-text`, "or paste it. " + sort.label, text),
    h("div", { class: "keys" }, h("button", { type: "submit", class: "second" }, "Read it")), problem, shown, trouble);
  form.addEventListener("submit", async (e) => {
    e.preventDefault();
    clear();
    try {
      const got = await ask("POST", "/v1/read-document", { kind, text: text.value }), was = kind === "procedure" ? there(got.title) : null;
      const type = was ? "revise-procedure" : "add-" + kind;
      put(shown, h("p", null, was ? ["A new version of ", h("b", null, got.title), ". What has begun keeps the version it began with."] : ["Not in use yet: ", h("b", null, got.title), "."]), got.said && h("pre", { class: "said" }, got.said), kind === "dimensions" && h("p", null, `Wheelbase ${got.data.vehicle.wheelbase_um / 1000} mm. From: ${got.data.source}.`),
        h("p", { class: "quiet" }, "Read it against its source first."),
        h("button", { type: "button", class: "second", id: `paste-${kind}-use`, onclick: () => act(async () => {
          try {
            await register.command(type, { id: was ?? id, ...got.data });
          } catch (e) {
            refuse(e);
            return;
          }
          id = newId();
          text.value = file.value = "";
          clear();
        }) }, was ? "Put this version into use" : `Put the ${sort.one} into use`));
    } catch (e) {
      refuse(e);
    }
  });
  return h("details", { id: "add-" + kind }, h("summary", null, sort.add), form);
}
