/** A job: the live sheet, on which everything is decided. */

import { addRevision, api, DeskError, listen } from "../api";
import { h, put, say, written } from "../dom";
import { dropPlace } from "../drop";
import { backTo, lineOf, offline, onPaper, paperButton, sheetOf, trouble } from "../frame";
import { listen as listenKeys, showKeys, type Key } from "../keys";
import { nameOf, placesOf, type Place } from "../places";
import { removal } from "../removal";
import type { About, Decision, Job, Orient, Sheet } from "../types";
import { number, sentence } from "../words";
import { Decided, decisionWords } from "./decided";
import { Drawings, type Picked } from "./drawings";
import { keysOf } from "./keymap";
import { ledger } from "./ledger";
import { keep, read } from "./link";
import { links } from "./links";
import { Picking } from "./picking";
import { Records } from "./records";
import { tables } from "./tables";
import { consequence, guarded, titleBlock, verdictOf, weigh, type Foreseen, type Weighed } from "./title";
import { asked, underWay } from "./under-way";
import { turning } from "./wayup";

/** Show a job; `go` opens an address. Returns how to leave. */
export function job(root: HTMLElement, id: string, go: (path: string) => void): () => void {
  const page = new Page(root, id, go);
  return () => page.leave();
}

class Page {
  readonly #id: string;
  readonly #go: (path: string) => void;
  readonly #drawings: Drawings;
  readonly #picking: Picking;
  readonly #records: Records;
  readonly #decided: Decided;
  readonly #heading = h("div", { class: "title" });
  readonly #tools = h("div", { class: "row" });
  readonly #doing = h("div", { class: "doing", role: "status" });
  readonly #ask = h("div", { class: "asking" });
  readonly #ledger = h("section", { class: "changes", "aria-label": "Changes" });
  readonly #aside = h("div", { class: "aside" });
  readonly #ways = h("div", {});
  readonly #more = h("div", { class: "more" });
  readonly #drop: ReturnType<typeof dropPlace>;
  readonly #stops: (() => void)[] = [];
  readonly #keys: readonly Key[];
  #about: About | null = null;
  #job: Job | null = null;
  #sheet: Sheet | null = null;
  #orient: Orient | null = null;
  #places: readonly Place[] = [];
  #picked: Picked = { place: null, face: null };
  #before: Weighed | null = null;
  #was: Weighed | null = null;
  #foreseen: Foreseen | null = null;
  #busy = false;
  #asked = 0;
  #shownResolve = "";

