/** The first page: all jobs, and a place for a new one. */

import { addJob, api, listen } from "./api";
import { h, put, say, type Child } from "./dom";
import { dropPlace } from "./drop";
import { lineOf, linkTo, offline, paperButton, sheetOf, trouble } from "./frame";
import { removal } from "./removal";
import type { JobRow } from "./types";
import { area, number, stateWords, when } from "./words";

/** Show it; `go` opens an address of the desk. Returns how to leave. */
export function start(root: HTMLElement, go: (path: string) => void): () => void {
  const list = h("section", { class: "jobs", "aria-label": "Jobs" }, h("p", { class: "soft" }, "Asking for the jobs …"));
  const sending = h("p", { class: "sending", role: "status" });
  let jobs: JobRow[] = [];
  let filter = "";

  const take = (file: File): void => {
    trouble(null);
    put(sending, `Sending ${file.name} …`);
    addJob(file, (share) => put(sending, `Sending ${file.name}, ${number(100 * share, 0)} %`)).then(
      (job) => go(`/jobs/${job.id}`),
      (error: unknown) => {
        put(sending);
        trouble(lineOf(error));
      });
  };
  const place = dropPlace("Drop a part here", take);

  const rows = h("div", {});
  const draw = (): void => {
    const shown = jobs.filter((job) => job.name.toLowerCase().includes(filter.toLowerCase()));
    put(rows, shown.length === 0
      ? h("p", { class: "soft" }, "No job has this in its name.")
      : h("table", { class: "cards" },
        h("caption", { class: "heard" }, "Jobs, the latest first"),
        h("thead", {}, h("tr", {}, ["Part", "Rev.", "State", "Over air, as it stands", "Changed"].map((c) =>
          h("th", { scope: "col", class: c.startsWith("Over") ? "n" : null }, c)), h("td", {}))),
        h("tbody", {}, shown.map((job) => h("tr", {}, cells(job).map(([name, cell, kind]) =>
          h("td", { "data-name": name, class: kind }, cell)))))));
  };
  const cells = (job: JobRow): [string, Child, string | null][] => [
    ["Part", linkTo(`/jobs/${job.id}`, job.name, go, job.id), null],
    ["Rev.", String(job.revision), null],
    ["State", job.state === "done" && job.clean !== null
      ? job.clean ? "clean" : h("strong", {}, "not clean") : stateWords(job.state), null],
    ["Over air", job.over_air_mm2 === null ? "" : area(job.over_air_mm2), "n"],
    ["Changed", when(job.changed), null],
    ["", h("button", {
      type: "button", class: "quiet", "data-key": `delete-${job.id}`, "aria-label": `Delete ${job.name}`,
      onclick: () => removal(job, ask),
    }, "delete"), "n"],
  ];
  const show = (): void => {
    if (jobs.length === 0) {
      put(list, h("div", { class: "none" },
        h("h2", {}, "No job yet"),
        h("ol", {},
          h("li", {}, "Drop a part. Its size and unit are shown, and asked for where the file does not say."),
          h("li", {}, "It is looked at layer by layer: what would print over air is numbered and drawn."),
          h("li", {}, "It is changed so that nothing does; every option, its price and its risk are listed. You decide."),
          h("li", {}, "The customer gets a link and signs each change; the package holds all that was agreed.")),
        h("p", { class: "soft" }, "No part at hand? The folder examples has some, such as ledge_bracket.step.")));
      return;
    }
    if (!list.contains(rows)) {
      put(list, h("div", { class: "heading" }, h("h2", {}, "Jobs"),
        h("label", {}, "Find ", h("input", {
          type: "search", id: "find", oninput: (event: Event) => {
            filter = (event.target as HTMLInputElement).value;
            draw();
          },
        }))), rows);
    }
    draw();
  };
  let asked = 0;
  const ask = (): void => {
    const turn = ++asked;
    api.jobs().then((found) => {
      if (turn !== asked) return;
      jobs = found;
      show();
    }, (error: unknown) => put(list, h("p", { role: "alert" }, lineOf(error))));
  };

  put(root, sheetOf(
    h("div", { class: "title" }, h("h1", {}, "Soffit desk"),
      h("p", { class: "under" }, "What would print over air, changed so that nothing does")),
    paperButton(),
    h("div", { class: "start" }, h("section", { "aria-label": "A new job" }, place.element, sending), list)));
  document.title = "Jobs – Soffit desk";
  ask();
  let waiting = 0;
  const stop = listen(null, (kind) => {
    if (kind !== "changed") return;
    clearTimeout(waiting);
    waiting = window.setTimeout(ask, 150);
  }, offline);
  say("Jobs");
  return () => {
    stop();
    clearTimeout(waiting);
    place.stop();
  };
}
