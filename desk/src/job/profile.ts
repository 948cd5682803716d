/**
 * What hangs in the air, by height: a bore log beside the part seen level, and the navigator of both
 * views: a height that is pointed at cuts them there.
 */

import { h, put, s } from "../dom";
import { spread } from "../spread";
import type { Place } from "../places";
import { area, heights, kindWords, number } from "../words";

/** Height of the part, mm, and where its foot is in the build frame; pixels for a mm, and of z = 0
 * from the top of the figure; from where to where the bars may lie. */
export interface Rule {
  low: number;
  high: number;
  layer: number;
  zoom: number;
  foot: number;
  left: number;
  right: number;
}

export interface Navigator {
  /** Show a cut at a height while it is pointed at; null: back to what was pinned. */
  glance: (z: number | null) => void;
  pin: (z: number | null) => void;
  pinned: () => number | null;
}

interface Bar {
  place: string;
  z: [number, number];
  area: number;
  left: boolean;
}

export function barsOf(places: readonly Place[]): Bar[] {
  return places.flatMap((place) => {
    const { finding, left } = place;
    const bars: Bar[] = [];
    if (finding) bars.push({ place: place.number, z: finding.z_mm, area: finding.area_mm2, left: false });
    if (left) bars.push({ place: place.number, z: left.z_mm, area: left.area_mm2, left: true });
    return bars;
  });
}

/** Distance of ticks, mm: 1, 2 or 5 times a power of ten, at least 16 pixels apart. */
function tick(zoom: number): number {
  for (let power = -3; power < 6; power++) {
    for (const digit of [1, 2, 5]) {
      const step = digit * 10 ** power;
      if (step * zoom >= 16) return step;
    }
  }
  return 1e6;
}

/** Hatches of areas over air, as on the sheet; the maps of ways up use them, too. */
function hatches(): SVGDefsElement {
  const pattern = (id: string, pitch: number, path: string): SVGPatternElement =>
    s("pattern", {
      id, width: pitch, height: pitch, patternUnits: "userSpaceOnUse", patternTransform: "rotate(45)",
    }, s("rect", { width: pitch, height: pitch, class: "wash-air" }), s("path", { d: path, class: "line-air" }));
  return s("defs", {}, pattern("hatch-air", 6, "M0 3H6"), pattern("hatch-air-cross", 4, "M0 2H4M2 0V4"));
}

export class Profile {
  readonly element = s("svg", { class: "profile", "aria-hidden": "true" });
  /** The same for keys and for those who do not see it. */
  readonly ruler: HTMLElement;
  readonly table = h("div", { class: "heard" });
  readonly #line = s("g", { class: "level" });
  readonly #bars = s("g");
  readonly #to: Navigator;
  #rule: Rule | null = null;

