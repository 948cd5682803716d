"""Reviews, resolutions and profiles as text of at most 80 columns.

A line is a text and a style. Styles show on a terminal only and never carry meaning alone.
"""

from __future__ import annotations

import sys
import textwrap
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass

from soffit.findings.model import Finding, Review
from soffit.part.model import Part
from soffit.plan.model import Resolution
from soffit.process.model import Process
from soffit.remedies.model import PropFacts
from soffit.remedies.prop_eject import left_by

WIDTH = 80  # what every terminal and mail shows unbroken (common practice, no source)


@dataclass(frozen=True)
class Line:
    """One line of output; `style` is empty, "bold" or "alarm"."""

    text: str
    style: str = ""


def show(lines: Iterable[Line]) -> None:
    """Print to stdout, with styles where it is a terminal that wants them."""
    if not sys.stdout.isatty():
        for line in lines:
            print(line.text)
        return
    from rich.console import Console
    from rich.text import Text

    styles = {"": "", "bold": "bold", "alarm": "bold reverse"}
    console = Console(highlight=False, markup=False, soft_wrap=True)
    for line in lines:
        console.print(Text(line.text, style=styles[line.style]))


def part_lines(part: Part) -> list[Line]:
    """Size and unit of what was read."""
    size = " × ".join(f"{value:.2f}" for value in part.size_mm)
    whose = {"file": "from the file", "option": "as stated with --unit"}
    stated = whose.get(part.source.stated_by, f"from the {part.source.stated_by}")
    closed = "closed, 0 open edges" if part.closed else "NOT closed"
    return wrap(
        f"{part.source.file}: {size} mm, unit {part.source.unit} {stated}, "
        f"{_count(part.bodies, 'body', 'bodies')}, {_count(len(part.faces), 'face')}, {closed}"
    )


def review_lines(review: Review) -> list[Line]:
    """What was read, the findings by height, the verdict."""
    lines = [*part_lines(review.part), *_how(review), Line("")]
    if review.findings:
        lines += [*_finding_lines(review.findings), Line("")]
    return [*lines, *_review_verdict(review)]


def resolution_lines(result: Resolution) -> list[Line]:
    """What stays open first, then over air before and after, edits, cost, files."""
    lines = [*part_lines(result.received), *_how(result.before)]
    if result.risk is not None and result.risk.reached:
        lines += wrap("Limits are tighter than those of the profile, so that no more than "
                      f"{result.risk.target_ppm:g} of a million parts fail at their places"
                      f"{' (uncalibrated)' if result.risk.uncalibrated else ''}.")
    lines += [Line(""), *_replay_lines(result)]
    lines += _open_lines(result)
    before, after = result.before.over_air_mm2, result.after.over_air_mm2
    lines += [Line(f"Over air: {_area(before)} mm² → {_area(after)} mm²", "bold"), Line("")]
    if result.edits:
        rows = [
            (e.id, e.finding or ("by hand" if e.by_hand else "later"), e.remedy, e.op,
             f"{e.volume_mm3:.1f}", _span(e.z_mm),
             _faces(e.faces))
            for e in result.edits
        ]
        head = ("edit", "for", "remedy", "op", "volume mm³", "z mm", "faces")
        lines += _table(head, rows, right={4})
        for edit in result.edits:
            if edit.after:
                lines += wrap(f"After printing, {edit.id}: {edit.after}")
        lines.append(Line(""))
    lines += _prop_lines(result)
    lines += _alternative_lines(result)
    if result.protected:
        kept = sum(face.untouched for face in result.protected)
        lines += [Line(f"Protected faces untouched: {kept} of {len(result.protected)}"), Line("")]
    lines += _cad_lines(result)
    lines += _ejection_lines(result)
    lines += _risk_lines(result)
    lines += _estimate_lines(result)
    if result.files:
        lines.append(Line("Written:"))
        lines += [Line(f"  {path}") for _, path in sorted(result.files.items())]
        lines.append(Line(""))
    if result.clean:
        lines.append(Line("Clean: nothing prints over air in the files as written.", "bold"))
        lines += wrap("Checked for printing, not for strength or safety in use.")
    told = [f for f in result.after.unattended if f.severity != "note"]
    if told:
        lines += [Line(""), Line("Before it runs unattended, look at:", "bold")]
        lines += [line for f in told for line in wrap(f"{f.kind}: {f.message}", "  ")]
    return lines


