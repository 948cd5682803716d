/** The drawings of a job: as received and as produced with one look, and the height profile. */

import { Vector3 } from "three";
import { h, put, s } from "../dom";
import { stand, type Spot } from "../spread";
import { toneOf, type Place } from "../places";
import type { Box, Vec3 } from "../types";
import { number } from "../words";
import type { Look } from "../scene/look";
import { Stage, type Cut, type Side, type View } from "../scene/stage";
import { KeepOut } from "./keepout";
import { load } from "./load";
import { Profile } from "./profile";
import { steer } from "./steer";

export interface Picked {
  place: string | null;
  face: { side: Side; id: number; surface: string; area: number; origin: number | null } | null;
}

export interface Host {
  picked: (what: Picked) => void;
  moved: () => void;
  /** A room drawn or changed by hand; null where drawing was left. */
  room: (box: Box | null) => void;
}

const TITLES: Record<Side, string> = { before: "As received", after: "As produced" };
const POINT = "point at a height to cut there";
/** What the colours and hatches mean, as on the sheet. */
const KEY = [["air", "over air"], ["add", "added"], ["cut", "taken away"], ["prop", "prop"],
  ["guard", "protected face"]] as const;
/** Width of a sheet of A4 within its margins, pixels. */
const PAPER_PX = 1040;
const RADIUS = 13;
const START = { az: 30, el: 24 };

interface Shown {
  side: Side;
  view: View;
  figure: HTMLElement;
  remark: HTMLElement;
  empty: HTMLElement;
  leaders: SVGSVGElement;
  balloons: HTMLElement;
  places: Map<string, {
    button: HTMLButtonElement; choices: readonly Vector3[]; anchor: Vector3; off: Spot; hidden: boolean;
  }>;
  told: HTMLElement;
}

export class Drawings {
  readonly element: HTMLElement;
  readonly #stage: Stage | null;
  readonly #host: Host;
  readonly #shown: Shown[];
  readonly #profile: Profile;
  readonly #levels: { element: HTMLElement; side: Side }[];
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
  #paper: string | undefined = undefined;
  readonly #printing = (): void => this.#print(true);
  readonly #printed = (): void => this.#print(false);

