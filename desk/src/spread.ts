/** Keeping labels apart. */

/** Positions as near to `wanted`, ascending, as `pitch` between neighbours and the limits allow
 * (least squares, pool adjacent violators). Where they do not fit, the pitch is made smaller. */
export function spread(wanted: readonly number[], pitch: number, low: number, high: number): number[] {
  const n = wanted.length;
  if (n === 0) return [];
  const gap = n > 1 ? Math.min(pitch, Math.max(high - low, 0) / (n - 1)) : pitch;
  const blocks: { at: number; of: number }[] = [];
  wanted.forEach((value, k) => {
    blocks.push({ at: value - k * gap, of: 1 });
    for (let b = blocks.length; b > 1; b = blocks.length) {
      const last = blocks[b - 1], before = blocks[b - 2];
      if (before.at <= last.at) break;
      const of = before.of + last.of;
      blocks.splice(b - 2, 2, { at: (before.at * before.of + last.at * last.of) / of, of });
    }
  });
  const top = high - (n - 1) * gap;
  return blocks.flatMap(({ at, of }) => Array<number>(of).fill(Math.min(Math.max(at, low), top)))
    .map((at, k) => at + k * gap);
}

/** A point in pixels. */
export interface Spot {
  x: number;
  y: number;
}

/** What may be asked of the room around: `busy` says whether something is drawn there. */
export interface Room {
  wide: number;
  tall: number;
  radius: number;
  busy: (at: Spot) => boolean;
}

const REACHES = [34, 50, 72, 100, 136, 180, 240];

/** Where balloons of anchors stand: near, beside the part, with leaders that cross nothing. */
export function stand(anchors: readonly Spot[], room: Room): Spot[] {
  const placed: { at: Spot; from: Spot }[] = [];
  const found: Spot[] = anchors.map(() => ({ x: 0, y: 0 }));
  // Those near the rim first: they have the least choice.
  const order = anchors.map((_, k) => k).toSorted((a, b) => rim(anchors[a], room) - rim(anchors[b], room));
  for (const k of order) {
    const from = anchors[k];
    let best = { x: from.x, y: from.y - REACHES[0] };
    let least = Infinity;
    for (const reach of REACHES) {
      if (reach > least) break;
      for (let step = 0; step < 24; step++) {
        const turn = (step * Math.PI) / 12;
        const at = { x: from.x + reach * Math.cos(turn), y: from.y - reach * Math.sin(turn) };
        let cost = reach + 6 * (1 - Math.sin(turn));
        const { radius } = room;
        if (at.x < radius + 2 || at.y < radius + 2 || at.x > room.wide - radius - 2
          || at.y > room.tall - radius - 2) cost += 900;
        for (const other of placed) {
          if (Math.hypot(at.x - other.at.x, at.y - other.at.y) < 2 * radius + 5) cost += 700;
          if (crosses(from, at, other.from, other.at)) cost += 260;
          if (beside(other.at, from, at) < radius + 3 || beside(at, other.from, other.at) < radius + 3) {
            cost += 260;
          }
        }
        for (const anchor of anchors) {
          if (anchor !== from && Math.hypot(at.x - anchor.x, at.y - anchor.y) < radius + 5) cost += 120;
        }
        if (cost < least && room.busy(at)) cost += 150;
        if (cost < least) {
          least = cost;
          best = at;
        }
      }
    }
    placed.push({ at: best, from });
    found[k] = best;
  }
  return found;
}

const rim = (at: Spot, { wide, tall }: Room): number =>
  Math.min(at.x, at.y, wide - at.x, tall - at.y);

function side(a: Spot, b: Spot, c: Spot): number {
  return Math.sign((b.x - a.x) * (c.y - a.y) - (b.y - a.y) * (c.x - a.x));
}

function crosses(a: Spot, b: Spot, c: Spot, d: Spot): boolean {
  return side(a, b, c) !== side(a, b, d) && side(c, d, a) !== side(c, d, b);
}

/** Distance of a point from a line from `a` to `b`. */
function beside(at: Spot, a: Spot, b: Spot): number {
  const dx = b.x - a.x, dy = b.y - a.y;
  const along = Math.min(1, Math.max(0,
    ((at.x - a.x) * dx + (at.y - a.y) * dy) / (dx * dx + dy * dy || 1)));
  return Math.hypot(at.x - a.x - along * dx, at.y - a.y - along * dy);
}
