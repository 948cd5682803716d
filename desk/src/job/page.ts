/** A job: the live sheet, on which everything is decided. */

import { addRevision, api, DeskError, listen } from "../api";
import { h, put, say, table, written, type Child } from "../dom";
import { dropPlace } from "../drop";
import { lineOf, offline, onPaper, paperButton, sheetOf, trouble } from "../frame";
import { listen as listenKeys, showKeys, type Key } from "../keys";
import { placesOf, type Place } from "../places";
import type { About, Box, Decision, Job, Orient, Sheet } from "../types";
import { area, number, sentence, size, when } from "../words";
import { Drawings, type Picked } from "./drawings";
import { ledger } from "./ledger";
import { keep, read } from "./link";
import { links } from "./links";
import { tables } from "./tables";
import { consequence, guarded, titleBlock, verdictOf, weigh, type Foreseen, type Weighed } from "./title";
import { waysUp } from "./wayup";

/** Show a job; `go` opens an address. Returns how to leave. */
export function job(root: HTMLElement, id: string, go: (path: string) => void): () => void {
  const page = new Page(root, id, go);
  return () => page.leave();
}

class Page {
  readonly #id: string;
  readonly #go: (path: string) => void;
  readonly #drawings: Drawings;
  readonly #heading = h("div", { class: "title" });
  readonly #tools = h("div", { class: "row" });
  readonly #doing = h("div", { class: "doing", role: "status" });
  readonly #picking = h("div", { class: "picking" });
  readonly #ledger = h("section", { class: "changes", "aria-label": "Changes" });
  readonly #aside = h("div", { class: "aside" });
  readonly #ways = h("div", {});
  readonly #logged = h("div", {});
  readonly #log = h("details", { class: "turning", ontoggle: () => void this.#drawLog() },
    h("summary", {}, "What was decided, and when"), this.#logged);
  readonly #more = h("div", { class: "more" });
  readonly #ask = h("div", { class: "asking" });
  readonly #drop: ReturnType<typeof dropPlace>;
  readonly #stops: (() => void)[] = [];
  readonly #keys: readonly Key[];
  #about: About | null = null;
  #job: Job | null = null;
  #sheet: Sheet | null = null;
  #orient: Orient | null = null;
  #places: readonly Place[] = [];
  #picked: Picked = { place: null, face: null };
  #room: Box | null = null;
  #drawsRoom = false;
  #before: Weighed | null = null;
  #was: Weighed | null = null;
  #foreseen: Foreseen | null = null;
  #busy = false;
  #asked = 0;
  #shownResolve = "";

