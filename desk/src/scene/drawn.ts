/** One state of a part as it is drawn: faces, patches, lines, and the tree that finds what is hit. */

import {
  Box3, DoubleSide, Group, Mesh, Ray, ShapeUtils, Vector2, Vector3, type BufferGeometry,
  type Line3, type Plane, type ShaderMaterial,
} from "three";
import { MeshBVH } from "three-mesh-bvh";
import {
  countMaterial, faceMaterial, faceTexture, KIND, lineGeometry, lineMaterial, patchMaterial,
  plainLines, triangles, type Kind, type Shared,
} from "./ink";
import { OUTLINE, type Edges } from "./edges";
import type { Prepared, Shape } from "./prepare.worker";
import type { FaceRow, Mark } from "./solid";

export interface Hit {
  point: Vector3;
  face: FaceRow;
  mark: Mark | null;
}

const OPS: Record<string, Kind> = { add: KIND.added, cut: KIND.removed, prop: KIND.prop };

export class Drawn {
  readonly group = new Group();
  /** What counts its walls behind a cut. */
  readonly counting = new Group();
  readonly box = new Box3();
  readonly faces: FaceRow[];
  readonly marks: Mark[];
  readonly count: number;
  readonly #shape: Shape;
  readonly #common: Shared;
  readonly #table: ReturnType<typeof faceTexture>;
  readonly #whole: Mesh;
  readonly #coarse: Mesh | null;
  readonly #patches = new Map<string, { fill: Mesh; lines: Mesh }>();
  readonly #markOf = new Map<number, Mark[]>();
  readonly #materials: ShaderMaterial[] = [];
  #edges: Edges | null = null;
  #outlines: Mesh | null = null;
  #guard: Mesh | null = null;
  #tree: MeshBVH | null = null;

