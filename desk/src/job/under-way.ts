/** What the desk does for a job just now, why it stopped, and what it has to be told first. */

import { api } from "../api";
import { h, put, type Child } from "../dom";
import type { Job } from "../types";
import { sentence, size } from "../words";

type Act = (act: () => Promise<Job>) => void;

/** Into `element`: `doing`, or else why nothing is under way; empty where all is done. */
export function underWay(element: HTMLElement, id: string, job: Job | null, doing: Job["doing"], act: Act): void {
  put(element, doing ? progress(id, doing, act) : job ? stopped(job, act) : null,
    !doing && job && job.dropped.length > 0
      ? h("ul", { class: "dropped" }, job.dropped.map((text) => h("li", {}, sentence(text)))) : null);
}

function progress(id: string, doing: NonNullable<Job["doing"]>, act: Act): Child {
  // One step of one says nothing of how far it is.
  const share = doing.of && doing.of > 1 ? doing.done / doing.of : null;
  return [
    doing.stage === "waiting" ? h("p", {}, "Waits until another job is done.") : [
      h("p", {}, sentence(doing.words), share === null ? " …" : `, ${doing.done} of ${doing.of}`),
      h("progress", { max: 1, value: share, "aria-label": doing.words })],
    h("button", { type: "button", "data-key": "cancel", onclick: () => act(() => api.cancel(id)) }, "Cancel"),
  ];
}

function stopped(job: Job, act: Act): Child {
  if (job.state !== "failed" && job.state !== "cancelled") return null;
  return [
    h("p", { role: "alert" }, job.state === "failed" ? job.error ?? "The run failed."
      : "The run was cancelled. What was shown before still holds."),
    h("button", { type: "button", "data-key": "retry", onclick: () => act(() => api.retry(job.id)) }, "Try again"),
  ];
}

/** Into `element`: the question for the unit, where the file does not say it. */
export function asked(element: HTMLElement, job: Job, act: Act): void {
  if (job.state !== "asking" || !job.ask) {
    put(element);
    return;
  }
  const { sizes_mm: sizes, guess } = job.ask;
  put(element, h("form", {
    onsubmit: (event: SubmitEvent) => {
      event.preventDefault();
      const unit = new FormData(event.target as HTMLFormElement).get("unit");
      if (typeof unit === "string") act(() => api.unit(job.id, unit));
    },
  }, h("fieldset", {}, h("legend", {}, "This file does not say its unit. How large is the part?"),
    Object.entries(sizes).map(([unit, mm]) => h("label", { class: "check" },
      h("input", { type: "radio", name: "unit", value: unit, checked: unit === guess, required: true }),
      h("span", {}, ` ${size(mm)} `), h("span", { class: "soft" }, `(written in ${unit}${unit === guess ? ", the likely one" : ""})`)))),
  h("p", {}, h("button", { type: "submit", class: "main" }, "This is its size"))));
}
