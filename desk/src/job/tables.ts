/** What else the change sheet says. */

import { h, table, type Child } from "../dom";
import type { Job, Sheet } from "../types";
import { bytes, number, parts, sentence } from "../words";

const section = (heading: string, ...inside: Child[]): HTMLElement =>
  h("section", {}, h("h2", {}, heading), inside);

/** Tables below the ledger; none as long as the part is not resolved. */
export function tables(job: Job | null, sheet: Sheet | null): HTMLElement[] {
  if (!sheet) return [];
  const out: HTMLElement[] = [
    section("Before and after", table("Before and after", ["", "as received", "as produced", ""],
      sheet.measured.map((r) => [r.name, ...r.values, r.unit]), [1, 2])),
  ];
  if (sheet.estimate.length > 0) {
    out.push(section(`Estimate for ${number(sheet.quantity, 0)} ${parts(sheet.quantity)}`,
      table("Estimate", ["", "as received", "with slicer supports", "resolved", ""],
        sheet.estimate.map((r) => [r.name, ...r.values, r.unit]), [1, 2, 3])));
  }
  if (sheet.risk.length > 0) {
    out.push(section("What fails all the same", sheet.risk.map((text) => h("p", {}, text))));
  }
  if (sheet.ejection !== "") {
    out.push(section("Off the platform", h("p", {}, `${sentence(sheet.ejection)}.`)));
  }
  if (sheet.protected.length > 0) {
    out.push(section("Protected faces", table("Protected faces",
      ["Face", "Chosen by", "Moved, mm", "Allowed, mm", "Untouched"],
      sheet.protected.map((r) => [r.face, r.selector, r.deviation_mm.toFixed(3), r.allowed_mm.toFixed(3),
        r.untouched ? "yes" : h("strong", {}, "NO, CHANGED")]), [2, 3])));
  }
  out.push(section("Limits used", table("Limits used", ["Limit", "Value", "", "Source and grade"],
    sheet.limits.map((r) => [r.name, r.value, r.unit,
      r.source.includes(r.grade) ? r.source : `${r.source} (${r.grade})`]), [1])));
  if (sheet.notes.length > 0) {
    out.push(section("Also seen", table("Also seen", ["No.", "Place", "What"],
      sheet.notes.map((r) => [r.number, r.place, r.text]))));
  }
  if (job && job.files.length > 0) {
    out.push(section("Files", table("Files", ["File", "Size", "SHA-256"], job.files.map((f) => [
      h("a", { href: f.url, download: f.name }, f.name), bytes(f.bytes),
      h("span", { class: "hash" }, f.sha256)]), [1])));
  }
  out.push(section("Cautions", h("ul", { class: "cautions" }, sheet.cautions.map((c) => h("li", {}, c)))));
  return out;
}