  constructor(host: Host) {
    this.#host = host;
    const canvas = h("canvas", { class: "paper", "aria-hidden": "true" });
    this.#shown = (["before", "after"] as const).map((side) => this.#figure(side));
    this.#levels = (["before", "after"] as const).map((side) => ({
      side, element: h("div", { class: `level-${side}` }),
    }));
    this.#profile = new Profile({
      glance: (z) => this.#cutAt(z === null ? this.#pinned : { axis: 2, at: z }),
      pin: (z) => { this.cut = z === null ? null : { axis: 2, at: z }; },
      pinned: () => (this.#pinned?.axis === 2 ? this.#pinned.at : null),
      pick: (place) => this.#pick({ place, face: null }),
    });
    this.#log = h("div", { class: "log-area" },
      this.#levels.map((one) => one.element), this.#profile.element, this.#profile.ruler);
    const log = h("figure", { class: "log" },
      h("figcaption", {}, "Over air, by height ", this.#logRemark),
      this.#log, this.#profile.table);
    this.element = h("section", { class: "drawings", "aria-label": "Drawings" }, canvas,
      h("canvas", { class: "copy", "aria-hidden": "true" }),
      this.#shown.map((one) => one.figure), log,
      h("ul", { class: "key" }, KEY.map(([kind, words]) =>
        h("li", {}, h("span", { class: `mark ${kind}`, "aria-hidden": "true" }), ` ${words}`))));
    this.#stage = stageOn(canvas);
    this.#keepOut = this.#stage ? new KeepOut(this.#stage, (box) => host.room(box)) : null;
    if (!this.#stage) {
      this.element.classList.add("flat");
      for (const one of this.#shown) {
        put(one.empty, "This browser draws no WebGL. The tables below say all that the drawings say.");
      }
      return;
    }
    this.#stage.onframe = (moving) => this.#follow(moving);
    for (const one of this.#shown) {
      this.#stage.add(one.view);
      if (one.side === "before") this.#keepOut?.over(one.view);
      this.#steer(one);
    }
    for (const { element, side } of this.#levels) {
      this.#stage.add({ element, side, own: () => this.#level() });
    }
    new ResizeObserver(() => this.#resized()).observe(this.element);
    window.addEventListener("beforeprint", this.#printing);
    window.addEventListener("afterprint", this.#printed);
  }

  /** No longer there: nothing is heard and nothing is loaded any more. */
  leave(): void {
    window.removeEventListener("beforeprint", this.#printing);
    window.removeEventListener("afterprint", this.#printed);
    this.#stops.before();
    this.#stops.after();
    this.#stage?.leave();
  }

  /** Read the colours of the page again. */
  recolour(): void {
    this.#stage?.common.recolour();
    this.#stage?.draw();
  }

  /** Hold the drawings as they are on the screen, at the width of the paper; or let them go. */
  #print(on: boolean): void {
    const { element } = this;
    const root = document.documentElement;
    if (on) {
      this.#paper = root.dataset["paper"];
      root.dataset["paper"] = "light";
      const px = (value: number): string => `${value}px`;
      element.style.setProperty("--wide", px(element.clientWidth));
      element.style.setProperty("--tall", px(element.clientHeight));
      element.style.setProperty("--small", String(PAPER_PX / Math.max(element.clientWidth, 1)));
      for (const one of element.querySelectorAll<HTMLElement>(":scope > figure, :scope > .key")) {
        const area = one.querySelector<HTMLElement>(".view, .log-area");
        one.style.setProperty("--x", px(one.offsetLeft));
        one.style.setProperty("--y", px(one.offsetTop));
        one.style.setProperty("--w", px(one.offsetWidth));
        one.style.setProperty("--h", px(area?.offsetHeight ?? 0));
      }
    } else if (this.#paper === undefined) delete root.dataset["paper"];
    else root.dataset["paper"] = this.#paper;
    element.classList.toggle("printed", on);
    this.#stage?.common.recolour();
    this.#stage?.drawNow();
    // What a printer gets of a canvas on the card is its last frame on the screen; a copy is up to date.
    const [card, copy] = element.querySelectorAll("canvas");
    if (!on || !card || !copy || card.width === 0) return;
    copy.width = card.width;
    copy.height = card.height;
    copy.getContext("2d")?.drawImage(card, 0, 0);
  }

  /** Draw this geometry; what is drawn already is kept. */
  load(geometry: Record<Side, string | null>): void {
    for (const side of ["before", "after"] as const) {
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
      }, (why) => { for (const one of this.#shown) if (one.side === side) put(one.empty, why); });
    }
  }

  /** What stands in a view as long as there is nothing to draw. */
  waiting(side: Side, ...text: (Node | string)[]): void {
    const one = this.#shown.find((shown) => shown.side === side);
    if (one && this.#stage) put(one.empty, ...text);
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
    for (const one of this.#shown) one.view.element.classList.toggle("draws", on);
  }

  pick(what: Picked): void {
    this.#picked = what;
    this.#mark();
    this.#renew();
  }

  get look(): Look {
    return this.#stage?.look ?? { az: 30, el: 24, zoom: 1, x: 0, y: 0 };
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
    this.#host.moved();
  }

  /** How far the part reaches along an axis, mm; null as long as nothing is drawn. */
  extent(axis: 0 | 1 | 2): [number, number] | null {
    const bounds = this.#stage?.bounds;
    return bounds ? [bounds.low.getComponent(axis), bounds.high.getComponent(axis)] : null;
  }

  /** Where a place is, mm. */
  at(place: Place): Vec3 | null {
    return place.edits[0]?.at_mm ?? place.finding?.at_mm ?? place.left?.at_mm ?? null;
  }

  fit(): void {
    if (this.#stage) this.look = this.#stage.fit(this.look);
  }

  /** One layer up or down. */
  step(layers: number): void {
    const cut = this.#pinned;
    if (cut && cut.axis !== 2) {
      const [low, high] = this.extent(cut.axis) ?? [0, 0];
      const at = cut.at + (layers * (high - low)) / 50;
      this.cut = { axis: cut.axis, at: Math.min(Math.max(at, low), high) };
    } else this.#profile.step(layers);
  }

  #figure(side: Side): Shown {
    const leaders = s("svg", { class: "leaders", "aria-hidden": "true" });
    const balloons = h("div", { class: "balloons" });
    const empty = h("p", { class: "empty" });
    const told = h("div", { class: "heard" });
    const area = h("div", {
      class: "view", tabindex: "0", role: "group", "data-key": `view-${side}`,
      "aria-label": `${TITLES[side]}: drawing. Arrow keys turn it, plus and minus come nearer and go `
        + "away, shift with arrows moves it, enter picks what is in the middle.",
    }, leaders, balloons, empty);
    const remark = h("span", {}, "seen from below");
    const figure = h("figure", { class: `side ${side}` },
      h("figcaption", {}, `${TITLES[side]} `, remark), area, told);
    const view: View = { element: area, side, own: null };
    return { side, view, figure, remark, empty, leaders, balloons, places: new Map(), told };
  }

  #steer(one: Shown): void {
    const stage = this.#stage;
    if (!stage) return;
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
        this.#pick({
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

  #pick(what: Picked): void {
    this.#host.picked(what);
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
    this.#shown.forEach((one, k) => put(one.remark, k === 0 ? from + where : `same view${where}`));
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
  #level(): Look {
    const stage = this.#stage;
    const bounds = stage?.bounds;
    if (!stage || !bounds) return { az: 0, el: 0, zoom: 1, x: 0, y: 0 };
    const size = bounds.high.clone().sub(bounds.low);
    const az = size.y < size.x ? 90 : 0;
    const zoom = this.#scale(az === 90 ? size.y : size.x, size.z);
    const off = bounds.low.clone().add(bounds.high).multiplyScalar(0.5).sub(stage.middle);
    return { az, el: 0, zoom, x: az === 90 ? off.y : off.x, y: off.z };
  }

  #scale(wide: number, tall: number): number {
    const room = this.#levels[0].element;
    return Math.max(Math.min((room.clientWidth - 16) / wide, (room.clientHeight - 2 * FOOT) / tall), 1e-3);
  }

  /** Numbers, balloons and tables again, after what they are about has changed. */
  #renew(): void {
    const stage = this.#stage;
    for (const one of this.#shown) {
      const solid = stage?.solids[one.side] ?? null;
      one.figure.classList.toggle("drawn", solid !== null);
      const wanted = new Map<string, { place: Place; choices: Vector3[]; tone: string }>();
      for (const place of solid ? this.#places : []) {
        const finding = one.side === "before" ? place.finding : place.left;
        const edit = one.side === "before" || finding ? undefined : place.edits[0];
        const at = finding?.at_mm ?? edit?.at_mm;
        if (!at) continue;
        const choices = solid?.anchors(finding ? { mark: finding.id } : { edit: edit?.id ?? "" }) ?? [];
        if (choices.length === 0) choices.push(new Vector3(...at));
        wanted.set(place.number, { place, choices, tone: one.side === "before" ? "air" : toneOf(place) });
      }
      for (const [key, own] of one.places) {
        if (!wanted.has(key)) {
          own.button.remove();
          one.places.delete(key);
        }
      }
      for (const [key, { place, choices, tone }] of wanted) {
        let own = one.places.get(key);
        if (!own) {
          const button = h("button", {
            type: "button", "data-key": `${one.side}-${key}`,
            onclick: () => this.#pick({ place: key, face: null }),
          }, key);
          one.balloons.append(button);
          own = { button, choices, anchor: choices[0], off: { x: 0, y: -40 }, hidden: false };
          one.places.set(key, own);
        }
        own.choices = choices;
        if (!choices.some((at) => at.equals(own.anchor))) own.anchor = choices[0];
        own.button.className = `balloon ${tone}`;
        own.button.setAttribute("aria-label", `${key}: ${wordsOf(place, one.side)}`);
        own.button.setAttribute("aria-pressed", String(key === this.#picked.place));
      }
      put(one.told, h("table", {},
        h("caption", {}, `${TITLES[one.side]}: what is drawn`),
        h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "No."), h("th", { scope: "col" }, "What is there"))),
        h("tbody", {}, [...wanted].map(([key, { place }]) =>
          h("tr", {}, h("td", {}, key), h("td", {}, wordsOf(place, one.side)))))));
    }
    const bounds = stage?.bounds;
    if (bounds) {
      const [first, second] = this.#levels.map((one) => one.element);
      const size = bounds.high.clone().sub(bounds.low);
      const { zoom } = this.#level();
      const log = this.#log.getBoundingClientRect();
      const own = first.getBoundingClientRect();
      const beside = second.clientWidth > 0 ? second.getBoundingClientRect().left - log.left : log.width;
      this.#profile.draw({
        low: bounds.low.z, high: bounds.low.z + size.z, layer: this.#layer, zoom,
        foot: (own.top + own.bottom) / 2 - log.top + (size.z * zoom) / 2, left: own.right - log.left + 34, right: beside - 4,
      }, this.#places, this.#picked.place);
      this.#profile.level(stage?.cut?.axis === 2 ? stage.cut.at : null);
    }
    this.#mark();
    stage?.draw();
  }

  /** Show strongly what is picked. */
  #mark(): void {
    const { place, face } = this.#picked;
    const picked = this.#places.find((one) => one.number === place);
    for (const side of ["before", "after"] as const) {
      const solid = this.#stage?.solids[side];
      const strong = new Map<number, number>();
      for (const row of solid?.faces ?? []) {
        if (row.edit !== null && picked?.edits.some((e) => e.id === row.edit)) strong.set(row.id, 2);
        const id = side === face?.side ? row.id : null;
        if (face && id === face.id) strong.set(row.id, 2);
      }
      const own = side === "before" ? picked?.finding : picked?.left;
      solid?.show(strong, new Set(own ? [own.id] : []));
    }
  }

  /** Let balloons follow the part; place them anew where it rests. */
  #follow(moving: boolean): void {
    const stage = this.#stage;
    if (!stage) return;
    this.#keepOut?.follow();
    for (const one of this.#shown) {
      const { clientWidth: wide, clientHeight: tall } = one.view.element;
      const all = [...one.places.values()];
      if (!moving) {
        for (const own of all) {
          const seen = own.choices.find((at) => !stage.hidden(one.view, at));
          own.hidden = seen === undefined;
          own.anchor = seen ?? own.choices[0];
        }
      }
      const anchors = all.map((own) => stage.project(one.view, own.anchor));
      if (!moving) {
        const spots = stand(anchors, {
          wide, tall, radius: RADIUS, busy: (at) => stage.pick(one.view, at.x, at.y) !== null,
        });
        all.forEach((own, k) => {
          own.off = { x: spots[k].x - anchors[k].x, y: spots[k].y - anchors[k].y };
        });
      }
      one.leaders.replaceChildren();
      all.forEach((own, k) => {
        const from = anchors[k];
        const at = { x: from.x + own.off.x, y: from.y + own.off.y };
        own.button.style.setProperty("transform", `translate(${at.x - RADIUS}px, ${at.y - RADIUS}px)`);
        own.button.classList.toggle("hidden-place", own.hidden);
        const long = Math.hypot(own.off.x, own.off.y) || 1;
        const tone = own.button.classList.item(1) ?? "air";
        one.leaders.append(
          s("line", {
            x1: at.x - (own.off.x / long) * RADIUS, y1: at.y - (own.off.y / long) * RADIUS,
            x2: from.x, y2: from.y, class: `leader ${tone}${own.hidden ? " behind" : ""}`,
          }),
          s("circle", { cx: from.x, cy: from.y, r: 2.6, class: `dot ${tone}${own.hidden ? " behind" : ""}` }));
      });
    }
  }
}

/** Pixels free above and below an elevation. */
const FOOT = 12;

function wordsOf(place: Place, side: Side): string {
  const row = place.open ?? place.changes[0];
  const what = row ? `${row.place}, ${row.where}` : place.finding?.message ?? "";
  if (side === "before") return `${what}${row?.measure ? `, ${row.measure} ${row.unit}` : ""}`;
  if (place.open) return `still open: ${what}`;
  return place.changes.map((c) => `${c.change}: ${c.why}`).join("; ") || what;
}

function stageOn(canvas: HTMLCanvasElement): Stage | null {
  try {
    return new Stage(canvas);
  } catch {
    return null;
  }
}
