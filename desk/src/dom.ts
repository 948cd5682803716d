/** Making and changing elements. Data only ever becomes text, never markup. */

export type Child = Node | string | number | null | undefined | false | readonly Child[];
type Value = string | number | boolean | null | undefined | ((event: never) => void);
export type Props = Record<string, Value>;

const SVG = "http://www.w3.org/2000/svg";

/** An HTML element. A property "onclick" is a listener, `true` an empty attribute. */
export function h<K extends keyof HTMLElementTagNameMap>(
  tag: K, props: Props = {}, ...children: Child[]
): HTMLElementTagNameMap[K] {
  return fill(document.createElement(tag), props, children);
}

/** An SVG element. */
export function s<K extends keyof SVGElementTagNameMap>(
  tag: K, props: Props = {}, ...children: Child[]
): SVGElementTagNameMap[K] {
  return fill(document.createElementNS(SVG, tag), props, children);
}

function fill<E extends Element>(element: E, props: Props, children: readonly Child[]): E {
  for (const [name, value] of Object.entries(props)) {
    if (value === null || value === undefined || value === false) continue;
    if (typeof value === "function") {
      element.addEventListener(name.slice(2), value as unknown as EventListener);
    } else element.setAttribute(name, value === true ? "" : String(value));
  }
  add(element, children);
  return element;
}

function add(element: Element, children: readonly Child[]): void {
  for (const child of children) {
    if (child === null || child === undefined || child === false) continue;
    if (Array.isArray(child)) add(element, child as readonly Child[]);
    else element.append(child instanceof Node ? child : String(child));
  }
}

/** Replace what is in an element; focus stays on the element of the same `id` or `data-key`. */
export function put(element: Element, ...children: Child[]): void {
  const held = document.activeElement;
  const key = held instanceof HTMLElement && element.contains(held)
    ? held.dataset["key"] ?? held.id : "";
  element.replaceChildren();
  add(element, children);
  if (key) {
    for (const one of element.querySelectorAll<HTMLElement>("[data-key],[id]")) {
      if ((one.dataset["key"] ?? one.id) === key) {
        one.focus({ preventScroll: true });
        break;
      }
    }
  }
}

/** Whether somebody writes in a field inside an element: it is not to be drawn anew then. */
export function written(element: Element): boolean {
  const held = document.activeElement;
  return held instanceof HTMLInputElement && held.value !== held.defaultValue && element.contains(held);
}

/** Show a dialog over the page; it is gone when it closes. */
export function shownDialog(dialog: HTMLDialogElement): void {
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}

/** Say something to those who listen to the page. */
export function say(text: string): void {
  const region = document.getElementById("said");
  if (region && region.textContent !== text) region.textContent = text;
}

/** A table with a caption for those who hear it and a heading for those who see it. */
export function table(
  caption: string, columns: readonly string[], rows: readonly (readonly Child[])[],
  numbers: readonly number[] = [],
): HTMLTableElement {
  const kind = (k: number): string | null => (numbers.includes(k) ? "n" : null);
  return h("table", {},
    h("caption", { class: "heard" }, caption),
    h("thead", {}, h("tr", {}, columns.map((c, k) => c === ""
      ? h("td", {}) : h("th", { scope: "col", class: kind(k) }, c)))),
    h("tbody", {}, rows.map((row) => h("tr", {}, row.map((cell, k) =>
      h("td", { class: kind(k), "data-name": columns[k] || null }, cell))))));
}
