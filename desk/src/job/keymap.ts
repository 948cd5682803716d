/** The keys of a job. */

import type { Key } from "../keys";

/** What keys do; `list` shows them all. */
export interface Hands {
  undo: () => void;
  redo: () => void;
  step: (by: 1 | -1) => void;
  cut: (axis: 0 | 1 | 2) => void;
  layer: (by: 1 | -1) => void;
  fit: () => void;
  protect: () => void;
  room: () => void;
  letGo: () => void;
  list: () => void;
}

const command = (event: KeyboardEvent): boolean => event.ctrlKey || event.metaKey;
const is = (event: KeyboardEvent, key: string): boolean => event.key.toLowerCase() === key;

export function keysOf(to: Hands): Key[] {
  return [
    { keys: "U, Ctrl Z", words: "take the last decision back", single: "u", does: to.undo,
      on: (e) => command(e) && !e.shiftKey && is(e, "z") },
    { keys: "R, Ctrl Y", words: "take it again", single: "r", does: to.redo,
      on: (e) => command(e) && (is(e, "y") || (e.shiftKey && is(e, "z"))) },
    { keys: "N", words: "the next place", single: "n", does: () => to.step(1) },
    { keys: "B", words: "the place before", single: "b", does: () => to.step(-1) },
    { keys: "X", words: "cut across x, through what is picked; again: no cut", single: "x", does: () => to.cut(0) },
    { keys: "Y", words: "cut across y", single: "y", does: () => to.cut(1) },
    { keys: "Z", words: "cut level", single: "z", does: () => to.cut(2) },
    { keys: "[", words: "the cut one layer down", single: "[", does: () => to.layer(-1) },
    { keys: "]", words: "the cut one layer up", single: "]", does: () => to.layer(1) },
    { keys: "F", words: "the whole part in the view", single: "f", does: to.fit },
    { keys: "P", words: "protect the picked face, or no longer", single: "p", does: to.protect },
    { keys: "K", words: "draw a room that is kept out", single: "k", does: to.room },
    { keys: "Esc", words: "let go", does: to.letGo, on: (e) => e.key === "Escape" },
    { keys: "?", words: "this list", single: "?", does: to.list },
    { keys: "Arrows", words: "turn the drawing that has the focus; with shift: move it" },
    { keys: "+  −", words: "nearer, farther" },
    { keys: "Enter", words: "pick what is in the middle of the drawing" },
    { keys: "↑ ↓ in the height profile", words: "cut one layer higher, lower; page keys ten" },
  ];
}
