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

/**
 * A place on the page that is drawn anew only when what it depends on has changed, and not while one of its buttons is
 * pressed, so that nothing moves under a hand and no press is lost. A button that is held is drawn anew: what changed ends it.
 * @param {Element} el
 */
export function place(el) {
  let last = "";
  /** @type {[unknown, () => Child] | null} */
  let waiting = null;
  const show = (/** @type {unknown} */ on, /** @type {() => Child} */ draw) => {
    const key = JSON.stringify(on);
    const was = waiting;
    waiting = null;
    if (key === last) return false;
    if (el.querySelector("button:active:not(.hold)")) {
      waiting = [on, draw];
      if (!was) addEventListener("pointerup", () => setTimeout(() => waiting && show(...waiting)), { once: true });
      return false;
    }
    last = key;
    put(el, draw());
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
  return { warm, show };
}
