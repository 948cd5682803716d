/** The title block, with what of it can be changed; and what the last decision did. */

import { h, type Child } from "../dom";
import type { About, Cost, Job, Sheet } from "../types";
import { number, parts, shortHash, size } from "../words";
import { airLine } from "./ledger";

export interface Edits {
  process: (name: string) => void;
  quantity: (count: number) => void;
}

export function verdictOf(job: Job, sheet: Sheet | null): { clean: boolean | null; words: string } {
  if (job.state === "failed") return { clean: null, words: job.error ?? "This run failed" };
  if (sheet && job.resolve) {
    const words = `${sheet.clean ? "Clean" : "Not clean"}: ${sheet.verdict}`;
    return { clean: sheet.clean, words: job.stale ? `${words} (before the last decision)` : words };
  }
  if (job.review) return { clean: null, words: `Reviewed: ${airLine(job)}` };
  return { clean: null, words: job.state === "asking" ? "The unit is asked for" : "Not looked at yet" };
}

export function titleBlock(job: Job, sheet: Sheet | null, about: About | null, edits: Edits | null): HTMLElement {
  const revision = job.revisions.at(-1);
  const now = (job.resolve?.before ?? job.review)?.part;
  const verdict = verdictOf(job, sheet);
  const processes = about?.processes ?? [];
  const named = processes.find((p) => p.name === job.process);
  const process: Child = edits
    ? h("select", {
      id: "process", "aria-label": "Process",
      onchange: (event: Event) => edits.process((event.target as HTMLSelectElement).value),
    }, (named ? processes : [{ name: job.process, title: job.process }, ...processes]).map((p) =>
      h("option", { value: p.name, selected: p.name === job.process }, p.title)))
    : named?.title ?? job.process;
  const quantity: Child = edits
    ? h("input", {
      id: "quantity", type: "number", min: 1, max: 100_000_000, step: 1, value: job.quantity,
      "aria-label": "Quantity", inputmode: "numeric",
      onchange: (event: Event) => {
        const field = event.target as HTMLInputElement;
        if (field.reportValidity()) edits.quantity(Number(field.value));
      },
    }) : number(job.quantity, 0);
  const fields: [string, Child, string?][] = [
    ["part", h("strong", {}, job.name), "wide"],
    ["verdict", h("strong", {}, verdict.clean === null ? "open" : verdict.clean ? sheet?.verdict : verdict.words),
      "wide"],
    ["revision", String(job.revision)],
    ["quantity", quantity],
    ["process", process, "wide"],
    ["size", now ? size(now.size_mm) : ""],
    ["way up", sheet?.orientation ?? ""],
    ["as received, sha256", revision ? shortHash(revision.sha256) : "", "hash"],
    ["as produced, sha256", sheet?.produced_hash ?? "", "hash"],
    ["change sheet", sheet ? h("a", { href: fileOf(job, "sheet_pdf") }, sheet.number) : ""],
    ["protected", guarded(job).length > 0 ? `faces ${guarded(job).join(", ")}` : "none"],
  ];
  return h("section", { class: "block", "aria-label": "Title block" },
    h("dl", { class: "title" }, fields.map(([name, value, kind]) =>
      h("div", { class: kind }, h("dt", {}, name), h("dd", {}, value)))));
}

/** Faces that are protected now: those named by a number at once, those of other words as the last
 * resolve found them. */
export function guarded(job: Job): number[] {
  const named = job.decisions.protect.map((words) => /^face (\d+)$/.exec(words)?.[1]);
  const known = job.stale && !named.includes(undefined) ? [] : job.protected_faces;
  return [...new Set([...named.flatMap((id) => (id === undefined ? [] : [Number(id)])), ...known])]
    .toSorted((a, b) => a - b);
}

const fileOf = (job: Job, role: string): string | null =>
  job.files.find((file) => file.role === role)?.url ?? null;

