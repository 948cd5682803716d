"""Props of several places stood together, and of one place completed: those that meet become one
body.

Each option of a set was made as if it stood alone. Those whose bodies meet are one prop then, which
is broken off at once. Those that are merely near may stick to each other, and then leave as one
too. Each must leave with those before it in place, so that the last is taken off first.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import manifold3d as m3

from soffit.findings.model import Finding
from soffit.part.mesh_solid import evaluate
from soffit.remedies import LAST_RESORT, all_options, measured
from soffit.remedies.context import Context
from soffit.remedies.model import Option, PropFacts
from soffit.remedies.prop import contact_mm2, joined, option_of
from soffit.remedies.prop_eject import least_sure
from soffit.remedies.prop_removal import removal
from soffit.remedies.prop_site import Refused
from soffit.remedies.prop_sole import soled
from soffit.remedies.prop_solid import lumps
from soffit.remedies.prop_strength import weakest

# How far it is looked whether two bodies meet, mm (derived: any distance will do).
MEET_MM = 0.1


@dataclass(frozen=True)
class Stand:
    """One prop of a set: its option, and the indices of the options given that it stands for."""

    option: Option
    members: tuple[int, ...]


def stand_together(context: Context, options: Sequence[Option]) -> list[Stand]:
    """The options that can stand together, those that meet as one. Of those that could not leave as
    one only the first stands; what could not leave with the earlier ones in place is left out."""
    solids = [evaluate(option.solid, context.part) for option in options]
    groups: list[list[int]] = []
    for k, solid in enumerate(solids):
        met = [g for g in groups if any(solid.min_gap(solids[i], MEET_MM) <= 0.0 for i in g)]
        groups = [g for g in groups if g not in met]
        groups.append(sorted([k, *(i for g in met for i in g)]))
    stands: list[Stand] = []
    taken: list[m3.Manifold] = []
    for group in sorted(groups):
        for members in [group] if len(group) == 1 else [group, group[:1]]:
            body = soled(joined([solids[i] for i in members]), context.process)
            stand = _stand(context, [options[i] for i in members], body, taken)
            if stand is not None:
                others = ", ".join(dict.fromkeys(options[i].finding for i in members[1:]))
                if others:
                    why = f"one prop with that of {others}, which it meets: {stand.why}"
                    stand = replace(stand, why=why)
                stands.append(Stand(stand, tuple(members)))
                taken.append(body)
                break
    return stands


def completed(context: Context, option: Option, left: Sequence[Finding]) -> Option | None:
    """A prop with more of them under what it leaves over air, as one option: gussets by the
    smallest, else such as stand, as what grows out of a wall may pass through what stands before
    it; the others where those do not do. None where none can stand there or the whole could not
    leave."""
    found = [_under(context, finding) for finding in left]
    standing = [[one for one in some if one.prop is not None and not one.prop.gussets]
                for some in found]
    gussets = option.prop is not None and option.prop.gussets > 0
    for choice in (found, standing) if gussets else (standing, found):
        parts = [option, *(_least(some) for some in choice if some)]
        if len(parts) == 1:
            continue
        body = soled(joined([evaluate(part.solid, context.part) for part in parts]),
                     context.process)
        if (whole := _stand(context, parts, body, [])) is not None:
            return whole
    return None


def least_under(context: Context, finding: Finding) -> Option | None:
    """The smallest prop under a finding of a review of another state, whose facets are not those
    of this one; None where none can stand there."""
    found = _under(context, finding)
    return _least(found) if found else None


def _under(context: Context, finding: Finding) -> list[Option]:
    bare = replace(finding, patch=replace(finding.patch, triangles=finding.patch.triangles[:0]))
    return all_options(context, bare, LAST_RESORT)[0]


def _least(found: Sequence[Option]) -> Option:
    return min(found, key=lambda option: option.volume_mm3)


def _stand(
    context: Context, options: list[Option], body: m3.Manifold, before: list[m3.Manifold]
) -> Option | None:
    """One option for one body; None where it could not leave, or be drawn."""
    facts = [option.prop for option in options if option.prop is not None]
    pieces = lumps(body)
    if len(options) == 1 and not before:
        return options[0]
    assert context.solid is not None
    among = replace(context, solid=joined([context.solid, *before])) if before else context
    try:
        off = [removal(among, piece) for piece in pieces]
    except Refused:
        return None
    leaving = least_sure([one.leaving for one in off])
    if not leaving.pushes:
        return None
    words = tuple(dict.fromkeys(one.way for one in off))
    if len(options) == 1 and words == facts[0].ways:
        return options[0]
    whole = PropFacts(
        sum(f.posts for f in facts), sum(f.ridges for f in facts), all(f.fins for f in facts),
        max(f.give_mm for f in facts), max(f.force_n for f in facts),
        sum(f.breaks for f in facts), words,
        tuple(dict.fromkeys(one.tool for one in off)), contact_mm2(context, body),
        sum(f.column_mm3 for f in facts), sum(f.baseline_mm3 for f in facts),
        sum(f.place_mm2 for f in facts), leaving,
        weakest([f.strength for f in facts if f.strength is not None]),
        sum(f.leans for f in facts), sum(f.gussets for f in facts), max(f.foot_mm for f in facts))
    try:
        return measured(context, option_of(options[0].finding, pieces, whole, options[0].rank))
    except Refused:
        return None
