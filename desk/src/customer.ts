/** The change sheet as a customer sees it: to look at, and to answer. */

import { api, DeskError } from "./api";
import { h, put, say } from "./dom";
import { lineOf, onPaper, paperButton, sheetOf, trouble } from "./frame";
import { Drawings, type Picked } from "./job/drawings";
import { answerTo } from "./job/ledger";
import { tables } from "./job/tables";
import { placesOf, toneOf, type Place } from "./places";
import type { ChangeRow, Shown, SignOff } from "./types";
import { number, when } from "./words";

/** Show what a link leads to. Returns how to leave. */
export function customer(root: HTMLElement, secret: string): () => void {
  const heading = h("div", { class: "title" }, h("h1", {}, "Change sheet"));
  const list = h("section", { class: "changes", "aria-label": "Changes to approve" });
  const more = h("div", { class: "more" });
  const name = h("input", { id: "name", autocomplete: "name", maxlength: 120, required: true });
  const signed = h("p", { class: "sign" }, h("label", { for: "name" }, "Your name, as it is to stand under each answer "), name);
  let shown: Shown | null = null;
  let places: readonly Place[] = [];
  // What was written and not sent yet, by edit.
  const notes = new Map<string, string>();
  let picked: Picked = { place: null, face: null };
  const pick = (what: Picked): void => {
    picked = what;
    drawings.pick(what);
    draw();
  };
  const drawings = new Drawings({
    picked: (what) => pick({ place: what.place, face: null }), moved: () => {}, cut: () => {}, room: () => {},
  });

  const answer = (edit: string, kind: SignOff["answer"], comment: string): void => {
    if (name.value.trim() === "") {
      trouble("Write your name above the changes first; it stands under each answer.");
      name.focus();
      return;
    }
    trouble(null);
    api.answer(secret, { edit, answer: kind, comment, name: name.value.trim() }).then((found) => {
      shown = found;
      notes.delete(edit);
      draw();
      say("Your answer is kept.");
    }, (error: unknown) => trouble(lineOf(error)));
  };

  const row = (place: Place, change: ChangeRow): HTMLElement => {
    const answers = shown?.signoffs ?? [];
    const last = answerTo(change.edit, answers);
    const said = answers.filter((one) => one.edit === change.edit && one.comment !== "");
    const note = h("input", {
      "data-key": `note-${change.edit}`, maxlength: 2000, "aria-label": `Comment on change ${change.number}`,
      placeholder: "Comment, if any", value: notes.get(change.edit) ?? "",
      oninput: () => notes.set(change.edit, note.value),
    });
    const act = (kind: SignOff["answer"], words: string): HTMLElement => h("button", {
      type: "button", "data-key": `${kind}-${change.edit}`, "aria-pressed": kind === "comment" ? null : String(last?.answer === kind),
      "aria-label": `${words} change ${change.number}`, disabled: !(shown?.current ?? false),
      onclick: () => answer(change.edit, kind, note.value),
    }, words);
    return h("article", { class: `answer${picked.place === place.number ? " picked" : ""}`, "aria-label": `Change ${change.number}` },
      h("h3", {}, h("button", {
        type: "button", class: `no ${toneOf(place)}`, "data-key": `show-${change.number}`, "aria-label": `Show change ${change.number} in the drawings`,
        onclick: () => pick({ place: place.number, face: null }),
      }, change.number), ` ${change.change} `, h("small", {}, `${change.place}, ${change.where}`)),
      h("p", {}, change.why, change.after ? `. Work after printing: ${change.after}` : "", ". ",
        h("span", { class: "soft" }, `${change.measure} ${change.unit} measured, ${change.limit} allowed; ${number(change.volume_mm3, 1, true)} mm³`)),
      h("div", { class: "row" }, act("approve", "Approve"), act("decline", "Decline"), note, act("comment", "Comment only")),
      last ? h("p", {}, h("strong", {}, last.answer === "approve" ? "Approved" : "Declined"), ` by ${last.name}, ${when(last.at)}`) : null,
      said.length > 0 ? h("ul", {}, said.map((one) => h("li", {}, h("q", {}, one.comment), ` ${one.name}, ${when(one.at)}`))) : null);
  };

  const draw = (): void => {
    if (!shown) return;
    const { sheet, resolve } = shown;
    const left = places.flatMap((p) => p.changes).filter((c) => !answerTo(c.edit, shown?.signoffs ?? [])).length;
    put(heading, h("p", { class: "under" }, `Change sheet ${sheet?.number ?? ""}, revision ${shown.revision}, for ${shown.for}, holds until ${when(shown.expires)}`),
      h("h1", {}, shown.name),
      sheet ? h("p", { class: `verdict${sheet.clean ? "" : " open"}` }, `${sheet.clean ? "Clean" : "Not clean"}: ${sheet.verdict}.`) : null,
      shown.current ? null : h("p", { role: "alert" }, "This sheet is of an earlier state of the part. Ask for a new link; answers are no longer taken."));
    const changes = places.flatMap((place) => place.changes.map((change) => row(place, change)));
    put(list, h("h2", {}, "Changes"), h("p", { class: "soft" }, left === 0 ? "All changes are answered. An answer can be given again; the last one counts."
      : `${left} of ${changes.length} changes are not answered yet.`), signed,
    changes.length > 1 ? h("p", {}, h("button", {
      type: "button", "data-key": "all", disabled: !shown.current, onclick: () => answer("", "approve", ""),
    }, "Approve all changes")) : null,
    places.filter((p) => p.open).map((p) => h("article", { class: "answer" }, h("h3", {},
      h("span", { class: "no air" }, p.number), ` Open: ${p.open?.place ?? ""} `, h("small", {}, p.open?.where ?? "")), h("p", {}, p.open?.reason ?? ""))),
    changes.length > 0 ? changes : h("p", {}, "None."));
    put(more, tables(null, sheet));
    drawings.number(places, resolve?.before.process.layer_mm ?? 0.2);
  };

  put(root, sheetOf(heading, paperButton(), drawings.element, list, more));
  const stop = onPaper(() => drawings.recolour());
  api.shown(secret).then((found) => {
    shown = found;
    places = placesOf(found.review, found.resolve, found.sheet);
    document.title = `${found.name} – change sheet`;
    drawings.load(found.geometry);
    draw();
  }, (error: unknown) => {
    drawings.element.hidden = true;
    put(list, h("p", { role: "alert", class: "large" }, error instanceof DeskError && error.status === 404
      ? "This link does not hold: it was taken back, has run out, or is not whole. Ask for a new one."
      : lineOf(error)));
  });
  return () => {
    stop();
    drawings.leave();
  };
}
