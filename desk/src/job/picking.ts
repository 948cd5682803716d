/** The line below the drawings: what is picked, sections, and rooms that are kept out. */

import { h, put, say, written, type Child } from "../dom";
import { trouble } from "../frame";
import { nameOf, type Place } from "../places";
import type { Box, Decision, Job } from "../types";
import { area, number } from "../words";
import type { Drawings, Picked } from "./drawings";
import { guarded } from "./title";

const AXES = [[0, "x"], [1, "y"], [2, "z"]] as const;

export class Picking {
  readonly element = h("div", { class: "picking" });
  readonly #drawings: Drawings;
  readonly #decide: (decision: Decision) => void;
  #job: Job | null = null;
  #place: Place | null = null;
  #picked: Picked = { place: null, face: null };
  #busy = false;
  /** A room is drawn now; `#room`: as far as it is. */
  #draws = false;
  #room: Box | null = null;

  constructor(drawings: Drawings, decide: (decision: Decision) => void) {
    this.#drawings = drawings;
    this.#decide = decide;
  }

  /** Draw it anew; not while somebody writes in it, unless `anyway`. */
  draw(job: Job, place: Place | null, picked: Picked, busy: boolean, anyway: boolean): void {
    this.#job = job;
    this.#place = place;
    this.#picked = picked;
    this.#busy = busy;
    if (anyway || !written(this.element)) this.#again();
  }

  get drawing(): boolean {
    return this.#draws;
  }

  /** A room as it was dragged. */
  room(box: Box | null): void {
    this.#room = box;
    this.#draws = true;
    this.#again();
  }

  /** Start or stop drawing a room. */
  start(on: boolean): void {
    const within = this.element.contains(document.activeElement);
    this.#draws = on;
    this.#room = null;
    this.#drawings.drawRoom(on);
    this.#again();
    if (within) this.#focus(on ? "room-type" : "room");
    if (on) say("Drag over the part as received, or type the corners of the room");
  }

  /** Protect the picked face, or no longer. */
  protect(): void {
    const origin = this.#picked.face?.origin ?? null;
    if (origin === null || !this.#job) return;
    this.#decide(guarded(this.#job).includes(origin) ? { unprotect: [origin] } : { protect: [origin] });
  }

  #again(): void {
    const job = this.#job;
    if (!job || job.state === "asking") put(this.element);
    else if (!this.#draws) {
      put(this.element, h("div", { class: "told" }, this.#told(job), this.#kept(job)), this.#sections());
    } else put(this.element, this.#room ? this.#form(this.#room) : this.#invitation());
  }

  #told(job: Job): Child {
    const { face } = this.#picked;
    const place = this.#place ? `Place ${this.#place.number}: ${nameOf(this.#place)}` : null;
    if (!face) return place ?? h("span", { class: "soft" }, "Click a face or a number. Keys: ?");
    const { origin } = face;
    return [
      place ? h("span", {}, place) : null,
      h("span", {}, `Face ${origin ?? face.id}`, face.surface ? `, ${face.surface}, ${area(face.area)} ` : " "),
      origin === null ? h("span", { class: "soft" }, "made by a change ") : h("button", {
        type: "button", "data-key": "protect", disabled: this.#busy, title: "P", onclick: () => this.protect(),
      }, guarded(job).includes(origin) ? "Protect no longer" : "Protect this face"),
    ];
  }

  #kept(job: Job): Child {
    return job.decisions.keep_out.map((box, k) => h("span", { class: "chip" },
      `kept out: ${AXES.map(([d, name]) => `${name} ${number(box[d], 1)} to ${number(box[d + 3], 1)}`).join(", ")} `,
      h("button", {
        type: "button", class: "quiet", "data-key": `drop-${k}`, "aria-label": `Drop room ${k + 1}`, disabled: this.#busy,
        onclick: () => this.#decide({ drop_keep_out: k }),
      }, "drop")));
  }

  #sections(): Child {
    const { cut } = this.#drawings;
    return h("span", { class: "group", role: "group", "aria-label": "Section" }, "Section ",
      AXES.map(([axis, name]) => h("button", {
        type: "button", class: "quiet", "data-key": `cut-${name}`, "aria-pressed": String(cut?.axis === axis),
        "aria-label": `Section across ${name}`, onclick: () => this.#drawings.cutThrough(axis),
      }, name)),
      h("button", { type: "button", class: "quiet", "data-key": "fit", onclick: () => this.#drawings.fit() }, "Fit"),
      h("button", { type: "button", class: "quiet", "data-key": "room", onclick: () => this.start(true) }, "Keep out a room"));
  }

  #leave(): HTMLElement {
    return h("button", {
      type: "button", class: "quiet", "data-key": "room-leave", onclick: () => this.start(false),
    }, "Leave");
  }

  #invitation(): HTMLElement {
    return h("div", { class: "told" }, "Drag over the part as received; nothing is added inside. ",
      h("button", {
        type: "button", "data-key": "room-type", onclick: () => {
          const [x, y, z] = AXES.map(([axis]) => this.#drawings.extent(axis) ?? [0, 10]);
          this.#typed([x[0], y[0], z[0], x[1], y[1], z[1]].map((v) => Number(v.toFixed(1))) as Box);
          this.#focus("room-0");
        },
      }, "Type its corners"), " ", this.#leave());
  }

  /** Go on with what took the place of what was pressed. */
  #focus(key: string): void {
    this.element.querySelector<HTMLElement>(`[data-key=${key}]`)?.focus();
  }

  #typed(box: Box): void {
    this.#drawings.drawRoom(true, box);
    this.room(box);
  }

  #form(room: Box): HTMLElement {
    const field = (k: number): HTMLElement => h("label", {}, `${"xyz"[k % 3]} ${k < 3 ? "from" : "to"} `, h("input", {
      type: "number", step: "any", value: room[k], required: true, "data-key": `room-${k}`,
      onchange: (event: Event) => {
        const box = [...room] as Box;
        box[k] = Number((event.target as HTMLInputElement).value);
        this.#typed(box);
      },
    }));
    return h("form", {
      class: "told", onsubmit: (event: SubmitEvent) => {
        event.preventDefault();
        if (room.some((v, k) => k < 3 && v >= room[k + 3])) {
          trouble("The room has no volume: give from and to in order, mm.");
          return;
        }
        this.start(false);
        this.#decide({ keep_out: room });
      },
    }, "Room kept out, mm: ", [0, 3, 1, 4, 2, 5].map(field),
    h("button", { type: "submit", class: "main", "data-key": "room-take" }, "Keep it out"), this.#leave());
  }
}
