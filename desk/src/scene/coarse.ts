/** A coarse copy of a large mesh to show while it is moved: corners in one cell become one. */

import type { Solid } from "./solid";

/** Largest mesh that is moved as it is, triangles (own choice: what a plain computer turns). */
export const MOVED_WHOLE = 250_000;

/** Cells along the longest side (own choice: a part then keeps some ten thousand triangles). */
const CELLS = 72;

/** Indices into the corners of `solid`, (k, 3), and the triangle that each comes from, (k,). */
export function coarsened(solid: Solid): { corners: Uint32Array; from: Uint32Array } {
  const { vertices: v, triangles: t } = solid;
  const low = [Infinity, Infinity, Infinity];
  const high = [-Infinity, -Infinity, -Infinity];
  for (let k = 0; k < v.length; k++) {
    low[k % 3] = Math.min(low[k % 3], v[k]);
    high[k % 3] = Math.max(high[k % 3], v[k]);
  }
  const step = Math.max(high[0] - low[0], high[1] - low[1], high[2] - low[2], 1e-6) / CELLS;
  const first = new Map<number, number>();
  const stands = new Uint32Array(v.length / 3);
  for (let k = 0; k < stands.length; k++) {
    const x = ((v[3 * k] - low[0]) / step) | 0;
    const y = ((v[3 * k + 1] - low[1]) / step) | 0;
    const z = ((v[3 * k + 2] - low[2]) / step) | 0;
    const cell = x + 128 * (y + 128 * z);
    const known = first.get(cell);
    if (known === undefined) first.set(cell, k);
    stands[k] = known ?? k;
  }
  const corners: number[] = [];
  const from: number[] = [];
  for (let k = 0; k < t.length; k += 3) {
    const a = stands[t[k]], b = stands[t[k + 1]], c = stands[t[k + 2]];
    if (a === b || b === c || c === a) continue;
    corners.push(a, b, c);
    from.push(k / 3);
  }
  return { corners: Uint32Array.from(corners), from: Uint32Array.from(from) };
}
