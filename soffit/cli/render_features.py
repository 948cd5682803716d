"""Recognised features as text of at most 80 columns."""

from __future__ import annotations

from collections.abc import Sequence

from soffit.cli.render_text import Line, part_lines, wrap
from soffit.part.features.model import (
    Features,
    HolePattern,
    MatingFace,
    Reading,
    RoundHole,
    Section,
)
from soffit.part.features.round_hole import HEAD_RATIO
from soffit.part.features.sizes import EXACT_MM
from soffit.plan.select_features import ALL, classes, selector_of


def features_lines(found: Features) -> list[Line]:
    """Equal holes together, then patterns and mating faces, each with its selector."""
    lines = [*part_lines(found.part), Line("")]
    if not found.part.closed:
        return [*lines, *wrap("The surface is not closed, so nothing can be recognised; "
                              "try --repair.")]  # fmt: skip
    if not found.all:
        return [*lines, Line("No round hole was recognised.")]
    groups: dict[tuple[str, ...], list[RoundHole]] = {}
    for hole in found.holes:
        key = (_hole_words(hole), *(_reading_words(r) for r in hole.may_be))
        groups.setdefault(key, []).append(hole)
    for (words, *readings), holes in groups.items():
        count = f"{len(holes)} × " if len(holes) > 1 else ""
        lines += _bold(f"{count}{words}")
        lines += _may_be(readings, "fits no size that is listed; not kept by 'features'")
        lines += [line for hole in holes for line in _selector_lines(found, hole, hole.faces)]
    for pattern in found.patterns:
        lines += _bold(f"{_pattern_words(pattern)}: {', '.join(pattern.holes)}")
        lines += _may_be([_reading_words(r) for r in pattern.may_be], "")
        lines += _selector_lines(found, pattern, ())
    for mating in found.mating:
        lines += _bold(f"Mating face, {mating.area_mm2:.0f} mm², with "
                       f"{', '.join(mating.patterns)}")
        lines += _selector_lines(found, mating, mating.faces)
    return [*lines, Line(""), *_summary(found)]


def _hole_words(hole: RoundHole) -> str:
    """Its diameter, depth and steps, from the opening inwards."""
    ends = "through" if hole.through else "blind"
    steps = [_section_words(hole, s) for s in hole.sections]
    if len(steps) == 1:
        return f"Round hole {steps[0]}, {ends}"
    return f"Round hole, {ends}: {', '.join(steps)}"


def _section_words(hole: RoundHole, section: Section) -> str:
    if not section.tapered:
        return f"⌀{section.enter_mm:.2f} × {section.depth_mm:.2f}"
    wide = max(section.enter_mm, section.end_mm)
    name = "countersink" if wide >= HEAD_RATIO * hole.diameter_mm else "chamfer"
    if min(section.enter_mm, section.end_mm) < 0.5 * hole.diameter_mm:
        name = "tip"
    return f"{name} ⌀{section.enter_mm:.2f} to ⌀{section.end_mm:.2f}"


def _reading_words(reading: Reading) -> str:
    size = f"{reading.nominal_mm:.2f}"
    off = reading.measured_mm - reading.nominal_mm
    near = f"near {size}, {off:+.2f}" if abs(off) > EXACT_MM else f"{size}, other depth"
    how = {"near": near, "as listed": f"{size} as listed",
           "likely": f"likely, {size}"}[reading.confidence]
    return f"{reading.what} ({how}; {reading.grade})"


def _pattern_words(pattern: HolePattern) -> str:
    count, size = len(pattern.holes), pattern.size_mm
    if pattern.shape == "circle":
        return f"{count} holes on a circle ⌀{size[0]:.2f}"
    if pattern.shape == "rectangle":
        return f"4 holes in a rectangle {size[0]:.2f} × {size[1]:.2f}"
    if pattern.shape == "grid":
        return f"{count} holes in a grid {size[0]:.2f} × {size[1]:.2f} apart"
    word = "2 holes" if pattern.shape == "pair" else f"{count} holes in a line"
    return f"{word} {size[0]:.2f} apart"


def _may_be(readings: Sequence[str], nothing: str) -> list[Line]:
    if not readings:
        return wrap(nothing, "  ") if nothing else []
    return [line for k, words in enumerate(readings)
            for line in wrap(words if k else f"may be: {words}", "    " if k else "  ")]


def _selector_lines(found: Features, feature: RoundHole | HolePattern | MatingFace,
                    faces: tuple[int, ...]) -> list[Line]:
    where = f"  face{'s' if len(faces) > 1 else ''} {','.join(map(str, faces))}" if faces else ""
    return [Line(f'  {feature.id:<4} --protect "{selector_of(found.part, feature)}"{where}')]


def _summary(found: Features) -> list[Line]:
    """The selectors of classes that take something."""
    counts: dict[str, int] = {}
    for feature in found.all:
        for name in classes(feature):
            counts[name] = counts.get(name, 0) + 1
    lines = wrap(f'--protect "{ALL}" keeps {len(found.protected_faces)} faces: those of each hole '
                 "of a listed size and each pattern. Nothing is kept unless it is asked for.")
    lines += [Line(f'  --protect "{name}"  ({count})') for name, count in sorted(counts.items())]
    return [*lines, *wrap("Sizes are compared with tables from memory or derived; several uses "
                          "may fit one hole, and none is chosen.")]  # fmt: skip


def _bold(text: str) -> list[Line]:
    return [Line(line.text, "bold") for line in wrap(text)]
