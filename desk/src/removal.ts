/** Taking a job out of the list, after it was asked for twice. */

import { api } from "./api";
import { h, put, say, shownDialog } from "./dom";
import { lineOf } from "./frame";

/** Ask whether a job is to go; `gone` is called once it has. */
export function removal(job: { id: string; name: string }, gone: () => void): void {
  const said = h("div", { role: "status" });
  const dialog = h("dialog", { "aria-label": `Delete ${job.name}` },
    h("h2", {}, `Delete ${job.name}?`),
    h("p", {}, "It leaves the list with all its revisions and is not brought back; links of "
      + "customers to it no longer hold."), said,
    h("p", { class: "row" },
      h("button", { type: "button", autofocus: true, onclick: () => dialog.close() }, "Keep it"),
      h("button", {
        type: "button", class: "main", onclick: () => void api.remove(job.id).then(() => {
          dialog.close();
          say(`${job.name} is deleted.`);
          gone();
        }, (error: unknown) => put(said, h("p", { role: "alert" }, lineOf(error)))),
      }, "Delete it")));
  shownDialog(dialog);
}