  constructor(root: HTMLElement, id: string, go: (path: string) => void) {
    this.#id = id;
    this.#go = go;
    this.#drawings = new Drawings({
      picked: (what) => this.#pick(what),
      moved: () => this.#keepLink(),
      room: (box) => {
        this.#room = box;
        this.#drawsRoom = true;
        this.#drawPicking();
      },
    });
    this.#drop = dropPlace("Drop the next revision here", (file) => this.#revise(file));
    this.#keys = this.#allKeys();
    const { place, face, cut, look } = read(location.search);
    this.#picked = { place, face: face === null ? null : { side: "before", id: face, surface: "", area: 0, origin: face } };
    if (look) this.#drawings.look = look;
    if (cut) this.#drawings.cut = cut;
    put(this.#heading, h("h1", {}, "…"), h("p", { class: "soft" }, "Opening the job …"));
    put(root, sheetOf(this.#heading, this.#tools, this.#doing, this.#ask, this.#drawings.element,
      this.#picking, h("div", { class: "below" }, this.#ledger, this.#aside), this.#ways, this.#more,
      h("section", { class: "next" }, this.#drop.element)));
    this.#stops.push(
      listen(id, (kind, doing) => {
        if (kind === "progress") this.#progress(doing);
        else void this.#refresh();
      }, offline),
      listenKeys(this.#keys), onPaper(() => this.#drawings.recolour()), () => this.#drop.stop());
    api.about().then((about) => {
      this.#about = about;
      this.#drawAside();
    }, () => {});
    void this.#refresh();
  }

  leave(): void {
    for (const stop of this.#stops) stop();
    this.#drawings.leave();
  }

  async #refresh(): Promise<void> {
    const turn = ++this.#asked;
    try {
      const found = await api.job(this.#id);
      if (turn === this.#asked) await this.#take(found);
    } catch (error) {
      if (error instanceof DeskError && error.status === 404) {
        for (const one of [this.#drawings.element, this.#picking, this.#drop.element]) one.hidden = true;
        put(this.#heading, h("h1", {}, "No such job"));
        put(this.#doing, h("p", { role: "alert" }, lineOf(error)), h("p", {}, this.#back()));
      } else trouble(lineOf(error));
    }
  }

  /** Take what the desk says of the job. */
  async #take(found: Job): Promise<void> {
    const hash = found.resolve ? `${found.revision} ${found.resolve.after.part.sha256} ${found.quantity} `
      + `${found.process} ${found.geometry.after ?? ""}` : "";
    if (found.resolve && hash !== this.#shownResolve) {
      this.#sheet = await api.sheet(this.#id);
      if (this.#shownResolve !== "") this.#before = this.#was;
      this.#was = weigh(found);
      this.#shownResolve = hash;
      this.#foreseen = null;
    }
    if (!found.resolve) {
      this.#sheet = null;
      this.#shownResolve = "";
    }
    const state = this.#job?.state;
    this.#job = found;
    if (found.orient.state === "done" && this.#orient === null) {
      api.orient(this.#id).then((orient) => {
        this.#orient = orient;
        this.#drawMore();
      }, () => {});
    }
    this.#draw();
    if (state !== found.state) say(`${found.name}: ${verdictOf(found, this.#sheet).words}`);
  }

  async #act(act: () => Promise<Job>): Promise<void> {
    if (this.#busy) return;
    this.#busy = true;
    trouble(null);
    try {
      const found = await act();
      this.#busy = false;
      this.#asked++;
      await this.#take(found);
    } catch (error) {
      trouble(lineOf(error));
    } finally {
      this.#busy = false;
    }
  }

  #decide(decision: Decision): void {
    void this.#act(() => api.decide(this.#id, decision));
  }

  #undo(): void {
    if (this.#job?.undo) {
      this.#foreseen = null;
      void this.#act(() => api.undo(this.#id));
    }
  }

  #redo(): void {
    if (this.#job?.redo) void this.#act(() => api.redo(this.#id));
  }

  #revise(file: File): void {
    trouble(null);
    put(this.#doing, `Sending ${file.name} …`);
    this.#orient = null;
    void this.#act(() => addRevision(this.#id, file,
      (share) => put(this.#doing, `Sending ${file.name}, ${number(100 * share, 0)} %`)));
  }

  #choose(finding: string, key: string | null): void {
    const options = (this.#job?.options ?? []).filter((o) => o.finding === finding);
    const to = options.find((o) => o.key === key);
    const from = options.find((o) => o.chosen);
    this.#foreseen = to && from ? {
      what: `${sentence(from.remedy)} → ${to.remedy}: ${to.outcome}`, from: from.cost, to: to.cost,
    } : null;
    this.#decide({ choose: { finding, key } });
  }

  #pick(what: Picked): void {
    this.#picked = what;
    this.#drawings.pick(what);
    this.#drawLedger();
    this.#drawPicking();
    this.#keepLink();
    const place = this.#places.find((one) => one.number === what.place);
    if (place) {
      const row = place.changes[0] ?? place.open;
      say(`Place ${place.number}: ${row?.place ?? ""}, ${row?.where ?? ""}`);
    } else if (what.face) say(`Face ${what.face.id}, ${what.face.surface}`);
  }

  #step(by: number): void {
    const n = this.#places.length;
    if (n === 0) return;
    const at = this.#places.findIndex((one) => one.number === this.#picked.place);
    const next = this.#places[at < 0 ? (by > 0 ? 0 : n - 1) : (at + by + n) % n];
    if (next) this.#pick({ place: next.number, face: null });
  }

  /** Cut both views through what is picked, or through the middle. */
  #cutThrough(axis: 0 | 1 | 2): void {
    const now = this.#drawings.cut;
    if (now?.axis === axis) {
      this.#drawings.cut = null;
      return;
    }
    const place = this.#places.find((one) => one.number === this.#picked.place);
    const at = place ? this.#drawings.at(place) : null;
    const [low, high] = this.#drawings.extent(axis) ?? [0, 0];
    this.#drawings.cut = { axis, at: at?.[axis] ?? (low + high) / 2 };
  }

  #protect(): void {
    const face = this.#picked.face;
    const origin = face?.origin ?? null;
    if (origin === null || !this.#job) return;
    this.#decide(guarded(this.#job).includes(origin) ? { unprotect: [origin] } : { protect: [origin] });
  }

  #startRoom(on: boolean): void {
    this.#drawsRoom = on;
    this.#room = null;
    this.#drawings.drawRoom(on);
    this.#drawPicking();
    if (on) say("Drag over the part as received, or type the corners of the room");
  }

  #letGo(): void {
    if (this.#drawsRoom) this.#startRoom(false);
    else if (this.#picked.place ?? this.#picked.face) this.#pick({ place: null, face: null });
    else this.#drawings.cut = null;
  }

  #allKeys(): Key[] {
    const command = (event: KeyboardEvent): boolean => event.ctrlKey || event.metaKey;
    return [
      { keys: "U, Ctrl Z", words: "take the last decision back", does: () => this.#undo(),
        on: (e) => command(e) && !e.shiftKey && e.key.toLowerCase() === "z" },
      { keys: "U", words: "the same", does: () => this.#undo() },
      { keys: "R, Ctrl Y", words: "take it again", does: () => this.#redo(),
        on: (e) => command(e) && (e.key.toLowerCase() === "y" || (e.shiftKey && e.key.toLowerCase() === "z")) },
      { keys: "R", words: "the same", does: () => this.#redo() },
      { keys: "N", words: "the next place", does: () => this.#step(1) },
      { keys: "B", words: "the place before", does: () => this.#step(-1) },
      { keys: "X", words: "cut across x, through what is picked; again: no cut", does: () => this.#cutThrough(0) },
      { keys: "Y", words: "cut across y", does: () => this.#cutThrough(1) },
      { keys: "Z", words: "cut level", does: () => this.#cutThrough(2) },
      { keys: "[", words: "the cut one layer down", does: () => this.#drawings.step(-1) },
      { keys: "]", words: "the cut one layer up", does: () => this.#drawings.step(1) },
      { keys: "F", words: "the whole part in the view", does: () => this.#drawings.fit() },
      { keys: "P", words: "protect the picked face, or no longer", does: () => this.#protect() },
      { keys: "K", words: "draw a room that is kept out", does: () => this.#startRoom(!this.#drawsRoom) },
      { keys: "Esc", words: "let go", does: () => this.#letGo(), on: (e) => e.key === "Escape" },
      { keys: "?", words: "this list", does: () => showKeys(this.#keys) },
      { keys: "Arrows", words: "turn the drawing that has the focus; with shift: move it" },
      { keys: "+  −", words: "nearer, farther" },
      { keys: "Enter", words: "pick what is in the middle of the drawing" },
      { keys: "↑ ↓ in the height profile", words: "cut one layer higher, lower; page keys ten" },
    ];
  }

  #keepLink(): void {
    keep({
      place: this.#picked.place, face: this.#picked.face?.origin ?? null,
      cut: this.#drawings.cut, look: this.#drawings.look,
    });
  }

  #back(): HTMLElement {
    return h("a", {
      href: "/", "data-key": "back", onclick: (event: MouseEvent) => {
        if (event.ctrlKey || event.metaKey || event.shiftKey) return;
        event.preventDefault();
        this.#go("/");
      },
    }, "Jobs");
  }

  #draw(): void {
    const found = this.#job;
    if (!found) return;
    document.title = `${found.name} – Soffit desk`;
    this.#places = placesOf(found.review, found.resolve, this.#sheet);
    const verdict = verdictOf(found, this.#sheet);
    put(this.#heading,
      h("p", { class: "under" }, this.#back(), ` / revision ${found.revision}`
        + `${this.#sheet ? ` / change sheet ${this.#sheet.number}` : ""}`),
      h("h1", {}, found.name),
      h("p", { class: `verdict${verdict.clean === false ? " open" : ""}` }, verdict.words));
    this.#drawTools(found);
    this.#progress(found.doing);
    this.#drawAsk(found);
    const layer = (found.resolve?.before ?? found.review)?.process.layer_mm ?? 0.2;
    this.#drawings.element.hidden = found.state === "asking" || (!found.geometry.before && found.state === "failed");
    this.#drawings.load(found.geometry);
    this.#drawings.guard(guarded(found));
    this.#drawings.rooms(found.decisions.keep_out);
    this.#drawings.number(this.#places, layer);
    this.#drawings.pick(this.#picked);
    this.#drawings.waiting("before", found.geometry.before ? "" : "The part is being read.");
    this.#drawings.waiting("after", found.geometry.after ? ""
      : found.state === "failed" || found.state === "cancelled" ? "Not resolved."
      : "Options are tried; the part as produced comes here.");
    this.#drawLedger();
    if (!written(this.#picking)) this.#drawPicking();
    if (!written(this.#aside)) this.#drawAside();
    this.#drawMore();
  }

  #drawTools(found: Job): void {
    const can = (what: string | null): boolean => what !== null && !this.#busy;
    put(this.#tools,
      h("button", {
        type: "button", "data-key": "undo", disabled: !can(found.undo), title: "U",
        onclick: () => this.#undo(),
      }, found.undo ? `Undo: ${WORDS[found.undo] ?? found.undo}` : "Undo"),
      h("button", {
        type: "button", "data-key": "redo", disabled: !can(found.redo), title: "R",
        onclick: () => this.#redo(),
      }, found.redo ? `Redo: ${WORDS[found.redo] ?? found.redo}` : "Redo"),
      found.package ? h("a", { class: "act", "data-key": "package", href: found.package, download: true }, "Package") : null,
      found.resolve ? h("button", { type: "button", "data-key": "link", onclick: () => links(found.id) }, "Customer link") : null,
      h("button", { type: "button", class: "quiet", "data-key": "print", onclick: () => print() }, "Print"),
      h("button", { type: "button", class: "quiet", "data-key": "keys", onclick: () => showKeys(this.#keys) }, "Keys"),
      paperButton());
  }

  #progress(doing: Job["doing"]): void {
    const found = this.#job;
    if (doing) {
      // One step of one says nothing of how far it is.
      const share = doing.of && doing.of > 1 ? doing.done / doing.of : null;
      put(this.#doing, h("p", {}, sentence(doing.words), share === null ? " …" : `, ${doing.done} of ${doing.of}`),
        h("progress", { max: 1, value: share, "aria-label": doing.words }),
        h("button", {
          type: "button", "data-key": "cancel", onclick: () => void this.#act(() => api.cancel(this.#id)),
        }, "Cancel"));
      return;
    }
    if (found?.state === "failed" || found?.state === "cancelled") {
      put(this.#doing, h("p", { role: "alert" }, found.state === "failed" ? found.error ?? "The run failed."
        : "The run was cancelled. What was shown before still holds."),
      h("button", {
        type: "button", "data-key": "retry", onclick: () => void this.#act(() => api.retry(this.#id)),
      }, "Try again"));
    } else if (found?.state === "queued") put(this.#doing, h("p", {}, "Waits until another job is done."));
    else put(this.#doing);
    if (found && found.dropped.length > 0) {
      this.#doing.append(h("ul", { class: "dropped" }, found.dropped.map((text) => h("li", {}, sentence(text)))));
    }
  }

  #drawAsk(found: Job): void {
    if (found.state !== "asking" || !found.ask) {
      put(this.#ask);
      return;
    }
    const { sizes_mm: sizes, guess } = found.ask;
    put(this.#ask, h("form", {
      onsubmit: (event: SubmitEvent) => {
        event.preventDefault();
        const unit = new FormData(event.target as HTMLFormElement).get("unit");
        if (typeof unit === "string") void this.#act(() => api.unit(this.#id, unit));
      },
    }, h("fieldset", {}, h("legend", {}, "This file does not say its unit. How large is the part?"),
      Object.entries(sizes).map(([unit, mm]) => h("label", { class: "check" },
        h("input", { type: "radio", name: "unit", value: unit, checked: unit === guess, required: true }),
        h("span", {}, ` ${size(mm)} `), h("span", { class: "soft" }, `(written in ${unit}${unit === guess ? ", the likely one" : ""})`)))),
    h("p", {}, h("button", { type: "submit", class: "main" }, "This is its size"))));
  }

  #drawLedger(): void {
    const found = this.#job;
    if (!found) return;
    const heading = found.resolve ? "Changes" : "Places over air";
    put(this.#ledger, h("h2", {}, heading), found.review || found.resolve ? ledger({
      places: this.#places, options: found.options, chosen: found.decisions.choose, signoffs: found.signoffs,
      picked: this.#picked.place, readOnly: false, busy: this.#busy, resolved: found.resolve !== null,
      choice: {
        pick: (place) => this.#pick({ place, face: null }),
        choose: (finding, key) => this.#choose(finding, key),
      },
    }) : h("p", { class: "soft" }, "Listed here as soon as the part has been looked at."));
  }

  #drawPicking(): void {
    const found = this.#job;
    if (!found || found.state === "asking") {
      put(this.#picking);
      return;
    }
    if (this.#drawsRoom) {
      put(this.#picking, this.#roomForm());
      return;
    }
    const { face } = this.#picked;
    const cut = this.#drawings.cut;
    const cuts: Child = h("span", { class: "group", role: "group", "aria-label": "Section" }, "Section ",
      ([[0, "x"], [1, "y"], [2, "z"]] as const).map(([axis, name]) => h("button", {
        type: "button", class: "quiet", "data-key": `cut-${name}`, "aria-pressed": String(cut?.axis === axis),
        "aria-label": `Section across ${name}`,
        onclick: () => {
          this.#cutThrough(axis);
          this.#drawPicking();
        },
      }, name)),
      h("button", { type: "button", class: "quiet", "data-key": "fit", onclick: () => this.#drawings.fit() }, "Fit"),
      h("button", { type: "button", class: "quiet", "data-key": "room", onclick: () => this.#startRoom(true) }, "Keep out a room"));
    const origin = face?.origin ?? null;
    const told: Child = face ? [
      h("span", {}, `Face ${origin ?? face.id}`, face.surface ? `, ${face.surface}, ${area(face.area)} ` : " "),
      origin === null ? h("span", { class: "soft" }, "made by a change ") : h("button", {
        type: "button", "data-key": "protect", disabled: this.#busy, title: "P", onclick: () => this.#protect(),
      }, guarded(found).includes(origin) ? "Protect no longer" : "Protect this face"),
    ] : h("span", { class: "soft" }, "Click a face or a number. Keys: ?");
    const rooms = found.decisions.keep_out.map((box, k) => h("span", { class: "chip" },
      `kept out: ${[0, 1, 2].map((d) => `${"xyz"[d]} ${number(box[d], 1)} to ${number(box[d + 3], 1)}`).join(", ")} `,
      h("button", {
        type: "button", class: "quiet", "aria-label": `Drop room ${k + 1}`, disabled: this.#busy,
        onclick: () => this.#decide({ drop_keep_out: k }),
      }, "drop")));
    put(this.#picking, h("div", { class: "told" }, told, rooms), cuts);
  }

  #roomForm(): HTMLElement {
    const room = this.#room;
    if (!room) {
      return h("div", { class: "told" }, "Drag over the part as received; nothing is added inside. ",
        h("button", {
          type: "button", "data-key": "room-type", onclick: () => {
            const at = (k: 0 | 1 | 2): [number, number] => this.#drawings.extent(k) ?? [0, 10];
            this.#room = [at(0)[0], at(1)[0], at(2)[0], at(0)[1], at(1)[1], at(2)[1]]
              .map((v) => Number(v.toFixed(1))) as Box;
            this.#drawings.drawRoom(true, this.#room);
            this.#drawPicking();
          },
        }, "Type its corners"), " ",
        h("button", { type: "button", class: "quiet", "data-key": "room-leave", onclick: () => this.#startRoom(false) }, "Leave"));
    }
    const field = (k: number): HTMLElement => h("label", {}, `${"xyz"[k % 3]} ${k < 3 ? "from" : "to"} `, h("input", {
      type: "number", step: "any", value: room[k], required: true, "data-key": `room-${k}`,
      onchange: (event: Event) => {
        const box = [...room] as Box;
        box[k] = Number((event.target as HTMLInputElement).value);
        this.#room = box;
        this.#drawings.drawRoom(true, box);
        this.#drawPicking();
      },
    }));
    return h("form", {
      class: "told", onsubmit: (event: SubmitEvent) => {
        event.preventDefault();
        if (room.some((v, k) => k < 3 && v >= room[k + 3])) {
          trouble("The room has no volume: give from and to in order, mm.");
          return;
        }
        this.#startRoom(false);
        this.#decide({ keep_out: room });
      },
    }, "Room kept out, mm: ", [0, 3, 1, 4, 2, 5].map(field),
    h("button", { type: "submit", class: "main", "data-key": "room-take" }, "Keep it out"),
    h("button", { type: "button", class: "quiet", "data-key": "room-leave", onclick: () => this.#startRoom(false) }, "Leave"));
  }

  #drawAside(): void {
    const found = this.#job;
    if (!found) return;
    const figures = found.resolve?.estimate?.resolved as { plastic_g: number; plastic_mm3?: number } | undefined;
    const grams = figures?.plastic_mm3 ? figures.plastic_g / figures.plastic_mm3 : null;
    put(this.#aside, found.resolve ? consequence(found, this.#before, this.#foreseen, grams) : null,
      titleBlock(found, this.#sheet, this.#about, {
        process: (name) => this.#decide({ process: name }),
        quantity: (count) => this.#decide({ quantity: count }),
      }));
  }

  async #drawLog(): Promise<void> {
    try {
      const log = await api.log(this.#id);
      put(this.#logged, log.length === 0 ? h("p", { class: "soft" }, "Nothing was decided by hand yet.")
        : table("Decisions, the latest first", ["When", "What", "Value", "Revision"],
          log.toReversed().map((one) => [when(one.at), WORDS[one.what] ?? one.what,
            h("span", { class: "hash" }, one.value === null ? "" : JSON.stringify(one.value)), String(one.revision)])));
    } catch (error) {
      put(this.#logged, h("p", { role: "alert" }, lineOf(error)));
    }
  }

  #drawMore(): void {
    const found = this.#job;
    if (!found) return;
    const state = found.orient.state;
    const up = found.review ? h("section", { class: "turning" }, h("h2", {}, "Ways up"),
      this.#orient ? waysUp(this.#orient, this.#busy, (way) => this.#decide({ up: way }))
      : state === "queued" || state === "running" ? h("p", { class: "soft" }, "All ways up are looked at …")
      : h("p", {}, h("button", {
        type: "button", "data-key": "orient", onclick: () => void this.#act(() => api.turn(this.#id)),
      }, "Look at all ways up"), state === "failed" ? " The last look failed; try again." : ""),
      found.up === "keep" ? null : h("p", {}, h("button", {
        type: "button", "data-key": "up-keep", onclick: () => this.#decide({ up: "keep" }),
      }, "Up as in the file again"))) : null;
    put(this.#ways, up, this.#log);
    if (this.#log.open) void this.#drawLog();
    put(this.#more, tables(found, this.#sheet));
  }
}

/** Kinds of decision as a person says them. */
const WORDS: Record<string, string> = {
  choose: "choice", protect: "protected face", unprotect: "protected face", keep_out: "kept-out room",
  drop_keep_out: "kept-out room", up: "way up", process: "process", quantity: "quantity",
  prefer: "preference", forbid: "forbidden remedy", allow: "allowed remedy", recipe: "recipe",
};
