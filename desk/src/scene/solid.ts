/** A part as the desk sends it: one binary answer of a JSON header and three arrays. */

export interface FaceRow {
  id: number;
  surface: string;
  area_mm2: number;
  origin: number | null;
  edit: string | null;
  op: "add" | "cut" | "prop" | null;
  name: string | null;
}

/** The patch of a finding: plan rings, mm, its height, and the triangles over it. */
export interface Mark {
  id: string;
  rings: [number, number][][];
  z_mm: [number, number];
  triangles: number[];
}

/** Build frame, mm. `faceOf` (m,) is the id of the face of each triangle. */
export interface Solid {
  vertices: Float32Array;
  triangles: Uint32Array;
  faceOf: Uint32Array;
  faces: FaceRow[];
  marks: Mark[];
}

interface Header {
  vertices: number;
  triangles: number;
  faces: FaceRow[];
  marks: Mark[];
}

/** Read a geometry answer. Throws RangeError where it is cut short. */
export function decode(buffer: ArrayBuffer): Solid {
  const length = new DataView(buffer).getUint32(0, true);
  const text = new TextDecoder().decode(new Uint8Array(buffer, 4, length));
  const header = JSON.parse(text) as Header;
  const start = 4 + length;
  const n = 3 * header.vertices;
  const m = 3 * header.triangles;
  return {
    vertices: new Float32Array(buffer, start, n),
    triangles: new Uint32Array(buffer, start + 4 * n, m),
    faceOf: new Uint32Array(buffer, start + 4 * (n + m), header.triangles),
    faces: header.faces,
    marks: header.marks,
  };
}
