/** Which page an address shows. */

import { api, DeskError } from "./api";
import { h, put } from "./dom";
import { lineOf, setPaper, sheetOf, trouble } from "./frame";
import { start } from "./start";
import "./style.css";

let leave: () => void = () => {};
let turn = 0;

async function route(root: HTMLElement): Promise<void> {
  const own = ++turn;
  leave();
  leave = () => {};
  trouble(null);
  const [, first, second] = location.pathname.split("/");
  const go = (path: string): void => {
    history.pushState(null, "", path);
    void route(root);
  };
  if (first === "jobs" && second) {
    // The drawings bring three with them; the frame is on the screen before.
    put(root, sheetOf(h("h1", {}, "…"), null, h("p", { class: "soft" }, "Opening the job …")));
    const { job } = await import("./job/page");
    if (own === turn) leave = job(root, decodeURIComponent(second), go);
  } else if (first === "s" && second) {
    put(root, sheetOf(h("h1", {}, "…"), null, h("p", { class: "soft" }, "Opening the change sheet …")));
    const { customer } = await import("./customer");
    if (own === turn) leave = customer(root, decodeURIComponent(second));
  } else leave = start(root, go);
}

/** A link with a token is changed for a cookie, and taken out of the address. */
async function signIn(): Promise<void> {
  const token = new URLSearchParams(location.hash.slice(1)).get("token");
  if (token === null) return;
  history.replaceState(null, "", location.pathname + location.search);
  await api.login(token);
}

async function open(root: HTMLElement): Promise<void> {
  setPaper();
  try {
    await signIn();
    await route(root);
  } catch (error) {
    const words = error instanceof DeskError && error.status === 401
      ? "This desk is shared by a link with a token. Open the link that it printed when it was started."
      : lineOf(error);
    put(root, sheetOf(h("h1", {}, "Soffit desk"), null, h("p", { role: "alert", class: "large" }, words)));
  }
}

const root = document.getElementById("app");
if (root) {
  window.addEventListener("popstate", () => void route(root));
  void open(root);
}
