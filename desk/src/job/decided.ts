/** What was decided: its words, its log, and the recipe that says the same to the command. */

import { api, putRecipe } from "../api";
import { h, put, table } from "../dom";
import { fileButton } from "../drop";
import { lineOf } from "../frame";
import type { Job } from "../types";
import { when } from "../words";

/** Kinds of decision as a person says them. */
const WORDS: Record<string, string> = {
  choose: "choice", protect: "protected face", unprotect: "protected face", keep_out: "kept-out room",
  drop_keep_out: "kept-out room", up: "way up", process: "process", quantity: "quantity",
  prefer: "preference", forbid: "forbidden remedy", allow: "allowed remedy", recipe: "recipe",
};

export const decisionWords = (what: string): string => WORDS[what] ?? what.replaceAll("_", " ");

export class Decided {
  readonly element = h("section", { class: "turning unprinted", "aria-label": "Decisions" });
  readonly #id: string;
  readonly #act: (act: () => Promise<Job>) => void;
  readonly #logged = h("div", {});
  readonly #log = h("details", { ontoggle: () => void this.#ask() },
    h("summary", {}, "What was decided, and when"), this.#logged);

  constructor(id: string, act: (act: () => Promise<Job>) => void) {
    this.#id = id;
    this.#act = act;
  }

  /** Start from the decisions in a file, instead of all that was decided. */
  take(file: File): void {
    this.#act(() => putRecipe(this.#id, file));
  }

  draw(job: Job, busy: boolean): void {
    const recipe = job.files.find((file) => file.role === "recipe");
    const start = job.decisions.recipe;
    const from = start ? `They start from the recipe ${start.file}, with ${start.edits} `
      + `${start.edits === 1 ? "change" : "changes"}. ` : "";
    put(this.element, h("h2", {}, "Decisions"),
      h("p", {}, `${from}The recipe holds all of them, as soffit resolve writes it and takes it. `
        + "Loading one puts its decisions in place of these; undo brings these back."),
      h("p", { class: "row" },
        recipe ? h("a", { class: "act", "data-key": "recipe", href: recipe.url, download: recipe.name }, "The recipe") : null,
        fileButton({
          words: "Load a recipe", key: "load-recipe", accept: ".toml", busy, take: (file) => this.take(file),
        })),
      this.#log);
    if (this.#log.open) void this.#ask();
  }

  async #ask(): Promise<void> {
    try {
      const log = await api.log(this.#id);
      put(this.#logged, log.length === 0 ? h("p", { class: "soft" }, "Nothing was decided by hand yet.")
        : table("Decisions, the latest first", ["When", "What", "Value", "Revision"],
          log.toReversed().map((one) => [when(one.at), decisionWords(one.what),
            h("span", { class: "hash" }, one.value === null ? "" : JSON.stringify(one.value)), String(one.revision)])));
    } catch (error) {
      put(this.#logged, h("p", { role: "alert" }, lineOf(error)));
    }
  }
}
