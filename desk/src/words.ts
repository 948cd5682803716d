/** Numbers and words as the change sheet has them. */

import type { Finding, State } from "./types";

const THIN = "\u202f";
const MINUS = "\u2212";

/** A number with narrow spaces between thousands and a true minus. */
export function number(value: number, decimals: number, signed = false): string {
  const text = Math.abs(value).toFixed(decimals);
  const [whole = "", part] = text.split(".");
  const spaced = whole.replace(/\B(?=(\d{3})+$)/g, THIN) + (part === undefined ? "" : `.${part}`);
  if (Number(text) === 0) return spaced;
  return (value < 0 ? MINUS : signed ? "+" : "") + spaced;
}

/** An area with as many figures as a reader needs, with its unit. */
export const area = (mm2: number): string => `${number(mm2, mm2 >= 100 ? 0 : 1)} mm²`;

/** One height, or a range, mm. */
export const heights = ([low, high]: [number, number]): string =>
  high - low < 0.05 ? low.toFixed(1) : `${low.toFixed(1)} to ${high.toFixed(1)}`;

/** First letter large, no full stop. */
export function sentence(text: string): string {
  const bare = text.trim().replace(/\.$/, "");
  return bare.slice(0, 1).toUpperCase() + bare.slice(1);
}

/** The first figures of a SHA-256, as a person compares them. */
export const shortHash = (sha256: string): string =>
  [0, 4, 8].map((k) => sha256.slice(k, k + 4)).join(" ");

export const parts = (n: number): string => (n === 1 ? "part" : "parts");

/** Size of a part. */
export const size = (mm: readonly number[]): string =>
  `${mm.map((x) => number(x, x < 10 ? 2 : 1)).join(" × ")} mm`;

export function bytes(count: number): string {
  if (count < 1e3) return `${count} B`;
  return count < 1e6 ? `${number(count / 1e3, 0)} kB` : `${number(count / 1e6, 1)} MB`;
}

/** A time of the desk as the reader's clock has it. */
export function when(iso: string): string {
  const date = new Date(iso);
  if (Number.isNaN(date.getTime())) return iso;
  const two = (n: number): string => String(n).padStart(2, "0");
  return `${date.getFullYear()}-${two(date.getMonth() + 1)}-${two(date.getDate())} `
    + `${two(date.getHours())}:${two(date.getMinutes())}`;
}

const STATES: Record<State, string> = {
  asking: "asks for the unit", queued: "waits its turn", running: "under way", done: "done",
  failed: "failed", cancelled: "cancelled",
};
export const stateWords = (state: State): string => STATES[state];

const KINDS: Record<string, string> = {
  "air/ledge": "Ledge", "air/bridge": "Bridge", "air/ceiling": "Ceiling", "air/island": "Island",
  "air/slope": "Slope", "bed/edge": "Edge of the first layer", "bed/footprint": "Foot",
  "bed/topple": "Steadiness while it is built", "cool/small-layer": "Quick layers",
  "eject/captive": "Loose piece", "wall/gap": "Narrow gap", "wall/hole-size": "Small hole",
  "wall/thin": "Thin wall", "warp/corner": "Corner that may lift",
};

export function kindWords(kind: string): string {
  const [group = "", name = ""] = kind.split("/");
  return KINDS[kind] ?? `${sentence(group)}: ${name.replaceAll("-", " ")}`;
}

/** Faces and height of a finding. */
export function whereWords(finding: Finding): string {
  const [first, ...more] = finding.faces;
  const faces = first === undefined ? ""
    : more.length === 0 ? `face ${first}, ` : `faces ${finding.faces.slice(0, 4).join(", ")}`
      + `${more.length > 3 ? ` and ${more.length - 3} more` : ""}, `;
  return `${faces}z ${heights(finding.z_mm)}`;
}

/** What was measured, its unit, and what is allowed. */
export function measureWords(finding: Finding): [string, string, string] {
  const spans = /bridge|ceiling/.test(finding.kind) && finding.span_mm !== null;
  const value = spans ? finding.span_mm : finding.reach_mm;
  if (value === null) {
    return finding.area_mm2 ? [number(finding.area_mm2, 1), "mm² area", "none"] : ["", "", ""];
  }
  const word = spans ? "span" : finding.kind === "air/slope" ? "run" : "reach";
  return [value.toFixed(1), `mm ${word}`, finding.limit === null ? "none" : finding.limit.toFixed(1)];
}
