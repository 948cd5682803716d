/** Keys of the whole page, and the dialog that lists them. */

import { h } from "./dom";

export interface Key {
  keys: string;
  words: string;
  does?: () => void;
  /** Matches an event; single letters are matched by themselves. */
  on?: (event: KeyboardEvent) => boolean;
}

const STORE = "soffit.single-keys";
const single = (): boolean => localStorage.getItem(STORE) !== "off";

const writes = (target: EventTarget | null): boolean =>
  target instanceof HTMLElement && (target.isContentEditable
    || /^(INPUT|TEXTAREA|SELECT)$/.test(target.tagName));

/** Listen to keys until the function returned is called. */
export function listen(keys: readonly Key[]): () => void {
  const heard = (event: KeyboardEvent): void => {
    if (event.defaultPrevented || document.querySelector("dialog[open]")) return;
    const command = event.ctrlKey || event.metaKey;
    if (writes(event.target) && !(event.key === "Escape")) return;
    for (const key of keys) {
      if (!key.does) continue;
      const fits = key.on ? key.on(event)
        : !command && !event.altKey && single() && event.key.toLowerCase() === key.keys.toLowerCase();
      if (fits) {
        event.preventDefault();
        key.does();
        return;
      }
    }
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
      type: "checkbox", checked: single(),
      onchange: (event: Event) => {
        localStorage.setItem(STORE, (event.target as HTMLInputElement).checked ? "on" : "off");
      },
    }), " single letters work as keys"),
    h("p", {}, h("button", { type: "button", onclick: () => dialog.close() }, "Close")));
  dialog.addEventListener("close", () => dialog.remove());
  document.body.append(dialog);
  dialog.showModal();
}
