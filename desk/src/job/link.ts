/** What is shown, kept in the address: part, place, face, height, cut and look. */

import type { Cut } from "../scene/stage";
import type { Look } from "../scene/look";

export interface Address {
  place: string | null;
  face: number | null;
  cut: Cut;
  look: Look | null;
}

const AXES = "xyz";

/** Read the address; what does not make sense is left out. */
export function read(search: string): Address {
  const query = new URLSearchParams(search);
  const place = query.get("place");
  const face = Number(query.get("face") ?? Number.NaN);
  const cut = /^([xyz])(-?\d+(?:\.\d+)?)$/.exec(query.get("cut") ?? "");
  const look = (query.get("look") ?? "").split(",").map(Number);
  const [az, el, zoom, x, y] = look;
  const sound = look.length === 5 && look.every(Number.isFinite) && zoom > 0;
  return {
    place: place !== null && /^\d{1,5}$/.test(place) ? place : null,
    face: Number.isInteger(face) && face > 0 ? face : null,
    cut: cut ? { axis: AXES.indexOf(cut[1]) as 0 | 1 | 2, at: Number(cut[2]) } : null,
    look: sound ? { az, el: Math.max(-90, Math.min(90, el)), zoom, x, y } : null,
  };
}

export function written({ place, face, cut, look }: Address): string {
  const query = new URLSearchParams();
  if (place !== null) query.set("place", place);
  if (face !== null) query.set("face", String(face));
  if (cut) query.set("cut", `${AXES[cut.axis]}${cut.at.toFixed(2)}`);
  if (look) {
    query.set("look", [look.az, look.el, look.zoom, look.x, look.y].map((v) => Number(v.toFixed(2))).join(","));
  }
  const text = query.toString().replaceAll("%2C", ",");
  return text === "" ? "" : `?${text}`;
}

let waiting = 0;

/** Put it in the address, soon; the history gets no entry of it. */
export function keep(address: Address): void {
  clearTimeout(waiting);
  waiting = window.setTimeout(() => {
    history.replaceState(history.state, "", location.pathname + written(address));
  }, 250);
}
