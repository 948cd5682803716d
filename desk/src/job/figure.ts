/** One view of the drawings: its balloons with their leaders, and the same as a table. */

import { Vector3 } from "three";
import { h, put, s, type Child } from "../dom";
import { stand, type Spot } from "../spread";
import { nameOf, toneOf, type Place } from "../places";
import type { Drawn } from "../scene/drawn";
import type { Side, Stage, View } from "../scene/stage";

const TITLES: Record<Side, string> = { before: "As received", after: "As produced" };
const RADIUS = 13;

/** A numbered balloon; `choices`: the points it may lead to, `off`: where it stands from its own. */
interface Balloon {
  button: HTMLButtonElement;
  choices: readonly Vector3[];
  anchor: Vector3;
  off: Spot;
  hidden: boolean;
}

export class Figure {
  readonly element: HTMLElement;
  readonly side: Side;
  readonly view: View;
  readonly #remark = h("span", {}, "seen from below");
  readonly #empty = h("p", { class: "empty" });
  readonly #leaders = s("svg", { class: "leaders", "aria-hidden": "true" });
  readonly #stands = h("div", { class: "balloons" });
  readonly #told = h("div", { class: "heard" });
  readonly #balloons = new Map<string, Balloon>();
  readonly #pick: (place: string) => void;

  constructor(side: Side, pick: (place: string) => void) {
    this.side = side;
    this.#pick = pick;
    const area = h("div", {
      class: "view", tabindex: "0", role: "group", "data-key": `view-${side}`,
      "aria-label": `${TITLES[side]}: drawing. Arrow keys turn it, plus and minus come nearer and go `
        + "away, shift with arrows moves it, enter picks what is in the middle.",
    }, this.#leaders, this.#stands, this.#empty);
    this.view = { element: area, side, own: null };
    this.element = h("figure", { class: `side ${side}` },
      h("figcaption", {}, `${TITLES[side]} `, this.#remark), area, this.#told);
  }

  /** What the caption says of look and cut. */
  remark(text: string): void {
    put(this.#remark, text);
  }

  /** What stands there as long as there is nothing to draw. */
  waiting(...text: Child[]): void {
    put(this.#empty, ...text);
  }

  /** Number these places on what is drawn, `solid`. */
  number(places: readonly Place[], solid: Drawn | null, picked: string | null): void {
    this.element.classList.toggle("drawn", solid !== null);
    const wanted = solid ? places.flatMap((place) => this.#wanted(place, solid)) : [];
    const kept = new Set(wanted.map(({ place }) => place.number));
    for (const [key, { button }] of this.#balloons) {
      if (kept.has(key)) continue;
      button.remove();
      this.#balloons.delete(key);
    }
    for (const { place, choices } of wanted) {
      const own = this.#balloon(place.number, choices);
      own.button.className = `balloon ${this.side === "before" ? "air" : toneOf(place)}`;
      own.button.setAttribute("aria-label", `${place.number}: ${wordsOf(place, this.side)}`);
      own.button.setAttribute("aria-pressed", String(place.number === picked));
    }
    put(this.#told, h("table", {},
      h("caption", {}, `${TITLES[this.side]}: what is drawn`),
      h("thead", {}, h("tr", {}, h("th", { scope: "col" }, "No."), h("th", { scope: "col" }, "What is there"))),
      h("tbody", {}, wanted.map(({ place }) =>
        h("tr", {}, h("td", {}, place.number), h("td", {}, wordsOf(place, this.side)))))));
  }

  /** Let balloons follow the part; place them anew where it rests. */
  follow(stage: Stage, moving: boolean): void {
    const all = [...this.#balloons.values()];
    if (!moving) {
      for (const own of all) {
        const seen = own.choices.find((at) => !stage.hidden(this.view, at));
        own.hidden = seen === undefined;
        own.anchor = seen ?? own.choices[0];
      }
    }
    const anchors = all.map((own) => stage.project(this.view, own.anchor));
    if (!moving) {
      const { clientWidth: wide, clientHeight: tall } = this.view.element;
      const spots = stand(anchors, {
        wide, tall, radius: RADIUS, busy: (at) => stage.pick(this.view, at.x, at.y) !== null,
      });
      all.forEach((own, k) => {
        own.off = { x: spots[k].x - anchors[k].x, y: spots[k].y - anchors[k].y };
      });
    }
    this.#leaders.replaceChildren(...all.flatMap((own, k) => led(own, anchors[k])));
  }

  /** A place with the points that its balloon may lead to; none where it is not drawn here. */
  #wanted(place: Place, solid: Drawn): { place: Place; choices: Vector3[] }[] {
    const finding = this.side === "before" ? place.finding : place.left;
    const edit = this.side === "before" || finding ? undefined : place.edits[0];
    const at = finding?.at_mm ?? edit?.at_mm;
    if (!at) return [];
    const choices = solid.anchors(finding ? { mark: finding.id } : { edit: edit?.id ?? "" });
    return [{ place, choices: choices.length > 0 ? choices : [new Vector3(...at)] }];
  }

  #balloon(key: string, choices: readonly Vector3[]): Balloon {
    let own = this.#balloons.get(key);
    if (!own) {
      const button = h("button", {
        type: "button", "data-key": `${this.side}-${key}`, onclick: () => this.#pick(key),
      }, key);
      this.#stands.append(button);
      own = { button, choices, anchor: choices[0], off: { x: 0, y: -40 }, hidden: false };
      this.#balloons.set(key, own);
    }
    own.choices = choices;
    if (!choices.some((at) => at.equals(own.anchor))) own.anchor = choices[0];
    return own;
  }
}

/** Put a balloon in its place; its leader and the dot at what it leads to. */
function led({ button, off, hidden }: Balloon, from: Spot): SVGElement[] {
  const at = { x: from.x + off.x, y: from.y + off.y };
  button.style.setProperty("transform", `translate(${at.x - RADIUS}px, ${at.y - RADIUS}px)`);
  button.classList.toggle("hidden-place", hidden);
  const long = Math.hypot(off.x, off.y) || 1;
  const kind = `${button.classList.item(1) ?? "air"}${hidden ? " behind" : ""}`;
  return [
    s("line", {
      x1: at.x - (off.x / long) * RADIUS, y1: at.y - (off.y / long) * RADIUS,
      x2: from.x, y2: from.y, class: `leader ${kind}`,
    }),
    s("circle", { cx: from.x, cy: from.y, r: 2.6, class: `dot ${kind}` }),
  ];
}

function wordsOf(place: Place, side: Side): string {
  const row = place.open ?? place.changes[0];
  const what = nameOf(place);
  if (side === "before") return `${what}${row?.measure ? `, ${row.measure} ${row.unit}` : ""}`;
  if (place.open) return `still open: ${what}`;
  return place.changes.map((c) => `${c.change}: ${c.why}`).join("; ") || what;
}
