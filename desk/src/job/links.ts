/** Links for customers: made, listed, taken back. The secret is shown once. */

import { api } from "../api";
import { h, put, shownDialog } from "../dom";
import { lineOf } from "../frame";
import { when } from "../words";

export function links(job: string): void {
  const list = h("div", {});
  const said = h("div", { role: "status" });
  const who = h("input", { id: "link-for", required: true, maxlength: 120, autocomplete: "off" });
  const prices = h("input", { id: "link-prices", type: "checkbox" });
  const dialog = h("dialog", { "aria-label": "Customer link" },
    h("h2", {}, "Customer link"),
    h("p", {}, "Whoever has the link sees this sheet as it is now and answers to each change. "
      + "It holds for 30 days and can be taken back."),
    h("form", {
      onsubmit: (event: SubmitEvent) => {
        event.preventDefault();
        api.link(job, who.value, prices.checked).then((link) => {
          const url = new URL(link.path ?? "", location.origin).href;
          const field = h("input", { id: "link-made", readonly: true, value: url, "aria-label": "The link" });
          put(said, h("p", {}, "Copy it now; it is not shown again."), field);
          field.select();
          ask();
        }, (error: unknown) => put(said, h("p", { role: "alert" }, lineOf(error))));
      },
    }, h("p", {}, h("label", { for: "link-for" }, "For "), who),
    h("p", { class: "check" }, prices, h("label", { for: "link-prices" }, " with prices")),
    h("p", {}, h("button", { type: "submit", class: "main" }, "Make a link"), " ",
      h("button", { type: "button", onclick: () => dialog.close() }, "Close"))), said, list);
  const ask = (): void => {
    api.links(job).then((found) => put(list, found.length === 0 ? null : h("table", {},
      h("caption", { class: "heard" }, "Links that were made"),
      h("thead", {}, h("tr", {}, ["For", "Made", "Holds until"].map((c) => h("th", { scope: "col" }, c)), h("td", {}))),
      h("tbody", {}, found.map((link) => h("tr", {}, h("td", {}, link.for), h("td", {}, when(link.created)),
        h("td", {}, link.revoked ? "taken back" : when(link.expires)),
        h("td", {}, link.revoked ? null : h("button", {
          type: "button", "aria-label": `Take back the link for ${link.for}`,
          onclick: () => void api.revoke(job, link.id).then(ask, (error: unknown) => put(said, lineOf(error))),
        }, "take back"))))))), (error: unknown) => put(list, h("p", { role: "alert" }, lineOf(error))));
  };
  shownDialog(dialog);
  ask();
}
