/**
 * The maps of all ways up: half of all directions each, equal areas as equal areas (Lambert's
 * azimuthal projection, as in Snyder 1987, USGS PP 1395). A click takes a direction.
 */

import { h, put, s } from "../dom";
import type { Job, Orient, Vec3 } from "../types";
import { area, number } from "../words";

const CELLS = 56;
const RADIUS = 118;
/** Share of the largest area from which on a cell is darker, as in the drawing on paper. */
const LEVELS: [number, string][] = [[0.5, "air-3"], [0.2, "air-2"], [0.05, "air-1"]];

const FILLS: Record<string, string> = { "air-2": "url(#hatch-air)", "air-3": "url(#hatch-air-cross)" };

type Half = 1 | -1;

/** Where a direction lies on the disc of its half, radius 1; null on the other half. */
export function atDisc([x, y, z]: Vec3, half: Half): [number, number] | null {
  if (z * half < 0) return null;
  const flat = Math.hypot(x, y);
  if (flat < 1e-12) return [0, 0];
  const r = Math.sqrt(Math.max(0, 1 - half * z)) / flat;
  return [r * x, r * y];
}

/** The direction at a point of the disc. */
export function fromDisc(x: number, y: number, half: Half): Vec3 {
  const square = x * x + y * y;
  const out = Math.sqrt(Math.max(2 - square, 0));
  return [x * out, y * out, half * (1 - square)];
}

/** Ways up as far as they are looked at; `to.look` looks at all, `to.take` is told which is wanted. */
export function turning(
  job: Job, found: Orient | null, busy: boolean, to: { look: () => void; take: (up: Vec3 | "keep") => void },
): HTMLElement {
  const { state } = job.orient;
  return h("section", { class: `turning${found ? "" : " unprinted"}`, "aria-label": "Ways up" }, h("h2", {}, "Ways up"),
    found ? waysUp(found, busy, to.take)
    : state === "queued" || state === "running" ? h("p", { class: "soft" }, "All ways up are looked at …")
    : h("p", {}, h("button", { type: "button", "data-key": "orient", onclick: to.look }, "Look at all ways up"),
      state === "failed" ? " The last look failed; try again." : ""),
    job.up === "keep" ? null : h("p", {}, h("button", {
      type: "button", "data-key": "up-keep", disabled: busy, onclick: () => to.take("keep"),
    }, "Up as in the file again")));
}

/** The maps and the ways up that have a name. `take` is told which way up is wanted. */
function waysUp(found: Orient, busy: boolean, take: (up: Vec3) => void): HTMLElement {
  const { named, ways_up: all } = found.orient;
  const said = h("p", { class: "soft", role: "status" },
    "Each point of a map is a direction that may point up. A dot has the shade of its own way up.");
  const most = Math.max(...found.screen.map(([, , , mm2]) => mm2), 1e-9);
  const nearest = ([x, y, z]: Vec3): [number, number, number, number] =>
    found.screen.reduce((best, one) =>
      one[0] * x + one[1] * y + one[2] * z > best[0] * x + best[1] * y + best[2] * z ? one : best);
  const map = (half: Half, words: string): SVGSVGElement => {
    // As maps are read: buckets of directions, so that a cell looks at few of them.
    const own = found.screen.filter((one) => one[2] * half > -0.1);
    const cells: Record<string, string> = {};
    const step = 2 / CELLS;
    for (let i = 0; i < CELLS; i++) {
      for (let j = 0; j < CELLS; j++) {
        const x = -1 + step * (i + 0.5), y = -1 + step * (j + 0.5);
        if (x * x + y * y > 1) continue;
        const at = fromDisc(x, y, half);
        let best = -2, value = 0;
        for (const one of own) {
          const near = one[0] * at[0] + one[1] * at[1] + one[2] * at[2];
          if (near > best) { best = near; value = one[3]; }
        }
        const level = LEVELS.find(([low]) => value / most >= low)?.[1];
        if (level) {
          const px = x * RADIUS, py = -y * RADIUS, w = (step * RADIUS) / 2 + 0.2;
          cells[level] = `${cells[level] ?? ""}M${(px - w).toFixed(1)} ${(py - w).toFixed(1)}h${(2 * w).toFixed(1)}v${(2 * w).toFixed(1)}h${(-2 * w).toFixed(1)}z`;
        }
      }
    }
    const view = 2 * RADIUS + 16;
    const svg = s("svg", { class: "map", width: view, height: view, viewBox: `${-view / 2} ${-view / 2} ${view} ${view}`, "aria-hidden": "true" },
      s("clipPath", { id: `rim${half}` }, s("circle", { r: RADIUS })),
      s("g", { "clip-path": `url(#rim${half})` }, Object.entries(cells).map(([level, d]) =>
        s("path", { d, class: level, fill: FILLS[level] ?? null }))),
      s("circle", { r: RADIUS, class: "rim" }),
      named.map(({ way_up: k }, i) => {
        const at = all[k] ? atDisc(all[k].up, half) : null;
        return at && s("g", { transform: `translate(${at[0] * RADIUS} ${-at[1] * RADIUS})`, class: "dot" },
          s("circle", { r: 9 }), s("text", { y: 4, "text-anchor": "middle" }, String(i + 1)));
      }));
    const spot = (event: MouseEvent): Vec3 | null => {
      const box = svg.getBoundingClientRect();
      const x = ((event.clientX - box.left) / box.width - 0.5) * view / RADIUS;
      const y = -((event.clientY - box.top) / box.height - 0.5) * view / RADIUS;
      return x * x + y * y > 1 ? null : fromDisc(x, y, half);
    };
    svg.addEventListener("pointermove", (event) => {
      const up = spot(event);
      if (up) put(said, `Up ${up.map((v) => v.toFixed(2)).join(", ")}: about ${area(nearest(up)[3])} over air. `
        + "A click takes the nearest direction that was looked at.");
    });
    svg.addEventListener("click", (event) => {
      const up = spot(event);
      if (!up || busy) return;
      const close = all.find((way) => way.up[0] * up[0] + way.up[1] * up[1] + way.up[2] * up[2] > 0.99);
      const [x, y, z] = nearest(up);
      take(close?.up ?? [x, y, z]);
    });
    return s("svg", { class: "half", viewBox: `0 0 ${view} ${view + 26}` },
      s("title", {}, words), svg,
      s("text", { x: view / 2, y: view + 20, "text-anchor": "middle" }, words));
  };
  return h("div", { class: "ways" },
    h("div", { class: "maps" }, map(1, "as drawn in the middle"), map(-1, "upside down in the middle")),
    h("div", { class: "named" }, said,
      h("table", {}, h("caption", { class: "heard" }, "Ways up worth weighing"),
        h("thead", {}, h("tr", {}, ["No.", "Best at", "Why", "Price"].map((c) =>
          h("th", { scope: "col", class: c === "Price" ? "n" : null }, c)), h("td", {}))),
        h("tbody", {}, named.map(({ way_up: k, best_at: best, why }, i) => h("tr", {},
          h("td", {}, String(i + 1)), h("td", {}, best.join(", ")), h("td", {}, why),
          h("td", { class: "n" }, all[k] ? number(all[k].price, 2) : ""),
          h("td", {}, h("button", {
            type: "button", disabled: busy, "data-key": `up-${i}`, "aria-label": `Take way up ${i + 1}`,
            onclick: () => { if (all[k]) take(all[k].up); },
          }, "take"))))))));
}