  constructor(to: Navigator) {
    this.#to = to;
    this.ruler = h("div", {
      class: "ruler", role: "slider", tabindex: "0", "aria-orientation": "vertical",
      "aria-label": "Height of the cut through both views, mm", "aria-valuenow": "0",
      "data-key": "ruler",
    });
    this.element.append(hatches(), this.#bars, this.#line);
    this.ruler.addEventListener("pointermove", (event) => to.glance(this.#zAt(event)));
    this.ruler.addEventListener("pointerleave", () => to.glance(null));
    this.ruler.addEventListener("click", (event) => {
      const z = this.#zAt(event);
      to.pin(z === null || z === to.pinned() ? null : z);
    });
    this.ruler.addEventListener("keydown", (event) => this.#key(event));
  }

  draw(rule: Rule, places: readonly Place[], picked: string | null): void {
    this.#rule = rule;
    const { low, high, zoom, foot, left, right } = rule;
    const y = (z: number): number => foot - (z - low) * zoom;
    const step = tick(zoom);
    const out: Node[] = [s("line", { x1: left, x2: left, y1: y(low), y2: y(high), class: "axis" })];
    for (let k = 0; k * step <= high - low + 1e-6; k++) {
      const at = y(low + k * step);
      out.push(s("line", { x1: left - 5, x2: left, y1: at, y2: at, class: "axis" }),
        s("text", { x: left - 8, y: at + 4, "text-anchor": "end", class: "tick" },
          String(Number((k * step).toFixed(3)))));
    }
    const bars = barsOf(places).toSorted((a, b) => b.z[0] - a.z[0]);
    const thick = 5 / zoom;
    const starts: number[] = [];
    bars.forEach((bar, k) => {
      let start = 0;
      bars.slice(0, k).forEach((other, j) => {
        if (other.left === bar.left && bar.z[0] < other.z[1] + thick && other.z[0] < bar.z[1] + thick) {
          start = Math.max(start, starts[j] + other.area);
        }
      });
      starts.push(start);
    });
    const widest = Math.max(...bars.map((bar, k) => starts[k] + bar.area), 1e-9);
    const words = bars.map((bar) => `${bar.place}  ${area(bar.area)}`);
    const room = Math.max(...words.map((w) => 7.2 * w.length), 0) + 22;
    const scale = Math.max(right - left - room, 24) / widest;
    bars.forEach((bar, k) => {
      const tall = Math.max((bar.z[1] - bar.z[0]) * zoom, 5);
      const top = Math.min(y(bar.z[1]), y((bar.z[0] + bar.z[1]) / 2) - tall / 2);
      out.push(s("rect", {
        x: left + starts[k] * scale, y: top, width: Math.max(bar.area * scale, 1), height: tall,
        class: `over-air${bar.left ? " left" : ""}${bar.place === picked ? " picked" : ""}`,
        fill: bar.left ? null : "url(#hatch-air)",
      }));
    });
    const named = bars.map((bar, k) => ({ bar, k, at: y((bar.z[0] + bar.z[1]) / 2) }))
      .filter(({ bar, k }) => !bar.left || !bars.some((b, j) => j !== k && b.place === bar.place));
    named.sort((a, b) => a.at - b.at);
    const most = Math.floor((y(low) - y(high)) / 15) + 1;
    const shown = named.length <= most ? named
      : named.toSorted((a, b) => b.bar.area - a.bar.area).slice(0, most).toSorted((a, b) => a.at - b.at);
    const at = spread(shown.map((one) => one.at), 15, y(high) + 4, y(low) - 2);
    const aside = left + Math.max(...bars.map((bar, k) => (starts[k] + bar.area) * scale), 0) + 16;
    shown.forEach(({ bar, k, at: own }, j) => {
      const end = left + (starts[k] + bar.area) * scale;
      out.push(s("path", { d: `M${end + 1} ${own}L${aside - 4} ${at[j]}`, class: "leader" }),
        s("text", { x: aside, y: at[j] + 4, class: `label${bar.place === picked ? " picked" : ""}` },
          s("tspan", { class: "strong" }, bar.place), `  ${area(bar.area)}`));
    });
    if (bars.length === 0) {
      out.push(s("text", { x: left + 10, y: y(low) - 4, class: "tick" }, "nothing over air"));
    }
    put(this.#bars, out);
    this.ruler.setAttribute("aria-valuemin", number(0, 1));
    this.ruler.setAttribute("aria-valuemax", (high - low).toFixed(1));
    put(this.table, h("table", {},
      h("caption", {}, "Over air, by height"),
      h("thead", {}, h("tr", {}, ["No.", "Place", "Height, mm", "Over air"].map((c) =>
        h("th", { scope: "col" }, c)))),
      h("tbody", {}, bars.map((bar) => h("tr", {},
        h("td", {}, bar.place),
        h("td", {}, kindWords(places.find((p) => p.number === bar.place)?.finding?.kind ?? ""),
          bar.left ? ", as produced" : ", as received"),
        h("td", {}, heights(bar.z)), h("td", {}, area(bar.area)))))));
  }

  /** Show where the cut is, z of the build frame; null for none. */
  level(z: number | null): void {
    const rule = this.#rule;
    if (!rule) return;
    const told = z === null ? 0 : z - rule.low;
    this.ruler.setAttribute("aria-valuenow", told.toFixed(2));
    this.ruler.setAttribute("aria-valuetext", z === null ? "no cut" : `cut at ${told.toFixed(2)} mm`);
    if (z === null) {
      this.#line.replaceChildren();
      return;
    }
    const at = rule.foot - told * rule.zoom;
    put(this.#line,
      s("line", { x1: 0, x2: "100%", y1: at, y2: at }));
  }

  #zAt(event: MouseEvent): number | null {
    const rule = this.#rule;
    if (!rule) return null;
    const y = event.clientY - this.element.getBoundingClientRect().top;
    return this.#snapped(rule.low + (rule.foot - y) / rule.zoom);
  }

  /** The middle of the layer that a height lies in: there the engine cuts, too. */
  #snapped(z: number): number {
    const rule = this.#rule;
    if (!rule) return z;
    const { low, high, layer } = rule;
    const last = Math.max(Math.ceil((high - low) / layer) - 1, 0);
    const k = Math.min(Math.max(Math.floor((z - low) / layer + 1e-9), 0), last);
    return low + (k + 0.5) * layer;
  }

  /** One layer up or down from the pinned height. */
  step(layers: number): void {
    const rule = this.#rule;
    if (!rule) return;
    const from = this.#to.pinned() ?? (layers > 0 ? rule.low - rule.layer : rule.high);
    this.#to.pin(this.#snapped(from + layers * rule.layer));
  }

  #key(event: KeyboardEvent): void {
    const rule = this.#rule;
    if (!rule || event.ctrlKey || event.metaKey || event.altKey) return;
    const steps: Record<string, number> = {
      ArrowUp: 1, ArrowRight: 1, ArrowDown: -1, ArrowLeft: -1, PageUp: 10, PageDown: -10,
    };
    const step = steps[event.key];
    if (step !== undefined) this.step(step);
    else if (event.key === "Home") this.#to.pin(this.#snapped(rule.low));
    else if (event.key === "End") this.#to.pin(this.#snapped(rule.high));
    else if (event.key === "Escape" || event.key === "Delete") this.#to.pin(null);
    else return;
    event.preventDefault();
    event.stopPropagation();
  }
}