def process_lines(processes: Sequence[Process]) -> list[Line]:
    """The profiles with the limits that decide."""
    rows = [
        (p.name, f"{p.layer_mm:.2f}", f"{p.line_mm:.2f}", f"{p.angle_deg:.0f}",
         f"{p.lip_mm:.1f}", f"{p.bridge_mm:.0f}", p.material.name)
        for p in processes
    ]  # fmt: skip
    head = ("profile", "layer mm", "line mm", "angle °", "lip mm", "bridge mm", "material")
    return [
        *_table(head, rows, right={1, 2, 3, 4, 5}),
        *wrap("Angles are from the platform. Each value's source is in its profile; "
               "start your own with base = \"pla-04\" and state what differs."),
    ]  # fmt: skip


def _how(review: Review) -> list[Line]:
    process = review.process
    up = ",".join(f"{value:.6g}" for value in review.up)
    angle, steep = process.angle_deg, 90.0 - process.angle_deg
    return wrap(
        f"{process.name}: {process.layer_mm:.2f} mm layers, at least {angle:.0f}° from the "
        f"platform ({steep:.0f}° from vertical), lip {process.lip_mm:.4g} mm, "
        f"bridge {process.bridge_mm:.4g} mm; up {up}"
    )


def _finding_lines(findings: Sequence[Finding]) -> list[Line]:
    head = ("id", "kind", "severity", "z mm", "measure", "allowed", "area mm²")
    rows = [
        (f.id, f.kind, f.severity, _span(f.z_mm), *_measure(f),
         _area(f.area_mm2) if f.kind.startswith("air/") else "")
        for f in findings
    ]
    lines = _table(head, rows, right={6})
    out = [lines[0]]
    for line, finding in zip(lines[1:], findings, strict=True):
        out.append(line)
        out += wrap(finding.message, "     ")
    return out


def _review_verdict(review: Review) -> list[Line]:
    if review.clean:
        return [Line("Clean: nothing would print over air.", "bold")]
    lines = []
    if review.coarse is not None:
        again = "; run without --fast for the verdict."
        lines += wrap(review.coarse.message)
        if not review.stopping:
            return [*lines, Line(f"Nothing found in the coarse answer{again}", "bold")]
        lines.append(Line(f"Found in the coarse answer{again}", "bold"))
    if review.air:
        places = _count(len(review.air), "place")
        lines.append(Line(f"Over air: {_area(review.over_air_mm2)} mm² in {places}.", "alarm"))
    others = [f for f in review.findings if f.severity == "blocker" and f not in review.air]
    if others:
        kinds = ", ".join(sorted({f.kind for f in others}))
        lines.append(Line(f"Other blockers: {len(others)} ({kinds}).", "alarm"))
    return lines


def _open_lines(result: Resolution) -> list[Line]:
    lines: list[Line] = []
    told = {entry.finding.id for entry in result.open}
    entries = [(entry.finding, entry.reason) for entry in result.open]
    entries += [
        (finding, "found in the files as written")
        for finding in result.after.findings
        if finding.id not in told and (finding in result.after.air or finding.severity == "blocker")
    ]
    for finding, reason in entries:
        lines.append(Line(f"OPEN {finding.id} {finding.kind} at z {_span(finding.z_mm)}", "alarm"))
        lines += wrap(f"{finding.message} {reason}", "     ")
    for face in result.protected:
        if not face.untouched:
            lines.append(Line(f"CHANGED protected face {face.face}", "alarm"))
            lines += wrap(
                f"it moved by {face.deviation_mm:.4f} mm where {face.allowed_mm:.4f} mm is allowed "
                f"({face.selector})",
                "     ",
            )
    return [*lines, Line("")] if lines else []


