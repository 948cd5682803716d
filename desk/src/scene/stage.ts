/**
 * One canvas behind several views. All of them share the cut; those of kind "shared" also the look,
 * those of kind "front" look at the part level, at the scale of the height profile.
 */

import {
  Color, Group, Mesh, OrthographicCamera, PlaneGeometry, Plane, Ray, Scene, Vector2, Vector3, Vector4,
  WebGLRenderer, WebGLRenderTarget, type ShaderMaterial,
} from "three";
import { unculled, type Drawn, type Hit } from "./drawn";
import { capMaterial, LEVEL, lineMaterial, plainLines, shared, type Shared } from "./ink";
import { aim, axes, fitted, type Axes, type Look } from "./look";

export type Side = "before" | "after";
export type Cut = { axis: 0 | 1 | 2; at: number } | null;

/** The part rests when nothing has moved it for so long (own choice). */
const REST_MS = 160;

export interface View {
  element: HTMLElement;
  side: Side;
  /** Level, with its own pixels for a mm and middle, else as all share it. */
  own: (() => Look) | null;
}

export class Stage {
  readonly common: Shared = shared();
  readonly solids: Record<Side, Drawn | null> = { before: null, after: null };
  look: Look = { az: 30, el: 24, zoom: 4, x: 0, y: 0 };
  /** Called after each frame: what lies over the drawing follows it. */
  onframe: (moving: boolean) => void = () => {};
  readonly #renderer: WebGLRenderer;
  readonly #canvas: HTMLCanvasElement;
  readonly #views: View[] = [];
  readonly #camera = new OrthographicCamera();
  readonly #scene = new Scene();
  readonly #slot = new Group();
  /** Walls behind a cut, counted for each pixel; the caps are drawn from it. */
  readonly #counts = new WebGLRenderTarget(1, 1, { depthBuffer: false });
  readonly #counting = new Scene();
  readonly #cap: Record<"one" | "both", Mesh>;
  readonly #cutLines: Record<Side, Mesh>;
  #cut: Cut = null;
  #asked = false;
  #moving = false;
  #held = false;
  #still = 0;
  /** Whether views with a look of their own are on the canvas as they are to be. */
  #settled = false;