  constructor(root: HTMLElement, id: string, go: (path: string) => void) {
    this.#id = id;
    this.#go = go;
    const act = (does: () => Promise<Job>): void => void this.#act(does);
    this.#drawings = new Drawings({
      picked: (what) => this.#pick(what),
      moved: () => this.#keepLink(),
      cut: () => {
        this.#keepLink();
        this.#drawPicking(false);
      },
      room: (box) => this.#picking.room(box),
    });
    this.#picking = new Picking(this.#drawings, (decision) => this.#decide(decision));
    this.#records = new Records(id);
    this.#decided = new Decided(id, act);
    this.#drop = dropPlace("Drop the next revision here", (file) => this.#taken(file));
    this.#keys = keysOf({
      undo: () => this.#undo(), redo: () => this.#redo(), step: (by) => this.#step(by),
      cut: (axis) => this.#drawings.cutThrough(axis), layer: (by) => this.#drawings.step(by),
      fit: () => this.#drawings.fit(), protect: () => this.#picking.protect(),
      room: () => this.#picking.start(!this.#picking.drawing), letGo: () => this.#letGo(),
      list: () => showKeys(this.#keys),
    });
    const { place, face, cut, look } = read(location.search);
    this.#picked = { place, face: face === null ? null : { side: "before", id: face, surface: "", area: 0, origin: face } };
    if (look) this.#drawings.look = look;
    if (cut) this.#drawings.cut = cut;
    put(this.#heading, h("h1", {}, "…"), h("p", { class: "soft" }, "Opening the job …"));
    put(root, sheetOf(this.#heading, this.#tools, this.#doing, this.#ask, this.#drawings.element,
      this.#picking.element, h("div", { class: "below" }, this.#ledger, this.#aside), this.#ways,
      this.#more, this.#records.element, this.#decided.element,
      h("section", { class: "next" }, this.#drop.element, h("p", {}, h("button", {
        type: "button", class: "quiet", "data-key": "delete", onclick: () => {
          if (this.#job) removal(this.#job, () => go("/"));
        },
      }, "Delete this job")))));
    this.#stops.push(
      listen(id, (kind, doing) => {
        if (kind === "progress") underWay(this.#doing, id, this.#job, doing, act);
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
        for (const one of [this.#drawings.element, this.#picking.element, this.#drop.element]) one.hidden = true;
        put(this.#heading, h("h1", {}, "No such job"));
        put(this.#doing, h("p", { role: "alert" }, lineOf(error)), h("p", {}, backTo(this.#go)));
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

  /** A file that was dropped or picked, by what its name says it is. */
  #taken(file: File): void {
    if (/\.toml$/i.test(file.name)) this.#decided.take(file);
    else if (/\.(csv|json)$/i.test(file.name)) void this.#records.take(file);
    else this.#revise(file);
  }

  #revise(file: File): void {
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
    this.#drawPicking(true);
    this.#keepLink();
    const place = this.#places.find((one) => one.number === what.place);
    if (place) say(`Place ${place.number}: ${nameOf(place)}`);
    else if (what.face) say(`Face ${what.face.id}, ${what.face.surface}`);
  }

  #step(by: 1 | -1): void {
    const n = this.#places.length;
    if (n === 0) return;
    const at = this.#places.findIndex((one) => one.number === this.#picked.place);
    const next = this.#places[at < 0 ? (by > 0 ? 0 : n - 1) : (at + by + n) % n];
    if (next) this.#pick({ place: next.number, face: null });
  }

  #letGo(): void {
    if (this.#picking.drawing) this.#picking.start(false);
    else if (this.#picked.place ?? this.#picked.face) this.#pick({ place: null, face: null });
    else this.#drawings.cut = null;
  }

  #keepLink(): void {
    keep({
      place: this.#picked.place, face: this.#picked.face?.origin ?? null,
      cut: this.#drawings.cut, look: this.#drawings.look,
    });
  }

  #draw(): void {
    const found = this.#job;
    if (!found) return;
    document.title = `${found.name} – Soffit desk`;
    this.#places = placesOf(found.review, found.resolve, this.#sheet);
    const verdict = verdictOf(found, this.#sheet);
    put(this.#heading,
      h("p", { class: "under" }, backTo(this.#go), ` / revision ${found.revision}`
        + `${this.#sheet ? ` / change sheet ${this.#sheet.number}` : ""}`),
      h("h1", {}, found.name),
      h("p", { class: `verdict${verdict.clean === false ? " open" : ""}` }, verdict.words));
    this.#drawTools(found);
    const act = (does: () => Promise<Job>): void => void this.#act(does);
    underWay(this.#doing, this.#id, found, found.doing, act);
    asked(this.#ask, found, act);
    this.#drawDrawings(found);
    this.#drawLedger();
    this.#drawPicking(false);
    if (!written(this.#aside)) this.#drawAside();
    this.#drawMore();
    this.#records.draw(found);
    this.#decided.draw(found, this.#busy);
  }

  #drawDrawings(found: Job): void {
    const layer = (found.resolve?.before ?? found.review)?.process.layer_mm ?? 0.2;
    const halted = found.state === "failed" || found.state === "cancelled";
    this.#drawings.element.hidden = found.state === "asking" || (!found.geometry.before && found.state === "failed");
    this.#drawings.load(found.geometry);
    this.#drawings.guard(guarded(found));
    this.#drawings.rooms(found.decisions.keep_out);
    this.#drawings.number(this.#places, layer);
    this.#drawings.pick(this.#picked);
    this.#drawings.waiting("before", found.geometry.before ? "" : halted ? "Not looked at." : "The part is being read.");
    this.#drawings.waiting("after", found.geometry.after ? "" : halted ? "Not resolved."
      : "Options are tried; the part as produced comes here.");
  }

  #drawTools(found: Job): void {
    const step = (name: "undo" | "redo", what: string | null, key: string, does: () => void): HTMLElement =>
      h("button", {
        type: "button", "data-key": name, disabled: what === null || this.#busy, title: key, onclick: does,
      }, `${sentence(name)}${what ? `: ${decisionWords(what)}` : ""}`);
    put(this.#tools,
      step("undo", found.undo, "U", () => this.#undo()), step("redo", found.redo, "R", () => this.#redo()),
      found.package ? h("a", { class: "act", "data-key": "package", href: found.package, download: true }, "Package") : null,
      found.resolve ? h("button", { type: "button", "data-key": "link", onclick: () => links(found.id) }, "Customer link") : null,
      h("button", { type: "button", class: "quiet", "data-key": "print", onclick: () => print() }, "Print"),
      h("button", { type: "button", class: "quiet", "data-key": "keys", onclick: () => showKeys(this.#keys) }, "Keys"),
      paperButton());
  }

  #drawLedger(): void {
    const found = this.#job;
    if (!found) return;
    const heading = found.resolve ? "Changes" : "Places over air";
    put(this.#ledger, h("h2", {}, heading), found.review || found.resolve ? ledger({
      places: this.#places, options: found.options, chosen: found.decisions.choose, signoffs: found.signoffs,
      picked: this.#picked.place, busy: this.#busy, resolved: found.resolve !== null,
      choice: {
        pick: (place) => this.#pick({ place, face: null }),
        choose: (finding, key) => this.#choose(finding, key),
      },
    }) : h("p", { class: "soft" }, "Listed here as soon as the part has been looked at."));
  }

  /** The line below the drawings; `anyway`: also where somebody writes in it. */
  #drawPicking(anyway: boolean): void {
    if (!this.#job) return;
    const place = this.#places.find((one) => one.number === this.#picked.place);
    this.#picking.draw(this.#job, place ?? null, this.#picked, this.#busy, anyway);
  }

  #drawAside(): void {
    const found = this.#job;
    if (!found) return;
    put(this.#aside, found.resolve ? consequence(found, this.#before, this.#foreseen) : null,
      titleBlock(found, this.#sheet, this.#about, {
        process: (name) => this.#decide({ process: name }),
        quantity: (count) => this.#decide({ quantity: count }),
      }));
  }

  #drawMore(): void {
    const found = this.#job;
    if (!found) return;
    put(this.#ways, found.review ? turning(found, this.#orient, this.#busy, {
      look: () => void this.#act(() => api.turn(this.#id)),
      take: (up) => this.#decide({ up }),
    }) : null);
    put(this.#more, tables(found, this.#sheet));
  }
}
