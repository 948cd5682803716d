/** The sheet that every page is drawn on: its frame and zones, paper, and what is said of the desk. */

import { h, put, type Child } from "./dom";

const STORE = "soffit.paper";
type Paper = "light" | "dark";

const papers = new Set<() => void>();

function own(): Paper | null {
  const kept = localStorage.getItem(STORE);
  return kept === "light" || kept === "dark" ? kept : null;
}

/** Put the paper that the reader chose, or else the one that the screen asks for. */
export function setPaper(): void {
  const kept = own();
  if (kept) document.documentElement.dataset["paper"] = kept;
  else delete document.documentElement.dataset["paper"];
  for (const told of papers) told();
}

const isDark = (): boolean =>
  (own() ?? (matchMedia("(prefers-color-scheme: dark)").matches ? "dark" : "light")) === "dark";

/** Be told when the paper changes; returns how to stop. */
export function onPaper(told: () => void): () => void {
  papers.add(told);
  return () => papers.delete(told);
}

matchMedia("(prefers-color-scheme: dark)").addEventListener("change", setPaper);

export function paperButton(): HTMLButtonElement {
  const words = (): string => (isDark() ? "Light paper" : "Dark paper");
  const button = h("button", {
    type: "button", class: "quiet",
    onclick: () => {
      localStorage.setItem(STORE, isDark() ? "light" : "dark");
      setPaper();
    },
  }, words());
  onPaper(() => put(button, words()));
  return button;
}

/** A page of the desk inside the frame of a drawing. */
export function sheetOf(heading: Child, tools: Child, ...inside: Child[]): HTMLElement {
  const zones = (names: string, kind: string): HTMLElement =>
    h("div", { class: `zones ${kind}`, "aria-hidden": "true" }, [...names].map((n) => h("span", {}, n)));
  return h("div", { class: "frame" }, zones("12345678", "across"), zones("ABCDEF", "down"),
    h("div", { class: "sheet" },
      h("header", { class: "head" }, heading, h("div", { class: "tools" }, tools)),
      h("main", { id: "main", tabindex: "-1" }, inside)));
}

/** Tell that the desk does not answer, or that it does again. */
export function offline(gone: boolean): void {
  const bar = document.getElementById("offline");
  if (!bar) return;
  put(bar, gone ? "The desk does not answer. What is shown is the last that it said; nothing decided is "
    + "lost. It is asked again by itself; start it with soffit desk." : null);
  bar.hidden = !gone;
}

/** One clear line about what went wrong, above all else, until it is taken away. */
export function trouble(words: string | null): void {
  const bar = document.getElementById("trouble");
  if (!bar) return;
  bar.hidden = words === null;
  put(bar, words, words === null ? null : h("button", {
    type: "button", onclick: () => trouble(null),
  }, "Close"));
}

/** A link within the desk; `go` opens an address without loading the page anew. */
export function linkTo(path: string, words: Child, go: (path: string) => void, key: string): HTMLAnchorElement {
  return h("a", {
    href: path, "data-key": key, onclick: (event: MouseEvent) => {
      if (event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      go(path);
    },
  }, words);
}

/** The way back to all jobs. */
export const backTo = (go: (path: string) => void): HTMLAnchorElement => linkTo("/", "Jobs", go, "back");

export const lineOf = (error: unknown): string => error instanceof Error ? error.message : String(error);
