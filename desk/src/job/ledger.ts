/** The ledger: each place, what was measured, what is changed, all options and their prices. */

import { h, type Child } from "../dom";
import { overAir, toneOf, type Place } from "../places";
import type { Job, Option, SignOff } from "../types";
import { area, number, sentence, when } from "../words";

export interface Choice {
  pick: (place: string | null) => void;
  choose: (finding: string, key: string | null) => void;
}

/** What the ledger is made of. */
export interface Shown {
  places: readonly Place[];
  options: readonly Option[];
  chosen: Readonly<Record<string, string>>;
  signoffs: readonly SignOff[];
  picked: string | null;
  choice: Choice;
  busy: boolean;
  resolved: boolean;
}

const COLUMNS = ["No.", "Place", "Measured", "Limit", "Change", "Why this one", "Volume, mm³",
  "Fail, of a million", "Decision"];
const NUMBERS = new Set([2, 3, 6, 7]);

export function ledger(shown: Shown): HTMLElement {
  const { places } = shown;
  if (places.length === 0) {
    return h("p", {}, shown.resolved ? "None: nothing prints over air as received."
      : "Nothing prints over air.");
  }
  return h("table", { class: "ledger cards" },
    h("caption", { class: "heard" },
      "Places over air and their changes. The number of a place opens its options."),
    h("thead", {}, h("tr", {}, COLUMNS.map((c, k) =>
      h("th", { scope: "col", class: NUMBERS.has(k) ? "n" : null }, c)))),
    places.map((place) => h("tbody", { class: place.number === shown.picked ? "picked" : null },
      rowsOf(place, shown))));
}

function rowsOf(place: Place, shown: Shown): Child[] {
  const open = place.number === shown.picked;
  const rows: { row: Place["changes"][number] | null; edit: string }[] = place.changes.length > 0
    ? place.changes.map((row) => ({ row, edit: row.edit })) : [{ row: null, edit: "" }];
  const out: Child[] = rows.map(({ row, edit }, k) => {
    const about = row ?? place.open;
    const cells: Child[] = [
      h("button", {
        type: "button", class: `no ${row?.op ?? toneOf(place)}`, "aria-expanded": String(open),
        "data-key": `row-${row?.number ?? place.number}`,
        "aria-label": `Place ${row?.number ?? place.number}, ${about?.place ?? ""}: `
          + (open ? "close its options" : "show its options"),
        onclick: () => shown.choice.pick(open ? null : place.number),
      }, row?.number ?? place.number),
      [h("span", {}, about?.place ?? "Gone with other changes"), h("small", {}, about?.where ?? "")],
      about?.measure ? [about.measure, h("small", {}, about.unit)] : "",
      about?.limit ?? "",
      row ? row.change : place.open && shown.resolved ? h("strong", {}, "open")
        : shown.resolved ? "none of its own" : h("span", { class: "soft" }, "looked for"),
      row ? row.why : place.open ? sentence(place.open.reason) : "",
      row ? number(row.volume_mm3, 1, true) : "",
      row ? [row.fails, h("small", {}, row.sure)] : "",
      row ? decided(edit, shown.signoffs) : "",
    ];
    return h("tr", {
      class: open ? "picked" : null,
      onclick: (event: MouseEvent) => {
        if (k === 0 && !(event.target as Element).closest("button, a")) {
          shown.choice.pick(open ? null : place.number);
        }
      },
    }, cells.map((cell, j) => h("td", { class: NUMBERS.has(j) ? "n" : null, "data-name": COLUMNS[j] ?? "" },
      cell)));
  });
  if (open) {
    const after = place.changes.map((row) => row.after).filter((text) => text !== "");
    out.push(h("tr", { class: "unfold" }, h("td", { colspan: COLUMNS.length },
      after.length > 0 ? h("p", {}, `Work after printing: ${after.join("; ")}.`) : null,
      place.finding ? optionsOf(place.finding.id, shown) : null)));
  }
  return out;
}

