/** Rooms that nothing may be added to: drawn by dragging over the part, changed by their handles. */

import { Vector3 } from "three";
import { h, put, s } from "../dom";
import type { Box } from "../types";
import type { Stage, View } from "../scene/stage";

/** A room gets at least this along each axis, as a share of the part (own choice). */
const LEAST = 0.08;
const STEP_MM = 1;
const NAMES = ["x", "y", "z"] as const;
const EDGES: [number, number][] = [
  [0, 1], [2, 3], [4, 5], [6, 7], [0, 2], [1, 3], [4, 6], [5, 7], [0, 4], [1, 5], [2, 6], [3, 7],
];

export class KeepOut {
  drawing = false;
  readonly #stage: Stage;
  readonly #told: (box: Box | null) => void;
  readonly #svg = s("svg", { class: "rooms", "aria-hidden": "true" });
  readonly #handles = h("div", { class: "handles" });
  #view: View | null = null;
  #rooms: readonly Box[] = [];
  #box: Box | null = null;
  #from: Vector3 | null = null;

  constructor(stage: Stage, told: (box: Box | null) => void) {
    this.#stage = stage;
    this.#told = told;
    for (let k = 0; k < 6; k++) this.#handles.append(this.#handle(k));
    this.#handles.hidden = true;
  }

  over(view: View): void {
    this.#view = view;
    view.element.append(this.#svg, this.#handles);
  }

  rooms(boxes: readonly Box[]): void {
    this.#rooms = boxes;
    this.#stage.draw();
  }

  start(on: boolean, box: Box | null): void {
    this.drawing = on && box === null;
    this.#box = box;
    this.#handles.hidden = box === null;
    this.#stage.draw();
  }

  /** A drag in a view: from one point of the part to another, with some height. */
  drag(view: View, step: "start" | "move" | "end", x: number, y: number): void {
    if (step === "start") this.#from = this.#at(view, x, y, null);
    const to = this.#at(view, x, y, this.#from);
    if (!this.#from) return;
    this.#box = this.#spanned(this.#from, to);
    this.#handles.hidden = false;
    this.#stage.draw();
    if (step === "end") {
      this.drawing = false;
      this.#told(this.#box);
    }
  }

  follow(): void {
    const view = this.#view;
    if (!view) return;
    const line = (box: Box, kind: string): SVGElement => {
      const at = Array.from({ length: 8 }, (_, k) => this.#stage.project(view, new Vector3(
        box[k & 1 ? 3 : 0], box[k & 2 ? 4 : 1], box[k & 4 ? 5 : 2])));
      return s("path", {
        class: `room ${kind}`,
        d: EDGES.map(([a, b]) => `M${at[a].x} ${at[a].y}L${at[b].x} ${at[b].y}`).join(""),
      });
    };
    put(this.#svg, this.#rooms.map((box) => line(box, "")), this.#box ? line(this.#box, "new") : null);
    const box = this.#box;
    if (!box) return;
    [...this.#handles.children].forEach((one, k) => {
      const at = this.#stage.project(view, this.#middleOf(box, k));
      (one as HTMLElement).style.setProperty("transform", `translate(${at.x - 8}px, ${at.y - 8}px)`);
    });
  }

  #middleOf(box: Box, side: number): Vector3 {
    const middle = new Vector3(box[0] + box[3], box[1] + box[4], box[2] + box[5]).multiplyScalar(0.5);
    return middle.setComponent(side % 3, box[side]);
  }

  #at(view: View, x: number, y: number, from: Vector3 | null): Vector3 {
    const hit = this.#stage.pick(view, x, y);
    if (hit) return hit.point.clone();
    // Beside the part: as far from the eye as where the drag began.
    const ray = this.#stage.ray(view, x, y);
    const depth = (from ?? this.#stage.middle).clone().sub(ray.origin).dot(ray.direction);
    return ray.at(depth, new Vector3());
  }

  #spanned(a: Vector3, b: Vector3): Box {
    const least = LEAST * 2 * this.#stage.reach;
    const low = a.clone().min(b), high = a.clone().max(b);
    for (let k = 0; k < 3; k++) {
      const lack = least - (high.getComponent(k) - low.getComponent(k));
      if (lack > 0) {
        low.setComponent(k, low.getComponent(k) - lack / 2);
        high.setComponent(k, high.getComponent(k) + lack / 2);
      }
    }
    return [...low.toArray(), ...high.toArray()].map((v) => Number(v.toFixed(1))) as Box;
  }

  #handle(side: number): HTMLButtonElement {
    const axis = (side % 3) as 0 | 1 | 2;
    const button = h("button", {
      type: "button", class: "handle",
      "aria-label": `${side < 3 ? "Lower" : "Upper"} ${NAMES[axis]} of the room; arrow keys move it`,
    });
    const move = (by: number, over: boolean): void => {
      if (!this.#box) return;
      const box = [...this.#box] as Box;
      const value = box[side] + by;
      box[side] = Number((side < 3 ? Math.min(value, box[side + 3] - 0.1)
        : Math.max(value, box[side - 3] + 0.1)).toFixed(2));
      this.#box = box;
      this.#stage.draw();
      if (over) this.#told(box);
    };
    let last: { x: number; y: number } | null = null;
    button.addEventListener("pointerdown", (event) => {
      button.setPointerCapture(event.pointerId);
      last = { x: event.clientX, y: event.clientY };
      event.preventDefault();
      button.focus();
    });
    button.addEventListener("pointermove", (event) => {
      if (!last || !this.#view) return;
      const { right, up, zoom } = this.#stage.axesOf(this.#view);
      const along = { x: right.getComponent(axis) * zoom, y: -up.getComponent(axis) * zoom };
      const square = along.x ** 2 + along.y ** 2;
      if (square > 1e-6) {
        move(((event.clientX - last.x) * along.x + (event.clientY - last.y) * along.y) / square, false);
      }
      last = { x: event.clientX, y: event.clientY };
    });
    button.addEventListener("pointerup", () => {
      last = null;
      move(0, true);
    });
    button.addEventListener("keydown", (event) => {
      const more = event.key === "ArrowUp" || event.key === "ArrowRight";
      const less = event.key === "ArrowDown" || event.key === "ArrowLeft";
      if (!more && !less) return;
      move(more ? STEP_MM : -STEP_MM, true);
      event.preventDefault();
      event.stopPropagation();
    });
    return button;
  }
}
