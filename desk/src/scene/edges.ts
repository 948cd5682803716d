/**
 * The lines of a drawing, from triangles: edges that are drawn always, and those that are drawn
 * only where they are the outline, one side facing the eye and the other not.
 */

import type { Solid } from "./solid";

/** Edge of a smooth surface: drawn only as an outline. */
export const OUTLINE = 0;
/** Sharp edge, or open one. */
export const SHARP = 1;
/** Where two faces run into each other smoothly: drawn thin. */
export const SMOOTH = 2;

/** Sharper than this is an edge, degrees (common practice, no source). */
const SHARP_DEG = 25;
/** Flatter than this is no bend at all, degrees (derived: below any facet of a round face). */
const FLAT_DEG = 0.3;
/** More outline candidates than this are not kept (own choice: what a frame can look at). */
const MOST_OUTLINES = 120_000;

/** `ends` (k, 6) mm, `normals` (k, 6) of both sides scaled to ±127, `kinds` (k,), `faces` (k, 2). */
export interface Edges {
  ends: Float32Array;
  normals: Int8Array;
  kinds: Uint8Array;
  faces: Uint32Array;
}

/** Unit normal of each triangle, (m, 3). */
export function normalsOf(solid: Solid): Float32Array {
  const { vertices: v, triangles: t } = solid;
  const out = new Float32Array(t.length);
  for (let k = 0; k < t.length; k += 3) {
    const a = 3 * t[k], b = 3 * t[k + 1], c = 3 * t[k + 2];
    const ux = v[b] - v[a], uy = v[b + 1] - v[a + 1], uz = v[b + 2] - v[a + 2];
    const wx = v[c] - v[a], wy = v[c + 1] - v[a + 1], wz = v[c + 2] - v[a + 2];
    const x = uy * wz - uz * wy, y = uz * wx - ux * wz, z = ux * wy - uy * wx;
    const long = Math.hypot(x, y, z) || 1;
    out[k] = x / long;
    out[k + 1] = y / long;
    out[k + 2] = z / long;
  }
  return out;
}

/** All edges worth drawing of a solid whose triangles share their corners. */
export function edgesOf(solid: Solid, normals: Float32Array): Edges {
  const { vertices: v, triangles: t, faceOf } = solid;
  // Open addressing: a map of objects is ten times slower for a million triangles.
  let size = 1024;
  while (size < t.length * 1.5) size *= 2;
  const slot = new Int32Array(size).fill(-1);
  const low = new Uint32Array(t.length);
  const high = new Uint32Array(t.length);
  const one = new Uint32Array(t.length);
  const two = new Int32Array(t.length).fill(-1);
  let count = 0;
  for (let k = 0; k < t.length; k++) {
    const p = t[k];
    const q = t[k % 3 === 2 ? k - 2 : k + 1];
    const a = Math.min(p, q), b = Math.max(p, q);
    let at = (Math.imul(a, 0x9e3779b1) ^ Math.imul(b, 0x85ebca6b)) >>> 0 & (size - 1);
    for (;;) {
      const found = slot[at];
      if (found < 0) {
        slot[at] = count;
        low[count] = a;
        high[count] = b;
        one[count++] = (k / 3) | 0;
        break;
      }
      if (low[found] === a && high[found] === b && two[found] < 0) {
        two[found] = (k / 3) | 0;
        break;
      }
      at = (at + 1) & (size - 1);
    }
  }
  const sharp = Math.cos((SHARP_DEG * Math.PI) / 180);
  const flat = Math.cos((FLAT_DEG * Math.PI) / 180);
  const kind = new Uint8Array(count).fill(255);
  let kept = 0;
  let outlines = 0;
  for (let e = 0; e < count; e++) {
    const i = 3 * one[e], j = 3 * two[e];
    if (two[e] < 0) kind[e] = SHARP;
    else {
      const bend =
        normals[i] * normals[j] + normals[i + 1] * normals[j + 1] + normals[i + 2] * normals[j + 2];
      if (bend < sharp) kind[e] = SHARP;
      else if (faceOf[one[e]] !== faceOf[two[e]]) kind[e] = bend < flat ? SMOOTH : 255;
      else if (bend < flat && outlines < MOST_OUTLINES) {
        kind[e] = OUTLINE;
        outlines++;
      }
    }
    if (kind[e] !== 255) kept++;
  }
  const out: Edges = {
    ends: new Float32Array(6 * kept),
    normals: new Int8Array(6 * kept),
    kinds: new Uint8Array(kept),
    faces: new Uint32Array(2 * kept),
  };
  let w = 0;
  for (let e = 0; e < count; e++) {
    if (kind[e] === 255) continue;
    const other = two[e] < 0 ? one[e] : two[e];
    for (let d = 0; d < 3; d++) {
      out.ends[6 * w + d] = v[3 * low[e] + d];
      out.ends[6 * w + 3 + d] = v[3 * high[e] + d];
      out.normals[6 * w + d] = Math.round(127 * normals[3 * one[e] + d]);
      out.normals[6 * w + 3 + d] = Math.round(127 * normals[3 * other + d]);
    }
    out.kinds[w] = kind[e];
    out.faces[2 * w] = faceOf[one[e]];
    out.faces[2 * w + 1] = faceOf[other];
    w++;
  }
  return out;
}
