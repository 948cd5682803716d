/** The drawings of a job: as received and as produced with one look, and the height profile. */

import { h, put } from "../dom";
import type { Place } from "../places";
import type { Box } from "../types";
import { number } from "../words";
import type { Look } from "../scene/look";
import { Stage, type Cut, type Side } from "../scene/stage";
import { Figure } from "./figure";
import { KeepOut } from "./keepout";
import { load } from "./load";
import { printing } from "./printed";
import { Profile } from "./profile";
import { steer } from "./steer";

export interface Picked {
  place: string | null;
  face: { side: Side; id: number; surface: string; area: number; origin: number | null } | null;
}

export interface Host {
  picked: (what: Picked) => void;
  /** The look has changed, or the cut that stays. */
  moved: () => void;
  cut: () => void;
  /** A room drawn or changed by hand; null where drawing was left. */
  room: (box: Box | null) => void;
}

const SIDES = ["before", "after"] as const;
const POINT = "point at a height to cut there";
/** What the colours and hatches mean, as on the sheet. */
const KEY = [["air", "over air"], ["add", "added"], ["cut", "taken away"], ["prop", "prop"],
  ["guard", "protected face"]] as const;
const START = { az: 30, el: 24 };
/** Pixels free above and below an elevation. */
const FOOT = 12;

export class Drawings {
  readonly element: HTMLElement;
  readonly #stage: Stage | null;
  readonly #host: Host;
  readonly #figures: readonly Figure[];
  readonly #profile: Profile;
  readonly #levels: readonly { element: HTMLElement; side: Side }[];
  readonly #keepOut: KeepOut | null;
  readonly #urls: Record<Side, string | null> = { before: null, after: null };
  readonly #stops: Record<Side, () => void> = { before: () => {}, after: () => {} };
  readonly #log: HTMLElement;
  readonly #logRemark = h("span", {}, POINT);
  #places: readonly Place[] = [];
  #layer = 0.2;
  #picked: Picked = { place: null, face: null };
  #pinned: Cut = null;
  #fitted = false;
  #guarded: readonly number[] = [];
  #stopPrinting: () => void = () => {};

