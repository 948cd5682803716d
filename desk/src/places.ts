/** The numbered places of a part: what the ledger lists and the balloons point at. */

import type { ChangeRow, Edit, Finding, OpenRow, Resolve, Review, Sheet } from "./types";
import { kindWords, measureWords, whereWords } from "./words";

/** `finding`: of the part as received, null where an edit arose later or was set by hand. `left`:
 * the finding that stays open, as the produced part has it. */
export interface Place {
  number: string;
  finding: Finding | null;
  left: Finding | null;
  edits: Edit[];
  open: OpenRow | null;
  changes: ChangeRow[];
}

/** What prints over air: what the drawings show in violet. */
export const overAir = (review: Review | null): Finding[] =>
  (review?.findings ?? []).filter((f) => f.kind.startsWith("air/") && f.severity !== "note");

/** The places in the order of the sheet: open ones first, then those changed, from the platform up. */
export function placesOf(
  review: Review | null, resolve: Resolve | null, sheet: Sheet | null,
): Place[] {
  if (!resolve || !sheet) {
    return overAir(review).map((finding, k) => ({
      number: String(k + 1), finding, left: null, edits: [], changes: [],
      open: rowOf(finding, String(k + 1)),
    }));
  }
  const before = new Map(resolve.before.findings.map((f) => [f.id, f]));
  const edits = new Map(resolve.edits.map((e) => [e.id, e]));
  const told = new Map((sheet.places ?? []).map((p) => [p.number, p]));
  const places: Place[] = sheet.open.map((open, k) => {
    const left = resolve.verdict.open[k]?.finding ?? null;
    const place = told.get(open.number);
    const finding = (place?.received ? before.get(place.finding) : undefined)
      ?? (left ? [...before.values()].find((f) => same(f, left)) : undefined) ?? null;
    return { number: open.number, finding, left, edits: [], open, changes: [] };
  });
  for (const row of sheet.changes) {
    const number = row.number.replace(/[a-z]$/, "");
    let place = places.find((p) => p.number === number);
    if (!place) {
      const finding = before.get(edits.get(row.edit)?.finding ?? "") ?? null;
      place = { number, finding, left: null, edits: [], open: null, changes: [] };
      places.push(place);
    }
    place.changes.push(row);
    const edit = edits.get(row.edit);
    if (edit) place.edits.push(edit);
  }
  // Gone with the changes of others: still numbered in the drawing as received.
  for (const note of sheet.notes) {
    if (note.number === "" || places.some((p) => p.number === note.number)) continue;
    const finding = before.get(told.get(note.number)?.finding ?? "") ?? null;
    places.push({ number: note.number, finding, left: null, edits: [], open: null, changes: [] });
  }
  return places;
}

function same(a: Finding, b: Finding): boolean {
  return a.kind === b.kind && Math.abs(a.z_mm[0] - b.z_mm[0]) < 0.3
    && Math.hypot(a.at_mm[0] - b.at_mm[0], a.at_mm[1] - b.at_mm[1]) < 2;
}

function rowOf(finding: Finding, number: string): OpenRow {
  const [measure, unit, limit] = measureWords(finding);
  return {
    number, place: kindWords(finding.kind), where: whereWords(finding), measure, unit, limit,
    reason: finding.message,
  };
}

/** What a place is, and where. */
export function nameOf({ open, changes, finding }: Place): string {
  const row = open ?? changes[0];
  return row ? `${row.place}, ${row.where}` : finding?.message ?? "";
}

/** Colour of a place, by the kind of its change. */
export const toneOf = (place: Place): "air" | "add" | "cut" | "prop" =>
  place.open || place.edits.length === 0 ? "air" : place.edits[0]?.op ?? "air";