  constructor(canvas: HTMLCanvasElement) {
    this.#canvas = canvas;
    this.#renderer = new WebGLRenderer({ canvas, antialias: true, preserveDrawingBuffer: true });
    this.#renderer.autoClear = false;
    this.#scene.matrixWorldAutoUpdate = false;
    this.#counting.matrixWorldAutoUpdate = false;
    const cap = (both: boolean): Mesh => {
      const mesh = unculled(new PlaneGeometry(1, 1), capMaterial(this.common, this.#counts.texture, both), 5);
      mesh.matrixAutoUpdate = false;
      return mesh;
    };
    this.#cap = { one: cap(false), both: cap(true) };
    const lines = (): Mesh =>
      unculled(plainLines(new Float32Array()), lineMaterial(this.common, "ink", 2.2), 13);
    this.#cutLines = { before: lines(), after: lines() };
    this.#scene.add(this.#slot);
    new ResizeObserver(() => this.draw()).observe(canvas);
  }

  /** Give back what the card holds. */
  leave(): void {
    this.solids.before?.dispose();
    this.solids.after?.dispose();
    this.#counts.dispose();
    this.#renderer.dispose();
    this.#renderer.forceContextLoss();
  }

  add(view: View): void {
    this.#views.push(view);
  }

  set(side: Side, solid: Drawn | null): void {
    const had = this.solids[side];
    this.solids[side] = solid;
    if (had && had !== solid) had.dispose();
    this.cut = this.#cut;
  }

  /** Middle and half diagonal of what is drawn, mm. */
  get middle(): Vector3 {
    return (this.#any?.box.getCenter(new Vector3())) ?? new Vector3();
  }

  get reach(): number {
    return Math.max(this.#any?.box.getSize(new Vector3()).length() ?? 2, 1e-3) / 2;
  }

  /** Both states in one box, mm; null while nothing is there. */
  get bounds(): { low: Vector3; high: Vector3 } | null {
    const any = this.#any;
    if (!any) return null;
    const box = any.box.clone();
    if (this.solids.after) box.union(this.solids.after.box);
    return { low: box.min, high: box.max };
  }

  get #any(): Drawn | null {
    return this.solids.before ?? this.solids.after;
  }

  /** The whole part in the views that share the look. */
  fit(look: Pick<Look, "az" | "el">): Look {
    const view = this.#views.find((one) => !one.own && one.element.clientWidth > 0);
    const { bounds } = this;
    if (!view || !bounds) return { ...this.look, ...look };
    const { clientWidth: wide, clientHeight: tall } = view.element;
    const found = fitted(look, bounds.low, bounds.high, wide, tall, Math.min(56, wide / 8));
    const { right, up } = axes(look);
    const off = bounds.low.clone().add(bounds.high).multiplyScalar(0.5).sub(this.middle);
    return { ...found, x: off.dot(right), y: off.dot(up) };
  }

  get cut(): Cut {
    return this.#cut;
  }

  /** The half toward the eye is taken away. */
  set cut(cut: Cut) {
    this.#cut = cut;
    for (const side of ["before", "after"] as const) {
      const lines = this.#cutLines[side];
      lines.geometry.dispose();
      const plane = this.#planeOf(cut, 1);
      const solid = this.solids[side];
      lines.geometry = plainLines(plane && solid ? solid.cutLines(plane) : new Float32Array());
    }
    this.draw();
  }

  /** Draw at the next frame. `moving`: the reader moves the part, so large ones are drawn coarsely. */
  draw(moving = false): void {
    if (!moving) this.#settled = false;
    if (moving) {
      this.#moving = true;
      clearTimeout(this.#still);
      if (!this.held) this.#still = window.setTimeout(() => this.#rest(), REST_MS);
    }
    if (this.#asked) return;
    this.#asked = true;
    requestAnimationFrame(() => {
      this.#asked = false;
      this.#frame();
    });
  }

  /** Whether the reader holds the part; as long as that is so it is not drawn in full. */
  get held(): boolean {
    return this.#held;
  }

  set held(held: boolean) {
    this.#held = held;
    clearTimeout(this.#still);
    if (!held && this.#moving) this.#still = window.setTimeout(() => this.#rest(), REST_MS);
  }

  #rest(): void {
    this.#moving = false;
    this.draw();
  }

  /** Draw at once, as before the page is printed. */
  drawNow(): void {
    this.#settled = false;
    this.#moving = false;
    this.#frame();
  }

  /** Where a point of the part is in a view, pixels from its upper left corner. */
  project(view: View, point: Vector3): Vector2 {
    const look = this.#lookOf(view);
    const { right, up } = axes(look);
    const from = point.clone().sub(this.middle);
    return new Vector2(
      view.element.clientWidth / 2 + (from.dot(right) - look.x) * look.zoom,
      view.element.clientHeight / 2 - (from.dot(up) - look.y) * look.zoom);
  }

  /** The sight line through a point of a view. */
  ray(view: View, x: number, y: number): Ray {
    const look = this.#lookOf(view);
    const { right, up, toward } = axes(look);
    const origin = this.middle
      .addScaledVector(right, (x - view.element.clientWidth / 2) / look.zoom + look.x)
      .addScaledVector(up, (view.element.clientHeight / 2 - y) / look.zoom + look.y)
      .addScaledVector(toward, 4 * this.reach);
    return new Ray(origin, toward.clone().negate());
  }

  pick(view: View, x: number, y: number): Hit | null {
    return this.solids[view.side]?.hit(this.ray(view, x, y), this.#kept(view)) ?? null;
  }

  /** Whether a point on the part is hidden in a view by the part itself. */
  hidden(view: View, point: Vector3): boolean {
    const { toward } = axes(this.#lookOf(view));
    const kept = this.#kept(view);
    return !kept(point)
      || (this.solids[view.side]?.hidden(point, toward, kept, 2e-3 * this.reach) ?? false);
  }

  axesOf(view: View): Axes & { zoom: number } {
    const look = this.#lookOf(view);
    return { ...axes(look), zoom: look.zoom };
  }

  #lookOf(view: View): Look {
    return view.own ? view.own() : this.look;
  }

  #kept(view: View): (point: Vector3) => boolean {
    if (view.own) return () => true;
    const plane = this.#planeOf(this.#cut, this.#sign());
    return plane ? (point) => plane.distanceToPoint(point) <= 1e-4 * this.reach : () => true;
  }

  /** 1 where the eye is on the upper side of the cut. */
  #sign(): 1 | -1 {
    const { toward } = axes(this.look);
    return toward.getComponent(this.#cut?.axis ?? 2) >= 0 ? 1 : -1;
  }

  #planeOf(cut: Cut, sign: 1 | -1): Plane | null {
    if (!cut) return null;
    const normal = new Vector3().setComponent(cut.axis, sign);
    // A hair beside the height asked for: a cut along a face has no inside.
    return new Plane(normal, -sign * (cut.at + 1.3e-4 * this.reach));
  }

  #frame(): void {
    const { clientWidth: wide, clientHeight: tall } = this.#canvas;
    if (wide === 0 || tall === 0) return;
    const ratio = Math.min(devicePixelRatio, 2);
    const size = this.#renderer.getSize(new Vector2());
    if (size.x !== wide || size.y !== tall || this.#renderer.getPixelRatio() !== ratio) {
      this.#renderer.setPixelRatio(ratio);
      this.#renderer.setSize(wide, tall, false);
    }
    const page = this.#canvas.getBoundingClientRect();
    this.#renderer.setClearColor(this.#paper, 1);
    const still = this.#moving && this.#settled;
    if (!still) {
      this.#renderer.setScissorTest(false);
      this.#renderer.clear();
    }
    this.#renderer.setScissorTest(true);
    for (const view of this.#views) if (!view.own || !still) this.#one(view, page, ratio);
    this.#settled = true;
    this.onframe(this.#moving);
  }

  #one(view: View, page: DOMRect, ratio: number): void {
    const solid = this.solids[view.side];
    const { clientWidth: wide, clientHeight: tall } = view.element;
    if (!solid || wide === 0 || tall === 0) return;
    const rect = view.element.getBoundingClientRect();
    const x = rect.left - page.left, y = page.bottom - rect.top - tall;
    this.#renderer.setViewport(x, y, wide, tall);
    this.#renderer.setScissor(x, y, wide, tall);
    const look = this.#lookOf(view);
    const seen = aim(this.#camera, look, this.middle, this.reach, wide, tall);
    const plane = view.own ? null : this.#planeOf(this.#cut, this.#sign());
    this.#tell(view, seen, plane, x, y, ratio);
    this.#slot.clear();
    this.#slot.add(solid.group);
    solid.coarsely(this.#moving || view.own !== null);
    for (const one of [this.solids.before, this.solids.after]) one?.refresh();
    if (plane) {
      // What was there before tells added from kept, and shows what is gone.
      const was = view.side === "after" ? this.solids.before : null;
      was?.coarsely(this.#moving);
      this.#count(was ? [solid, was] : [solid], new Vector4(x, y, wide, tall).multiplyScalar(ratio));
      const cap = this.#cap[was ? "both" : "one"];
      this.#place(cap, plane);
      this.#slot.add(cap, this.#cutLines[view.side]);
      for (const mesh of [cap, this.#cutLines[view.side]]) {
        (mesh.material as ShaderMaterial).uniformsNeedUpdate = true;
      }
    }
    this.#renderer.clear();
    this.#renderer.render(this.#scene, this.#camera);
  }

  get #paper(): Color {
    const paper = this.common.uniforms["paper"]?.value as Vector3;
    return new Color().setRGB(paper.x, paper.y, paper.z, "srgb");
  }

  /** Count the walls of these states behind the cut, in a window of the canvas. */
  #count(solids: readonly Drawn[], window: Vector4): void {
    const counts = this.#counts;
    const size = this.#renderer.getDrawingBufferSize(new Vector2());
    if (counts.width !== size.x || counts.height !== size.y) counts.setSize(size.x, size.y);
    counts.viewport.copy(window);
    counts.scissor.copy(window);
    counts.scissorTest = true;
    this.#counting.clear();
    this.#counting.add(...solids.map((one) => one.counting));
    this.#renderer.setRenderTarget(counts);
    this.#renderer.setClearColor(new Color(LEVEL / 255, LEVEL / 255, LEVEL / 255), 1);
    this.#renderer.clear();
    this.#renderer.render(this.#counting, this.#camera);
    this.#renderer.setRenderTarget(null);
    this.#renderer.setClearColor(this.#paper, 1);
  }

  #tell(view: View, seen: Axes, plane: Plane | null, x: number, y: number, ratio: number): void {
    const { clientWidth: wide, clientHeight: tall } = view.element;
    const { uniforms } = this.common;
    const put = (name: string, ...values: number[]): void => {
      const value = uniforms[name]?.value as Vector2 | Vector3 | Vector4;
      value.fromArray(values);
    };
    put("toEye", ...seen.toward.toArray());
    put("right", ...seen.right.toArray());
    put("upward", ...seen.up.toArray());
    put("extent", wide * ratio, tall * ratio);
    if (uniforms["ratio"]) uniforms["ratio"].value = ratio;
    // Hatches hold on to the middle of the part, so that they move with it.
    const middle = this.project(view, this.middle);
    put("anchor", (x + middle.x) * ratio, (y + tall - middle.y) * ratio);
    if (plane) put("cut", ...plane.normal.toArray(), -plane.constant);
    else put("cut", 0, 0, 1, 1e9);
  }

  #place(cap: Mesh, plane: Plane): void {
    const side = 4 * this.reach;
    cap.position.copy(plane.projectPoint(this.middle, new Vector3()));
    cap.scale.set(side, side, 1);
    cap.quaternion.setFromUnitVectors(new Vector3(0, 0, 1), plane.normal);
    cap.updateMatrix();
    cap.matrixWorld.copy(cap.matrix);
  }
}