function optionsOf(finding: string, shown: Shown): Child {
  const own = shown.options.filter((option) => option.finding === finding);
  if (own.length === 0) {
    return h("p", { class: "soft" }, shown.resolved
      ? "No option was found for this place." : "Options come as soon as the part is resolved.");
  }
  const asked = shown.chosen[finding];
  const priced = own.some((option) => option.cost !== null);
  const columns = ["", "Option", "What it does", ...(priced ? ["Price", "Plastic, mm³", "Machine, s",
    "Hands, s", "Moved, mm"] : []), "Outcome", ""];
  const least = Math.min(...own.map((option) => option.cost?.price ?? Infinity));
  return h("div", { class: "options" }, h("table", {},
    h("caption", {}, `Options for this place, for each part`),
    h("thead", {}, h("tr", {}, columns.map((c, k) => c === "" ? h("td", {})
      : h("th", { scope: "col", class: priced && k >= 3 && k <= 7 ? "n" : null }, c)))),
    h("tbody", {}, own.map((option) => {
      const mine = asked === option.key;
      const cost = option.cost;
      const figures = !priced ? [] : cost ? [
        [number(cost.price, 2), cost.price === least ? h("small", {}, "least") : null],
        number(cost.plastic_mm3, 0, true), number(cost.machine_s, 0, true), number(cost.labour_s, 0),
        number(cost.deviation_mm, 1),
      ] : ["", "", "", "", ""];
      // Options of one name are one choice: the desk takes the best of them.
      const act = mine && !option.chosen && !shown.busy && own.some((o) => o.chosen && o.key === asked)
        ? null : mine
        ? h("button", {
          type: "button", "data-key": `free-${option.key}`, disabled: shown.busy,
          "aria-label": `choose freely again for ${finding}`,
          onclick: () => shown.choice.choose(finding, null),
        }, "choose freely again")
        : h("button", {
          type: "button", "data-key": `choose-${option.key}`, disabled: shown.busy,
          "aria-label": `Choose ${option.remedy}`,
          onclick: () => shown.choice.choose(finding, option.key),
        }, "choose");
      const cells: Child[] = [
        h("span", { class: `mark ${option.op}`, "aria-hidden": "true" }),
        [h(option.chosen ? "strong" : "span", {}, option.remedy),
          h("small", {}, option.safety)],
        sentence(option.why), ...figures,
        option.chosen ? [h("strong", {}, mine ? "chosen by hand" : "chosen"),
          h("small", {}, option.outcome)] : option.outcome,
        act,
      ];
      return h("tr", { class: option.chosen ? "chosen" : null }, cells.map((cell, k) =>
        h("td", { class: priced && k >= 3 && k <= 7 ? "n" : null, "data-name": columns[k] ?? "" }, cell)));
    }))));
}

/** The last answer to an edit, of those that are about what is shown. */
export function answerTo(edit: string, signoffs: readonly SignOff[]): SignOff | undefined {
  return signoffs.findLast((one) => one.current && one.answer !== "comment"
    && (one.edit === edit || one.edit === ""));
}

function decided(edit: string, signoffs: readonly SignOff[]): Child {
  const answer = answerTo(edit, signoffs);
  const comments = signoffs.filter((one) => one.current && one.edit === edit && one.comment !== "");
  return [
    answer ? [h(answer.answer === "decline" ? "strong" : "span", {},
      answer.answer === "approve" ? "approved" : "declined"),
    h("small", {}, `${answer.name}, ${when(answer.at)}`)] : h("span", { class: "soft" }, "not asked yet"),
    comments.map((one) => h("q", {}, one.comment)),
  ];
}

/** One line on what a job still has over air. */
export function airLine(job: Pick<Job, "review" | "resolve">): string {
  const before = job.review ?? job.resolve?.before;
  if (!before) return "";
  const places = overAir(before).length;
  const found = `${places} ${places === 1 ? "place" : "places"}, ${area(before.totals.over_air_mm2)} over air`;
  if (!job.resolve) return found;
  return `${area(before.totals.over_air_mm2)} → ${area(job.resolve.after.totals.over_air_mm2)} over air`;
}