  /** `channel`: where its walls are counted. */
  constructor(shape: Shape, common: Shared, channel: "red" | "green") {
    this.#shape = shape;
    this.#common = common;
    this.faces = shape.faces;
    this.marks = shape.marks;
    this.count = shape.tags.length / 3;
    this.#table = faceTexture(shape.faces.length);
    const geometry = triangles(shape.corners, shape.tags);
    geometry.computeBoundingBox();
    if (geometry.boundingBox) this.box.copy(geometry.boundingBox);
    const paint = this.#own(faceMaterial(common, this.#table.texture));
    this.#whole = this.#mesh(geometry, paint, 0);
    this.#coarse = shape.coarse
      ? this.#mesh(triangles(shape.coarse.corners, shape.coarse.tags), paint, 0) : null;
    if (this.#coarse) this.#coarse.visible = false;
    for (const side of ["left", "entered"] as const) {
      this.counting.add(unculled(geometry, this.#own(countMaterial(common, this.#table.texture, channel, side)), 0));
    }
    for (const mark of shape.marks) this.#addPatch(mark);
    this.show(new Map(), new Set());
  }

  /** Take what the worker made after the shape. */
  take(made: Prepared): void {
    if (made.stage === "edges") {
      this.#edges = made.edges;
      const ink = this.#own(lineMaterial(this.#common, "ink", 1.35));
      const { kinds } = made.edges;
      this.#mesh(lineGeometry(made.edges, (e) => kinds[e] !== OUTLINE), ink, 10);
      this.#outlines = this.#mesh(lineGeometry(made.edges, (e) => kinds[e] === OUTLINE), ink, 10);
      this.guard(this.#guarded);
    } else if (made.stage === "tree") {
      this.#tree = MeshBVH.deserialize(made.tree, this.#whole.geometry, { setIndex: false });
    }
  }

  #guarded: ReadonlySet<number> = new Set();

  /** Outline these faces, by their ids, as protected. */
  guard(faces: ReadonlySet<number>): void {
    this.#guarded = faces;
    if (this.#guard) {
      this.group.remove(this.#guard);
      this.#guard.geometry.dispose();
      this.#guard = null;
    }
    const edges = this.#edges;
    if (!edges || faces.size === 0) return;
    const inside = (e: number): boolean => {
      const a = edges.faces[2 * e], b = edges.faces[2 * e + 1];
      return faces.has(a) !== faces.has(b) || (a === b && edges.kinds[e] !== OUTLINE
        && faces.has(a)) || (a !== b && faces.has(a) && faces.has(b));
    };
    this.#guard = this.#mesh(lineGeometry(edges, inside),
      this.#own(lineMaterial(this.#common, "protected", 3.2)), 11);
  }

  /** How strongly faces (by id) and patches (by finding) are shown: 1 hovered, 2 picked. */
  show(strong: ReadonlyMap<number, number>, patches: ReadonlySet<string>): void {
    const { data, texture } = this.#table;
    this.faces.forEach((face, row) => {
      data[4 * row] = face.op ? OPS[face.op] ?? KIND.plain : KIND.plain;
      data[4 * row + 1] = strong.get(face.id) ?? 0;
    });
    texture.needsUpdate = true;
    for (const [id, patch] of this.#patches) {
      const uniform = (patch.fill.material as ShaderMaterial).uniforms["strong"];
      if (uniform) uniform.value = patches.has(id) ? 2 : 0;
    }
  }

  /** Coarse while moving and where it is drawn small, where there is a coarse copy. */
  coarsely(now: boolean): void {
    if (!this.#coarse) return;
    this.#coarse.visible = now;
    this.#whole.visible = !now;
    if (this.#outlines) this.#outlines.visible = !now;
    for (const one of this.counting.children) {
      (one as Mesh).geometry = (now ? this.#coarse : this.#whole).geometry;
    }
  }

  /** Uniforms are shared by all views, so they are sent again for each. */
  refresh(): void {
    for (const material of this.#materials) material.uniformsNeedUpdate = true;
  }

  /** The nearest surface along a ray that is not cut away; null until the tree is there. */
  hit(ray: Ray, kept: (point: Vector3) => boolean): Hit | null {
    const tree = this.#tree;
    if (!tree) return null;
    let best: ReturnType<MeshBVH["raycastFirst"]> | null = null;
    for (const one of tree.raycast(ray, DoubleSide)) {
      if (kept(one.point) && (!best || one.distance < best.distance)) best = one;
    }
    if (!best || best.faceIndex === null || best.faceIndex === undefined) return null;
    const triangle = best.faceIndex;
    const face = this.faces[this.#shape.tags[3 * triangle]];
    if (!face) return null;
    return { point: best.point, face, mark: this.#markAt(triangle, best.point) };
  }

  /** Whether anything lies between a point and the eye. */
  hidden(point: Vector3, toward: Vector3, kept: (point: Vector3) => boolean, slack: number): boolean {
    const ray = new Ray(point.clone().addScaledVector(toward, slack), toward);
    return (this.#tree?.raycast(ray, DoubleSide) ?? []).some((one) => kept(one.point));
  }

  /** Points on what an edit made, or on the patch of a finding, the most telling first; none where
   * neither is drawn. */
  anchors(of: { edit?: string; mark?: string }): Vector3[] {
    const mark = this.marks.find((one) => one.id === of.mark);
    const rows = new Set(of.edit === undefined ? [] : this.faces.flatMap((face, row) =>
      face.edit === of.edit ? [row] : []));
    let picked: Iterable<number> = mark?.triangles ?? [];
    if (rows.size > 0) {
      const { tags } = this.#shape;
      picked = Array.from({ length: this.count }, (_, k) => k).filter((k) => rows.has(tags[3 * k]));
    }
    const flat = mark && mark.rings.length > 0 && mark.z_mm[1] - mark.z_mm[0] < 0.05;
    return middlesOf(flat ? flatCorners(mark) : this.#cornersOf([...picked]));
  }

  /** The outline of a cut, as lines. */
  cutLines(plane: Plane): Float32Array {
    const ends: number[] = [];
    const tree = this.#tree;
    if (!tree) return new Float32Array();
    const edge = { start: new Vector3(), end: new Vector3() } as Line3;
    const found = [new Vector3(), new Vector3()];
    tree.shapecast({
      intersectsBounds: (bounds) => plane.intersectsBox(bounds),
      intersectsTriangle: (triangle) => {
        const corners = [triangle.a, triangle.b, triangle.c];
        let n = 0;
        for (let k = 0; k < 3 && n < 2; k++) {
          edge.start.copy(corners[k]);
          edge.end.copy(corners[(k + 1) % 3]);
          const d0 = plane.distanceToPoint(edge.start), d1 = plane.distanceToPoint(edge.end);
          if (d0 < 0 === d1 < 0) continue;
          found[n++].lerpVectors(edge.start, edge.end, d0 / (d0 - d1));
        }
        if (n === 2) ends.push(...found[0].toArray(), ...found[1].toArray());
        return false;
      },
    });
    return Float32Array.from(ends);
  }

  dispose(): void {
    this.group.traverse((one) => { if (one instanceof Mesh) one.geometry.dispose(); });
    for (const material of this.#materials) material.dispose();
    this.#table.texture.dispose();
  }

  #own(material: ShaderMaterial): ShaderMaterial {
    this.#materials.push(material);
    return material;
  }

  #mesh(geometry: BufferGeometry, material: ShaderMaterial, order: number): Mesh {
    const mesh = unculled(geometry, material, order);
    this.group.add(mesh);
    return mesh;
  }

  #markAt(triangle: number, point: Vector3): Mark | null {
    for (const mark of this.#markOf.get(triangle) ?? []) {
      if (mark.rings.length === 0 || mark.z_mm[1] - mark.z_mm[0] > 0.5
        || inRings(mark.rings, point.x, point.y)) return mark;
    }
    return null;
  }

  #addPatch(mark: Mark): void {
    for (const triangle of mark.triangles) {
      this.#markOf.set(triangle, [...this.#markOf.get(triangle) ?? [], mark]);
    }
    const flat = mark.z_mm[1] - mark.z_mm[0] < 0.05 && mark.rings.length > 0;
    const corners = flat ? flatCorners(mark) : this.#cornersOf(mark.triangles);
    const fill = this.#mesh(triangles(corners), this.#own(patchMaterial(this.#common, KIND.air)), 2);
    const z = mark.z_mm[0];
    const ends = mark.rings.flatMap((ring) => ring.flatMap(([x, y], k) => {
      const [p, q] = ring[(k + 1) % ring.length] ?? [x, y];
      return [x, y, z, p, q, z];
    }));
    const lines = this.#mesh(plainLines(Float32Array.from(flat ? ends : [])),
      this.#own(lineMaterial(this.#common, "air", 1.8)), 12);
    this.#patches.set(mark.id, { fill, lines });
  }

  #cornersOf(picked: readonly number[]): Float32Array {
    const out = new Float32Array(9 * picked.length);
    picked.forEach((k, i) => out.set(this.#shape.corners.subarray(9 * k, 9 * k + 9), 9 * i));
    return out;
  }
}

/** A mesh that is drawn wherever it is; the place of a part is known. */
export function unculled(geometry: BufferGeometry, material: ShaderMaterial, order: number): Mesh {
  const mesh = new Mesh(geometry, material);
  mesh.frustumCulled = false;
  mesh.renderOrder = order;
  return mesh;
}

/** How many places a balloon may choose from, to point at one that is seen (own choice). */
const CHOICES = 24;

/** Middles of large triangles, corners (k, 9), those nearest to the middle of all first. */
function middlesOf(corners: Float32Array): Vector3[] {
  const sum = new Vector3();
  let weight = 0;
  const middles: { at: Vector3; area: number }[] = [];
  for (let k = 0; k < corners.length; k += 9) {
    const [a, b, c] = [0, 3, 6].map((d) => new Vector3().fromArray(corners, k + d));
    const at = a.clone().add(b).add(c).divideScalar(3);
    const area = b.sub(a).cross(c.sub(a)).length() / 2;
    middles.push({ at, area });
    sum.addScaledVector(at, area);
    weight += area;
  }
  if (weight === 0) return [];
  sum.divideScalar(weight);
  // Slivers would put it on an edge.
  const large = middles.filter((one) => one.area >= (0.2 * weight) / middles.length);
  return large.map((one) => one.at)
    .toSorted((a, b) => a.distanceToSquared(sum) - b.distanceToSquared(sum)).slice(0, CHOICES);
}

function inRings(rings: Mark["rings"], x: number, y: number): boolean {
  let inside = false;
  for (const ring of rings) {
    for (let i = 0, j = ring.length - 1; i < ring.length; j = i++) {
      const [xi, yi] = ring[i], [xj, yj] = ring[j];
      if (yi > y !== yj > y && x < ((xj - xi) * (y - yi)) / (yj - yi) + xi) inside = !inside;
    }
  }
  return inside;
}

function flatCorners(mark: Mark): Float32Array {
  const rings = mark.rings.map((ring) => ring.map(([x, y]) => new Vector2(x, y)));
  const outer = rings.filter((ring) => ShapeUtils.area(ring) > 0);
  const holes = rings.filter((ring) => ShapeUtils.area(ring) <= 0);
  const out: number[] = [];
  for (const ring of outer) {
    const own = holes.filter((hole) => hole[0]
      && inRings([ring.map((p) => [p.x, p.y])], hole[0].x, hole[0].y));
    const all = [...ring, ...own.flat()];
    for (const corner of ShapeUtils.triangulateShape(ring, own)) {
      for (const k of corner) out.push(all[k].x, all[k].y, mark.z_mm[0]);
    }
  }
  return Float32Array.from(out);
}