  constructor(host: Host) {
    this.#host = host;
    const canvas = h("canvas", { class: "paper", "aria-hidden": "true" });
    this.#figures = SIDES.map((side) => new Figure(side, (place) => host.picked({ place, face: null })));
    this.#levels = SIDES.map((side) => ({ side, element: h("div", { class: `level-${side}` }) }));
    this.#profile = new Profile({
      glance: (z) => this.#cutAt(z === null ? this.#pinned : { axis: 2, at: z }),
      pin: (z) => { this.cut = z === null ? null : { axis: 2, at: z }; },
      pinned: () => (this.#pinned?.axis === 2 ? this.#pinned.at : null),
    });
    this.#log = h("div", { class: "log-area" },
      this.#levels.map((one) => one.element), this.#profile.element, this.#profile.ruler);
    const log = h("figure", { class: "log" },
      h("figcaption", {}, "Over air, by height ", this.#logRemark),
      this.#log, this.#profile.table);
    this.element = h("section", { class: "drawings", "aria-label": "Drawings" }, canvas,
      h("canvas", { class: "copy", "aria-hidden": "true" }),
      this.#figures.map((one) => one.element), log,
      h("ul", { class: "key" }, KEY.map(([kind, words]) =>
        h("li", {}, h("span", { class: `mark ${kind}`, "aria-hidden": "true" }), ` ${words}`))));
    this.#stage = stageOn(canvas);
    this.#keepOut = this.#stage ? new KeepOut(this.#stage, (box) => host.room(box)) : null;
    if (!this.#stage) {
      this.element.classList.add("flat");
      for (const one of this.#figures) {
        one.waiting("This browser draws no WebGL. The tables below say all that the drawings say.");
      }
      return;
    }
    const stage = this.#stage;
    stage.onframe = (moving) => {
      this.#keepOut?.follow();
      for (const one of this.#figures) one.follow(stage, moving);
    };
    for (const one of this.#figures) {
      stage.add(one.view);
      if (one.side === "before") this.#keepOut?.over(one.view);
      this.#steer(one, stage);
    }
    for (const { element, side } of this.#levels) {
      stage.add({ element, side, own: () => this.#level(stage) });
    }
    new ResizeObserver(() => this.#resized()).observe(this.element);
    this.#stopPrinting = printing(this.element, stage);
  }

  /** No longer there: nothing is heard and nothing is loaded any more. */
  leave(): void {
    this.#stopPrinting();
    this.#stops.before();
    this.#stops.after();
    this.#stage?.leave();
  }

  /** Read the colours of the page again. */
  recolour(): void {
    this.#stage?.common.recolour();
    this.#stage?.draw();
  }

  /** Draw this geometry; what is drawn already is kept. */
  load(geometry: Record<Side, string | null>): void {
    for (const side of SIDES) {
      const url = geometry[side];
      if (url === this.#urls[side] || !this.#stage) continue;
      // Another part, or another way up: it is shown whole again.
      if (side === "before" && this.#urls.before !== null) this.#fitted = false;
      this.#urls[side] = url;
      this.#stops[side]();
      if (url === null) {
        this.#stage.set(side, null);
        this.#renew();
        continue;
      }
      this.#stops[side] = load(this.#stage, side, url, (stage) => {
        if (stage === "shape" && !this.#fitted) this.#first();
        this.guard(this.#guarded);
        this.#renew();
      }, (why) => this.waiting(side, why));
    }
  }

  /** What stands in a view as long as there is nothing to draw. */
  waiting(side: Side, text: string): void {
    if (this.#stage) this.#figures.find((one) => one.side === side)?.waiting(text);
  }

  /** Number these places; layers are `layer` mm thick. */
  number(places: readonly Place[], layer: number): void {
    this.#places = places;
    this.#layer = layer;
    this.#renew();
  }

  /** Outline protected faces of the part as received. */
  guard(faces: readonly number[]): void {
    this.#guarded = faces;
    const { before, after } = this.#stage?.solids ?? { before: null, after: null };
    before?.guard(new Set(faces));
    after?.guard(new Set(after.faces.filter((f) => f.origin !== null && f.edit === null
      && faces.includes(f.origin)).map((f) => f.id)));
    this.#stage?.draw();
  }

  rooms(boxes: readonly Box[]): void {
    this.#keepOut?.rooms(boxes);
  }

  /** Start or stop drawing a keep-out by dragging. */
  drawRoom(on: boolean, box: Box | null = null): void {
    this.#keepOut?.start(on, box);
    for (const one of this.#figures) one.view.element.classList.toggle("draws", on);
  }

  pick(what: Picked): void {
    this.#picked = what;
    this.#renew();
  }

  get look(): Look {
    return this.#stage?.look ?? { ...START, zoom: 1, x: 0, y: 0 };
  }

  set look(look: Look) {
    if (!this.#stage) return;
    this.#stage.look = look;
    this.#fitted = true;
    this.#stage.draw(true);
    this.#remark();
    this.#host.moved();
  }

  /** The cut that stays, of both views. */
  get cut(): Cut {
    return this.#pinned;
  }

  set cut(cut: Cut) {
    this.#pinned = cut;
    this.#cutAt(cut);
    this.#host.cut();
  }

  /** Cut both views through what is picked, or through the middle; again: no cut. */
  cutThrough(axis: 0 | 1 | 2): void {
    const picked = this.#places.find((one) => one.number === this.#picked.place);
    const at = picked?.edits[0]?.at_mm ?? picked?.finding?.at_mm ?? picked?.left?.at_mm;
    const [low, high] = this.extent(axis) ?? [0, 0];
    this.cut = this.#pinned?.axis === axis ? null : { axis, at: at?.[axis] ?? (low + high) / 2 };
  }

  /** How far the part reaches along an axis, mm; null as long as nothing is drawn. */
  extent(axis: 0 | 1 | 2): [number, number] | null {
    const bounds = this.#stage?.bounds;
    return bounds ? [bounds.low.getComponent(axis), bounds.high.getComponent(axis)] : null;
  }

  fit(): void {
    if (this.#stage) this.look = this.#stage.fit(this.look);
  }

  /** The cut one layer up or down; across x or y by a fiftieth of the part. */
  step(layers: number): void {
    const cut = this.#pinned;
    if (cut && cut.axis !== 2) {
      const [low, high] = this.extent(cut.axis) ?? [0, 0];
      const at = cut.at + (layers * (high - low)) / 50;
      this.cut = { axis: cut.axis, at: Math.min(Math.max(at, low), high) };
    } else this.#profile.step(layers);
  }

  #steer(one: Figure, stage: Stage): void {
    steer(one.view.element, {
      look: () => stage.look,
      turn: (look) => { this.look = look; },
      hold: (held) => { stage.held = held; },
      fit: () => this.fit(),
      click: (x, y) => {
        const hit = stage.pick(one.view, x, y);
        const edit = hit?.face.edit ?? null;
        const place = !hit ? null : hit.mark
          ? this.#places.find((p) => p[one.side === "before" ? "finding" : "left"]?.id === hit.mark?.id)
          : edit === null ? null : this.#places.find((p) => p.edits.some((e) => e.id === edit));
        this.#host.picked({
          place: place?.number ?? null,
          face: hit ? {
            side: one.side, id: hit.face.id, surface: hit.face.surface, area: hit.face.area_mm2,
            origin: one.side === "before" ? hit.face.id : hit.face.edit ? null : hit.face.origin,
          } : null,
        });
      },
      hover: (x, y) => {
        const hit = stage.pick(one.view, x, y);
        one.view.element.classList.toggle("over", hit !== null);
      },
      draws: () => one.side === "before" && (this.#keepOut?.drawing ?? false),
      draw: (step, x, y) => this.#keepOut?.drag(one.view, step, x, y),
    });
  }

  #cutAt(cut: Cut): void {
    if (!this.#stage) return;
    this.#stage.cut = cut;
    this.#profile.level(cut?.axis === 2 ? cut.at : null);
    this.#remark();
  }

  #remark(): void {
    const { el } = this.look;
    const cut = this.#stage?.cut ?? null;
    const from = el > 88 ? "seen straight from below" : el > 2 ? "seen from below"
      : el >= -2 ? "seen level" : el > -88 ? "seen from above" : "seen straight from above";
    const low = this.extent(2)?.[0] ?? 0;
    const where = cut ? `, cut at ${"xyz"[cut.axis]} ${number(cut.at - (cut.axis === 2 ? low : 0), 1)}` : "";
    put(this.#logRemark, cut?.axis === 2 ? `cut at ${number(cut.at - low, 2)} mm` : POINT);
    this.#figures.forEach((one, k) => one.remark(k === 0 ? from + where : `same view${where}`));
  }

  /** The first look: from below, from the side that shows most of what hangs in the air. */
  #first(): void {
    const stage = this.#stage;
    if (!stage) return;
    this.#fitted = true;
    stage.look = stage.fit(START);
    this.#remark();
  }

  #resized(): void {
    if (!this.element.classList.contains("printed")) this.#renew();
  }

  /** The level look of an elevation: all of the part at the scale of the profile. */
  #level(stage: Stage): Look {
    const { bounds } = stage;
    if (!bounds) return { az: 0, el: 0, zoom: 1, x: 0, y: 0 };
    const size = bounds.high.clone().sub(bounds.low);
    const az = size.y < size.x ? 90 : 0;
    const room = this.#levels[0].element;
    const wide = az === 90 ? size.y : size.x;
    const zoom = Math.max(1e-3,
      Math.min((room.clientWidth - 16) / wide, (room.clientHeight - 2 * FOOT) / size.z));
    const off = bounds.low.clone().add(bounds.high).multiplyScalar(0.5).sub(stage.middle);
    return { az, el: 0, zoom, x: az === 90 ? off.y : off.x, y: off.z };
  }

  /** Numbers, balloons and tables again, after what they are about has changed. */
  #renew(): void {
    const stage = this.#stage;
    for (const one of this.#figures) {
      one.number(this.#places, stage?.solids[one.side] ?? null, this.#picked.place);
    }
    const bounds = stage?.bounds;
    if (stage && bounds) {
      const [first, second] = this.#levels.map((one) => one.element);
      const tall = bounds.high.z - bounds.low.z;
      const { zoom } = this.#level(stage);
      const log = this.#log.getBoundingClientRect();
      const own = first.getBoundingClientRect();
      const beside = second.clientWidth > 0 ? second.getBoundingClientRect().left - log.left : log.width;
      this.#profile.draw({
        low: bounds.low.z, high: bounds.high.z, layer: this.#layer, zoom,
        foot: (own.top + own.bottom) / 2 - log.top + (tall * zoom) / 2,
        left: own.right - log.left + 34, right: beside - 4,
      }, this.#places, this.#picked.place);
      this.#profile.level(stage.cut?.axis === 2 ? stage.cut.at : null);
    }
    this.#mark();
    stage?.draw();
  }

  /** Show strongly what is picked. */
  #mark(): void {
    const { place, face } = this.#picked;
    const picked = this.#places.find((one) => one.number === place);
    for (const side of SIDES) {
      const solid = this.#stage?.solids[side];
      const strong = new Map<number, number>();
      for (const row of solid?.faces ?? []) {
        const made = row.edit !== null && picked?.edits.some((e) => e.id === row.edit);
        if (made || (side === face?.side && row.id === face.id)) strong.set(row.id, 2);
      }
      const own = side === "before" ? picked?.finding : picked?.left;
      solid?.show(strong, new Set(own ? [own.id] : []));
    }
  }
}

function stageOn(canvas: HTMLCanvasElement): Stage | null {
  try {
    return new Stage(canvas);
  } catch {
    return null;
  }
}