/** Figures that decisions are weighed by. */
export interface Weighed {
  plastic: number | null;
  price: number | null;
  time: number | null;
  hands: number | null;
  fails: number | null;
  over: number | null;
}

export function weigh(job: Job): Weighed {
  const figures = job.resolve?.estimate?.resolved;
  return {
    plastic: figures?.plastic_g ?? null,
    price: figures?.price_each ?? null,
    time: figures ? figures.machine_s / 60 : null,
    hands: figures?.labour_s ?? null,
    fails: job.resolve?.risk?.total_ppm ?? null,
    over: job.resolve?.after.totals.over_air_mm2 ?? null,
  };
}

/** What a decision is expected to change, before it is proven. */
export interface Foreseen {
  what: string;
  from: Cost | null;
  to: Cost | null;
}

/** What it comes to, and what the last decision changed: foreseen while it is proven, then measured. */
export function consequence(job: Job, before: Weighed | null, foreseen: Foreseen | null): HTMLElement {
  const now = weigh(job);
  const { plastic_g: g, plastic_mm3: mm3 } = job.resolve?.estimate?.resolved ?? {};
  const grams = g && mm3 ? g / mm3 : null;
  const received = job.resolve?.estimate?.as_received;
  const ahead = foreseen?.from && foreseen.to ? {
    plastic: grams === null ? null : (foreseen.to.plastic_mm3 - foreseen.from.plastic_mm3) * grams,
    price: foreseen.to.price - foreseen.from.price,
    time: (foreseen.to.machine_s - foreseen.from.machine_s) / 60,
    hands: foreseen.to.labour_s - foreseen.from.labour_s, fails: null, over: null,
  } : null;
  const rows: [string, keyof Weighed, number, number | null][] = [
    ["Over air, mm²", "over", 1, job.resolve?.before.totals.over_air_mm2 ?? null],
    ["Plastic, as laid, g", "plastic", 2, received?.plastic_g ?? null],
    ["On the machine, min", "time", 1, received ? received.machine_s / 60 : null],
    ["Work by hand, s", "hands", 0, received?.labour_s ?? null],
    ["Price of each", "price", 2, null],
    ["Fail, of a million", "fails", 0, null],
  ];
  const last = job.stale ? ahead : before ? difference(before, now) : null;
  const heading = job.stale ? "foreseen" : "change";
  return h("section", { class: "comes-to", "aria-label": "What it comes to" },
    h("h2", {}, `For ${number(job.quantity, 0)} ${parts(job.quantity)}`),
    h("table", {},
      h("caption", { class: "heard" }, "What it comes to, and what the last decision changed"),
      h("thead", {}, h("tr", {}, h("td", {}), ["as received", "resolved", last ? heading : ""].map((c) =>
        c === "" ? h("td", {}) : h("th", { scope: "col", class: "n" }, c)))),
      h("tbody", {}, rows.map(([name, key, digits, was]) => {
        const value = now[key];
        const change = last?.[key] ?? null;
        return h("tr", {}, h("th", { scope: "row" }, name),
          h("td", { class: "n soft" }, was === null ? "" : number(was, digits)),
          h("td", { class: "n" }, value === null ? "" : h("strong", {}, number(value, digits))),
          h("td", { class: "n change" }, change === null ? ""
            : Math.abs(change) < 0.5 * 10 ** -digits ? "same" : number(change, digits, true)));
      }))),
    job.stale ? h("p", { class: "soft" }, foreseen
      ? `${foreseen.what}. The files are made and proven again.`
      : "The last decision is being proven on new files.") : null);
}

function difference(from: Weighed, to: Weighed): Weighed {
  const by = (key: keyof Weighed): number | null => {
    const a = from[key], b = to[key];
    return a === null || b === null ? null : b - a;
  };
  return {
    plastic: by("plastic"), price: by("price"), time: by("time"), hands: by("hands"),
    fails: by("fails"), over: by("over"),
  };
}