def _replay_lines(result: Resolution) -> list[Line]:
    """What became of a recipe's decisions, and what there is to decide."""
    found = result.replay
    if found is None:
        return []
    counts = Counter(d.status for d in found.decisions)
    sums = ", ".join(f"{counts[s]} {s}" for s in ("same", "moved", "vanished", "unclear")
                     if counts[s])
    lines = [Line(f"Recipe of {_count(len(found.decisions), 'decision')}: {sums or 'none'}",
                  "bold")]
    for one in found.decisions:
        if one.status != "same":
            on = f" on {one.finding_id}" if one.finding_id else ""
            lines += wrap(f"{one.edit_id} {one.remedy}{on}: {one.status}; {one.why}", "  ")
    for barred in found.forbidden:
        if barred.finding_id is None:
            lines += wrap(f"{barred.remedy}, forbidden for {barred.finding}: {barred.status}; "
                          f"{barred.why}", "  ")
    for kept in found.protected:
        if kept.status in ("vanished", "unclear"):
            lines += wrap(f"protected {kept.selector}: {kept.status}, so it is not protected; "
                          "say it again with --protect", "  ")
    for room in found.keep_out:
        if room.status != "same":
            lines += wrap(f"keep-out {room.file or 'box'}: {room.status}; {room.why}", "  ")
    again = {edit.finding: edit.remedy for edit in result.edits}
    for name in found.new:
        done = f"{again[name]} was chosen" if name in again else "nothing was chosen"
        lines += wrap(f"NEW {name}: {done}; decide it (--demand {name}=REMEDY for another)", "  ")
    return [*lines, Line("")]


def _prop_lines(result: Resolution) -> list[Line]:
    """Each prop, and all of them, against the block supports that would stand in their place."""
    props = [(edit, edit.prop) for edit in result.edits if edit.prop is not None]
    if not props:
        return []

    def row(name: str, volume: float, facts: Sequence[PropFacts], *rest: str) -> tuple[str, ...]:
        contact = sum(f.contact_mm2 for f in facts)
        return (name, _fixed(volume, 1), _share(volume, sum(f.baseline_mm3 for f in facts)),
                _fixed(contact, 1), _share(contact, sum(f.place_mm2 for f in facts)), *rest)

    rows = [
        row(edit.id, edit.volume_mm3, [facts], _fixed(facts.give_mm, 2), _fixed(facts.force_n, 1))
        for edit, facts in props
    ]
    if len(props) > 1:
        rows.append(row("all", sum(edit.volume_mm3 for edit, _ in props),
                        [facts for _, facts in props], "", ""))
    fill = result.before.process.props.block_fill.value
    head = ("prop", "mm³", "of block", "touches mm²", "of block", "gives mm", "snaps N")
    return [
        *_table(head, rows, right={1, 2, 3, 4, 5, 6}),
        *wrap(f"of block: of a support that fills {fill:.0%} of the room below each place and "
              "touches all of it; gives: tip, to the nozzle."),
        *(line for edit, facts in props for line in wrap(
            f"{edit.id} leaves {', '.join(facts.ways)}; a tool gets at it "
            f"{', '.join(facts.tools)}; {left_by(facts.leaving)}")),
        Line(""),
    ]


def _ejection_lines(result: Resolution) -> list[Line]:
    """What the edge meets that pushes the part off the platform, and which way is best."""
    if result.ejection is None:
        return []
    from soffit.production.ejection import words

    return [*wrap("Ejection: " + words(result.ejection, result.before.process)), Line("")]


def _risk_lines(result: Resolution) -> list[Line]:
    """How many of a million fail all the same, and of what most."""
    if result.risk is None:
        return []
    from soffit.production.risk import uncalibrated_words, words

    return [*wrap(f"Fails: {words(result.risk)}"), *wrap(uncalibrated_words(result.risk), "  "),
            Line("")]


def _share(value: float, of: float) -> str:
    return f"{100.0 * value / of:.0f} %" if of > 0.0 else "-"


