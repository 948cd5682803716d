/** Taking in a file: picked, or dropped anywhere on the page. */

import { h } from "./dom";

const KINDS = ".step,.stp,.stl,.3mf,.obj,.ply";

/** A button that picks one file. */
export function fileButton({ words, key, accept, busy, take }: {
  words: string; key: string; accept: string; busy: boolean; take: (file: File) => void;
}): HTMLElement {
  const input = h("input", {
    type: "file", accept, id: key, class: "heard", tabindex: "-1", "aria-hidden": "true", "aria-label": words,
    onchange: () => {
      const file = input.files?.[0];
      if (file) take(file);
      input.value = "";
    },
  });
  return h("span", { class: "file" }, h("button", {
    type: "button", "data-key": `pick-${key}`, disabled: busy, onclick: () => input.click(),
  }, words), input);
}

/** A place to drop a file on, with a button that picks one. Returns it and how to stop listening. */
export function dropPlace(
  words: string, take: (file: File) => void,
): { element: HTMLElement; stop: () => void } {
  const element = h("div", { class: "drop" },
    h("p", { class: "large" }, words),
    h("p", {}, fileButton({ words: "Pick a file", key: "file", accept: KINDS, busy: false, take })),
    h("p", { class: "soft" }, "STEP, STL, 3MF, OBJ or PLY"));
  let deep = 0;
  const over = (event: DragEvent): void => {
    if (event.dataTransfer?.types.includes("Files")) event.preventDefault();
  };
  const enter = (event: DragEvent): void => {
    if (!event.dataTransfer?.types.includes("Files")) return;
    deep++;
    element.classList.add("over");
  };
  const leave = (): void => {
    deep = Math.max(0, deep - 1);
    if (deep === 0) element.classList.remove("over");
  };
  const drop = (event: DragEvent): void => {
    deep = 0;
    element.classList.remove("over");
    const file = event.dataTransfer?.files[0];
    if (!file) return;
    event.preventDefault();
    take(file);
  };
  const listeners = { dragover: over, dragenter: enter, dragleave: leave, drop } as const;
  for (const [name, heard] of Object.entries(listeners)) {
    window.addEventListener(name, heard as EventListener);
  }
  return {
    element,
    stop: () => {
      for (const [name, heard] of Object.entries(listeners)) {
        window.removeEventListener(name, heard as EventListener);
      }
    },
  };
}
