// @ts-check
// Making elements. Text only ever becomes text: there is no way here to turn a string into markup.

const SVG = "http://www.w3.org/2000/svg";

/** @typedef {Node | string | number | null | undefined | false | any[]} Child what add takes */

/**
 * Makes an element. Properties that begin with "on" are listeners; true and false set or leave out an attribute.
 * @param {string} tag
 * @param {Record<string, any> | null} [props]
 * @param {...Child} children
 * @returns {HTMLElement}
 */
export function h(tag, props, ...children) {
  return /** @type {HTMLElement} */ (fill(document.createElement(tag), props, children));
}

/**
 * Makes an element of a drawing.
 * @param {string} tag
 * @param {Record<string, any> | null} [props]
 * @param {...Child} children
 * @returns {SVGElement}
 */
export function s(tag, props, ...children) {
  return /** @type {SVGElement} */ (fill(document.createElementNS(SVG, tag), props, children));
}

/**
 * @param {Element} el
 * @param {Record<string, any> | null | undefined} props
 * @param {Child[]} children
 */
function fill(el, props, children) {
  for (const [name, value] of Object.entries(props ?? {})) {
    if (name.startsWith("on")) el.addEventListener(name.slice(2), value);
    else if (value === true) el.setAttribute(name, "");
    else if (value !== false && value !== null && value !== undefined) el.setAttribute(name, String(value));
  }
  add(el, children);
  return el;
}

/**
 * @param {Element} el
 * @param {Child[]} children
 */
function add(el, children) {
  for (const c of children) {
    if (Array.isArray(c)) add(el, c);
    else if (c instanceof Node) el.append(c);
    else if (c !== null && c !== undefined && c !== false) el.append(String(c));
  }
}

/** @param {string} id @returns {HTMLElement} */
export function byId(id) {
  const el = document.getElementById(id);
  if (!el) throw new Error("no element " + id);
  return el;
}

/**
 * Replaces what is in an element, and keeps the focus on the element of the same id.
 * @param {Element} el
 * @param {...Child} children
 */
export function put(el, ...children) {
  const had = document.activeElement?.id;
  const inside = had && el.contains(document.activeElement);
  el.replaceChildren();
  add(el, children);
  if (inside) document.getElementById(had)?.focus({ preventScroll: true });
}

/** Details as they were drawn, to know which a person has opened or shut. @type {WeakMap<Element, boolean>} */
const drawnOpen = new WeakMap();

/** What a field or details holds, and what it held when it was drawn. @param {any} e @returns {[any, any]} */
function holds(e) {
  if (e.tagName === "DETAILS") return [e.open, drawnOpen.get(e) ?? e.open];
  if (e.type === "checkbox") return [e.checked, e.defaultChecked];
  if (e.tagName === "SELECT") return [e.value, ([...e.options].find((o) => o.defaultSelected) ?? e.options[0])?.value];
  return [e.value, e.defaultValue];
}

/**
 * Draws an element's inside anew around what a person is doing there: what was typed, chosen or opened stays, and the focus with
 * what is selected, where there is the same element again, or one of the same id.
 * @param {Element} el @param {() => Child} draw
 */
function anew(el, draw) {
  const was = /** @type {any} */ (document.activeElement), inside = was?.id && el.contains(was), range = inside && [was.selectionStart, was.selectionEnd];
  const fields = () => /** @type {any[]} */ ([...el.querySelectorAll("input[id]:not([type=file]), select[id], textarea[id], details[id]")].filter((e) => !e.closest("[data-kept]")));
  const touched = fields().filter((e) => holds(e)[0] !== holds(e)[1]);
  const children = draw(); // takes what is kept out of the page, and the focus with it
  el.replaceChildren();
  add(el, [children]);
  const now = fields();
  for (const e of now) if (e.tagName === "DETAILS" && !drawnOpen.has(e)) drawnOpen.set(e, e.open);
  for (const old of touched) {
    const e = now.find((one) => one.id === old.id && one.type === old.type), [value, given] = holds(old);
    if (!e || e === old || (old !== was && holds(e)[1] !== given)) continue; // what the server says anew counts
    if (e.tagName === "DETAILS") e.open = value;
    else if (e.type === "checkbox") e.checked = value;
    else if (e.tagName !== "SELECT" || [...e.options].some((/** @type {any} */ o) => o.value === value)) e.value = value;
  }
  if (!inside || document.activeElement === was) return;
  const e = was.isConnected ? was : /** @type {any} */ (document.getElementById(was.id));
  e?.focus({ preventScroll: true });
  if (range[0] !== null && range[0] !== undefined && e?.value === was.value) e.setSelectionRange(...range);
}