def _alternative_lines(result: Resolution) -> list[Line]:
    """The sets of options to choose from, where there is more than one."""
    if len(result.alternatives) < 2:
        return []
    density = result.before.process.material.density_g_cm3.value
    rows = [
        (">" if a.chosen else "", a.words, _fixed(a.price, 2),
         _fixed(a.plastic_mm3 * density / 1000.0, 2), _fixed(a.machine_s, 0),
         _fixed(a.labour_s, 0), _fixed(a.deviation_mm, 1), _fixed(a.changed_mm2, 0),
         _fixed(a.left_mm2, 1))
        for a in result.alternatives
    ]  # fmt: skip
    head = ("", "for each part", "price", "g", "s", "hand s", "moved", "mm²", "left")
    lines = _table(head, rows, right={2, 3, 4, 5, 6, 7, 8})
    out = [Line("Alternatives for the part as received (> chosen):", "bold"), lines[0]]
    for line, a in zip(lines[1:], result.alternatives, strict=True):
        out.append(line)
        out += wrap(", ".join(f"{count} {name}" for name, count in a.remedies), "     ")
    out += wrap("g: plastic as laid; s: machine; hand s: work by hand; moved: farthest that the "
                 "surface moves, mm; mm²: surface covered or cut; left: over air, mm².")
    return [*out, Line("")]


def _cad_lines(result: Resolution) -> list[Line]:
    """What is wrong with the CAD as written, or was not written; nothing where all is well."""
    told = [f"CAD: {fault}" for fault in (result.quality.faults if result.quality else ())]
    told += [f"Not written: {reason}" for _, reason in sorted(result.missing.items())]
    lines = [line for text in told for line in wrap(text)]
    return [*lines, Line("")] if lines else []


def _estimate_lines(result: Resolution) -> list[Line]:
    if not result.estimate:
        return []
    from soffit.production.figures import CASES, figure_rows

    rows = [
        (row.heading,
         *("" if v is None else f"{v:,.{row.decimals}f}" for v in row.values))
        for row in figure_rows(result.estimate)
    ]  # fmt: skip
    heading = (f"for {_count(result.quantity, 'part')}", *CASES.values())
    return [*_table(heading, rows, right=set(range(1, len(CASES) + 1))), Line("")]


def _measure(finding: Finding) -> tuple[str, str]:
    """The measure that this kind is judged by, and what is allowed of it."""
    if not finding.kind.startswith("air/"):
        return "", ""
    spans = finding.kind in ("air/bridge", "air/ceiling")
    name, value = ("span", finding.span_mm) if spans else ("reach", finding.reach_mm)
    allowed = "" if finding.limit is None else f"{finding.limit:g}"
    return ("" if value is None else f"{name} {value:.2f}", allowed)


def _table(
    head: tuple[str, ...], rows: Sequence[tuple[str, ...]], right: set[int]
) -> list[Line]:
    """Columns two blanks apart; the last one is cut where it would pass the margin."""
    widths = [max(len(row[i]) for row in (head, *rows)) for i in range(len(head))]
    lines = []
    for row in (head, *rows):
        cells = (
            cell.rjust(width) if index in right else cell.ljust(width)
            for index, (cell, width) in enumerate(zip(row, widths, strict=True))
        )
        text = "  ".join(cells).rstrip()
        if len(text) > WIDTH:
            text = text[: WIDTH - 1] + "…"
        lines.append(Line(text, "bold" if row is head else ""))
    return lines


def wrap(text: str, indent: str = "") -> list[Line]:
    """Text as lines within the margin."""
    wrapped = textwrap.wrap(
        " ".join(text.split()),
        WIDTH,
        initial_indent=indent,
        subsequent_indent=indent or "  ",
        break_on_hyphens=False,
    )
    return [Line(line) for line in wrapped]


def _fixed(value: float, decimals: int) -> str:
    """A number without a sign where it rounds to nothing."""
    return f"{round(value, decimals) + 0.0:.{decimals}f}"


def _area(value: float) -> str:
    return f"{value:.1f}"


def _span(z_mm: tuple[float, float]) -> str:
    low, high = (f"{value:.2f}" for value in z_mm)
    return low if low == high else f"{low}–{high}"


def _faces(faces: tuple[int, ...]) -> str:
    return ",".join(map(str, faces[:4])) + ("…" if len(faces) > 4 else "")


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"
