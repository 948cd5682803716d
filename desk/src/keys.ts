/** Keys of the whole page, and the dialog that lists them. */

import { h, shownDialog } from "./dom";

export interface Key {
  keys: string;
  words: string;
  does?: () => void;
  /** A single character that does it, unless the reader has turned those off. */
  single?: string;
  /** Another event that does it. */
  on?: (event: KeyboardEvent) => boolean;
}

const STORE = "soffit.single-keys";
const singles = (): boolean => localStorage.getItem(STORE) !== "off";

const writes = (target: EventTarget | null): boolean =>
  target instanceof HTMLElement && (target.isContentEditable
    || /^(INPUT|TEXTAREA|SELECT)$/.test(target.tagName));

/** The key that an event means; `single`: whether characters by themselves count. */
export function keyOf(keys: readonly Key[], event: KeyboardEvent, single: boolean): Key | undefined {
  const bare = single && !event.ctrlKey && !event.metaKey && !event.altKey;
  return keys.find((key) => key.does && (key.on?.(event)
    || (bare && key.single === event.key.toLowerCase())));
}

/** Listen to keys until the function returned is called. */
export function listen(keys: readonly Key[]): () => void {
  const heard = (event: KeyboardEvent): void => {
    if (event.defaultPrevented || document.querySelector("dialog[open]")) return;
    if (writes(event.target) && !(event.key === "Escape")) return;
    const key = keyOf(keys, event, singles());
    if (!key?.does) return;
    event.preventDefault();
    key.does();
  };
  document.addEventListener("keydown", heard);
  return () => document.removeEventListener("keydown", heard);
}

/** Show all keys. */
export function showKeys(keys: readonly Key[]): void {
  const dialog = h("dialog", { "aria-label": "Keys" },
    h("h2", {}, "Keys"),
    h("table", {}, h("caption", { class: "heard" }, "Keys and what they do"),
      h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "Key"), h("th", { scope: "col" }, "What it does"))),
      h("tbody", {}, keys.map((key) => h("tr", {}, h("td", {}, h("kbd", {}, key.keys)), h("td", {}, key.words))))),
    h("label", { class: "check" }, h("input", {
      type: "checkbox", checked: singles(),
      onchange: (event: Event) => {
        localStorage.setItem(STORE, (event.target as HTMLInputElement).checked ? "on" : "off");
      },
    }), " single letters work as keys"),
    h("p", {}, h("button", { type: "button", onclick: () => dialog.close() }, "Close")));
  shownDialog(dialog);
}