/** @type {Map<string, {box: HTMLElement, on: string, touched: boolean}>} */
const boxes = new Map();

/**
 * A form that stays itself, with all that was typed and chosen in it, whatever is drawn anew around it, and also while another
 * thing has taken its place. One in which nothing was typed is made anew for what it depends on (on), and where it was away.
 * @param {string} name @param {() => Child} make @param {unknown} [on]
 */
export function kept(name, make, on = "") {
  const there = boxes.get(name), key = JSON.stringify(on);
  if (there && (there.touched || (there.box.isConnected && there.on === key))) return there.box;
  const one = { box: h("div", { class: "coming", "data-kept": name }, make()), on: key, touched: false };
  one.box.addEventListener("input", () => { one.touched = true; });
  one.box.addEventListener("click", (e) => { one.touched ||= Boolean(/** @type {Element} */ (e.target).closest("[aria-pressed]")); });
  boxes.set(name, one);
  return one.box;
}

/** A form that has done its work, or was left on purpose, is made anew when it is next shown. @param {string} name */
export const drop = (name) => boxes.delete(name);

/**
 * A place on the page that is drawn anew only when what it depends on has changed, and not while one of its buttons is
 * pressed, so that nothing moves under a hand and no press is lost. A button that is held is drawn anew: what changed ends it.
 * @param {Element} el @param {() => void} [late] called after a drawing that had to wait
 */
export function place(el, late) {
  let last = "";
  /** @type {[unknown, () => Child] | null} */
  let waiting = null;
  /** @returns {boolean} whether what is to be shown is shown; it is not while a drawing waits */
  const show = (/** @type {unknown} */ on, /** @type {() => Child} */ draw) => {
    const key = JSON.stringify(on);
    const was = waiting;
    waiting = null;
    if (key === last) return true;
    if (el.querySelector("button:active:not(.hold)")) {
      waiting = [on, draw];
      if (!was) addEventListener("pointerup", () => setTimeout(() => { if (waiting && show(...waiting)) late?.(); }), { once: true });
      return false;
    }
    last = key;
    anew(el, draw);
    return true;
  };
  return { show };
}

/** Switches between the dark and the light theme; the choice stays with the device. */
export function theme() {
  const root = document.documentElement;
  const button = document.getElementById("theme");
  const set = (/** @type {string} */ name) => {
    root.dataset.theme = name;
    if (button) button.textContent = name === "dark" ? "Light" : "Dark";
  };
  set(localStorage.getItem("readback.theme") === "light" ? "light" : "dark");
  button?.addEventListener("click", () => {
    const next = root.dataset.theme === "dark" ? "light" : "dark";
    localStorage.setItem("readback.theme", next);
    set(next);
  });
}

/**
 * A labelled field of a form.
 * @param {string} id
 * @param {string} label
 * @param {Element} control
 * @param {string} [unit]
 */
export function field(id, label, control, unit) {
  control.id = id;
  if (!control.getAttribute("name")) control.setAttribute("name", id);
  return h("div", { class: "field" }, h("label", { for: id }, label), h("span", { class: "control" }, control, unit && h("span", { class: "unit" }, unit)));
}

/**
 * @param {[string, string][]} options value and text
 * @param {string} [chosen]
 */
export function select(options, chosen) {
  return h("select", null, options.map(([value, text]) => h("option", { value, selected: value === chosen }, text)));
}

/**
 * A part of the screens that is loaded when it is first needed, or before that once there is time for it (warm).
 * @template T
 * @param {() => Promise<T>} load
 */
export function part(load) {
  /** @type {T | null} */
  let here = null;
  /** @type {Promise<void> | null} */
  let coming = null;
  const warm = () => (coming ??= load().then((m) => { here = m; }, () => { coming = null; }));
  /** What draw makes with the module: now, or in its place as soon as it has come. @param {(m: T) => Child} draw @returns {Child} */
  const show = (draw) => {
    if (here) return draw(here);
    const box = h("div", { class: "coming" });
    warm().then(() => put(box, here ? draw(here) : h("p", { class: "then" }, "This part did not load. Try again when there is a link.")));
    return box;
  };
  return { warm, show, here: () => here };
}

/**
 * Says a text until what was pressed has come to where it goes: a line can be dead long before that shows.
 * @param {Promise<any>} pressed @param {(text: string) => void} notice @param {string} text
 */
export async function untilThere(pressed, notice, text) {
  const timer = setTimeout(() => notice(text), 2000);
  await pressed;
  clearTimeout(timer);
  if (byId("notice").textContent?.startsWith(text)) notice("");
}
