/** What takes long of a part, done beside the page: corners, edges, and the tree for picking. */

import { BufferAttribute, BufferGeometry } from "three";
import { MeshBVH, type SerializedBVH } from "three-mesh-bvh";
import { coarsened, MOVED_WHOLE } from "./coarse";
import { edgesOf, normalsOf, type Edges } from "./edges";
import { decode, type FaceRow, type Mark } from "./solid";

/** Flat corners, (m, 3, 3) mm, the face of each corner, (m, 3), and the same of a coarse copy. */
export interface Shape {
  corners: Float32Array;
  tags: Float32Array;
  coarse: { corners: Float32Array; tags: Float32Array } | null;
  faces: FaceRow[];
  marks: Mark[];
}

export type Prepared =
  | { stage: "shape"; shape: Shape }
  | { stage: "edges"; edges: Edges }
  | { stage: "tree"; tree: SerializedBVH }
  | { stage: "failed"; why: string };

function send(message: Prepared, transfer: Transferable[]): void {
  postMessage(message, { transfer });
}

function spread(points: Float32Array, corners: Uint32Array): Float32Array {
  const out = new Float32Array(3 * corners.length);
  for (let k = 0; k < corners.length; k++) {
    const at = 3 * corners[k], to = 3 * k;
    out[to] = points[at];
    out[to + 1] = points[at + 1];
    out[to + 2] = points[at + 2];
  }
  return out;
}

function prepare(buffer: ArrayBuffer): void {
  const solid = decode(buffer);
  // Rows of the table of faces, not their ids, so that a texture of any part stays small.
  const rows = new Map(solid.faces.map((face, row) => [face.id, row]));
  const corners = spread(solid.vertices, solid.triangles);
  const tags = new Float32Array(solid.triangles.length);
  for (let k = 0; k < solid.faceOf.length; k++) {
    tags.fill(rows.get(solid.faceOf[k]) ?? 0, 3 * k, 3 * k + 3);
  }
  let coarse: Shape["coarse"] = null;
  if (solid.faceOf.length > MOVED_WHOLE) {
    const few = coarsened(solid);
    const own = new Float32Array(few.corners.length);
    for (let k = 0; k < own.length; k++) own[k] = tags[3 * few.from[(k / 3) | 0]];
    coarse = { corners: spread(solid.vertices, few.corners), tags: own };
  }
  const geometry = new BufferGeometry();
  geometry.setAttribute("position", new BufferAttribute(corners.slice(), 3));
  send({ stage: "shape", shape: { corners, tags, coarse, faces: solid.faces, marks: solid.marks } },
    [corners.buffer, tags.buffer,
      ...(coarse ? [coarse.corners.buffer, coarse.tags.buffer] : [])]);
  const edges = edgesOf(solid, normalsOf(solid));
  send({ stage: "edges", edges },
    [edges.ends.buffer, edges.normals.buffer, edges.kinds.buffer, edges.faces.buffer]);
  const tree = MeshBVH.serialize(new MeshBVH(geometry, { indirect: true }),
    { cloneBuffers: false });
  send({ stage: "tree", tree }, []);
}

addEventListener("message", (event: MessageEvent<ArrayBuffer>) => {
  try {
    prepare(event.data);
  } catch (error) {
    send({ stage: "failed", why: error instanceof Error ? error.message : String(error) }, []);
  }
});
