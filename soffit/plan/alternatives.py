"""The few best sets of options, and the options themselves, as rows to be shown.

Beside the set that was chosen: the best set for each other preference, and, of price against how
far the surface moves, the cheapest sets that move it less and less (the front: none of them is
beaten in both). Each is the best of what was tried for the chosen one, and of a few options more.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import replace

from soffit.plan.model import Alternative, OptionRow
from soffit.plan.survey import CURED_SHARE, Entry, Survey
from soffit.plan.variants import variants
from soffit.plan.wishes import PREFERENCES, Wishes

# Alternatives are sought for so many places at most, and so many are told (common practice, no
# source: a person compares a handful; each further preference makes props for all places).
MOST_PLACES = 12
MOST_SETS = 5
# Options tried or made for each of them beyond those that were already (own choice: some seconds;
# the chosen set is proven best, the others are the best of what was tried).
MORE_TRIES = 3
# Steps by which the deviation allowed is lowered (derived: each bars the option that moves most).
FRONT_STEPS = 3

# Two sets whose deviation differs by less than this move the surface alike, mm (derived: half the
# spacing at which it is measured).
ALIKE_MM = 0.25


def alternatives_of(survey: Survey, chosen: Sequence[Entry]) -> tuple[Alternative, ...]:
    """The chosen set first, then the others that are best at something. None where there is nothing
    to choose, or so many places that only one set is sought."""
    if not chosen:
        return ()
    mine = survey.wishes
    first = _sums(f"least {mine.prefer}", survey, chosen)
    found = [replace(first, chosen=True)]
    if len(survey.places) > MOST_PLACES:
        return tuple(found)
    for prefer in PREFERENCES:
        if prefer != mine.prefer:
            entries, _ = survey.best(replace(mine, prefer=prefer), more=MORE_TRIES)
            _add(found, _sums(f"least {prefer}", survey, entries))
    for row in _front(survey, mine, found[0].deviation_mm):
        _add(found, row)
    # What leaves much more over air is no alternative.
    most = found[0].left_mm2 + (1.0 - CURED_SHARE) * survey.state.review.over_air_mm2
    return tuple([row for row in found if row.left_mm2 <= most][:MOST_SETS])


def option_rows(survey: Survey, taken: Sequence[Entry]) -> tuple[OptionRow, ...]:
    """Every option of the findings of a survey, in their order, the cheapest first."""
    rows: list[OptionRow] = []
    for entry in survey.entries:
        option = entry.option
        if option is None:
            continue
        chosen = any(entry is t for t in taken)
        for place in sorted(entry.own):
            rows.append(OptionRow(
                survey.places[place].id, option.remedy, option.op, option.volume_mm3, entry.cost,
                option.safety, option.why, _outcome(survey, entry, place), chosen))
    number = {f.id: k for k, f in enumerate(survey.places)}
    rows.sort(key=lambda r: (number[r.finding], survey.wishes.weight(r.cost), r.remedy))
    told: dict[tuple[str, str, str], OptionRow] = {}
    for finding in survey.places:
        own = [row for row in rows if row.finding == finding.id]
        for row, words in zip(own, variants(own), strict=True):
            name = (row.finding, row.remedy, words)
            if name not in told or row.chosen:  # of two that nothing tells apart one is enough
                told[name] = replace(row, variant=words)
    return tuple(told.values())


def _front(survey: Survey, wishes: Wishes, deviation_mm: float) -> list[Alternative]:
    rows: list[Alternative] = []
    most = deviation_mm
    for _ in range(FRONT_STEPS):
        if most <= ALIKE_MM:
            break
        limit = most - ALIKE_MM if wishes.most_mm is None else min(most - ALIKE_MM, wishes.most_mm)
        entries, _ = survey.best(replace(wishes, prefer="price", most_mm=limit),
                                 more=MORE_TRIES)
        row = _sums(f"moved by {limit:.1f} mm at most", survey, entries)
        rows.append(row)
        if row.deviation_mm >= most - ALIKE_MM / 2:
            break
        most = row.deviation_mm
    return rows


def _add(found: list[Alternative], row: Alternative) -> None:
    """Keep a set if it differs from all others and none of them is as good in everything."""
    if not row.remedies:
        return
    measures = _measures(row)
    for other in found:
        if all(a <= b + 1e-6 for a, b in zip(_measures(other), measures, strict=True)):
            return
    found.append(row)


def _measures(row: Alternative) -> tuple[float, ...]:
    return (row.left_mm2, row.price, row.plastic_mm3, row.machine_s + row.labour_s,
            row.deviation_mm, row.changed_mm2)


def _sums(words: str, survey: Survey, entries: Sequence[Entry]) -> Alternative:
    counts = Counter(e.option.remedy for e in entries if e.option is not None)
    costs = [e.cost for e in entries]
    left = [f.area_mm2 for f in survey.places]
    new = 0.0
    for entry in entries:
        assert entry.known is not None  # a best set is tried throughout
        left = [min(a, b) for a, b in zip(left, entry.known.rest.tolist(), strict=True)]
        new += entry.known.new
    return Alternative(
        words, tuple(sorted(counts.items())), sum(c.price for c in costs),
        sum(c.plastic_mm3 for c in costs), sum(c.machine_s for c in costs),
        sum(c.labour_s for c in costs), max((c.deviation_mm for c in costs), default=0.0),
        sum(c.changed_mm2 for c in costs), sum(left) + new, False)


def _outcome(survey: Survey, entry: Entry, place: int) -> str:
    assert entry.option is not None
    refused = entry.refused or survey.wishes.refuses(entry.option)
    if refused:
        return refused
    if entry.known is None:
        return "not tried: another is better even if this cures all"
    left = float(entry.known.rest[place])
    new = f", {entry.known.new:.1f} mm² new" if entry.known.new > 0.05 else ""
    return (f"leaves {left:.1f} mm²" if left > 0.05 else "cures it") + new
