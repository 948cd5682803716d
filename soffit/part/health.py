"""Whether a triangle mesh bounds a solid, and what to tell the user where it does not.

A fault is a `blocker` where the inside of the part cannot be told without a guess (open
edges, sides that do not match, no volume), `marginal` where the analysis goes on by one of
these rules, and a `note` otherwise:

- a facet written more than once with the same side out counts once, unless the surface is
  closed only with its copies (bodies that share a part of their surface);
- a facet with two equal corners bounds nothing and is left out;
- an inverted body, one that is inside out and in no other body, is taken as solid;
- an edge with four or more facets is allowed where its sides match up in pairs;
- where bodies overlap, the part is all of them together.
"""

from __future__ import annotations

import itertools
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soffit.part.contact import find_contacts
from soffit.part.model import FileNote, Floats, Ints, Severity, Vec3
from soffit.part.raw import exact_ids
from soffit.part.topology import Edges, edges_of, label, shell_volumes, shells, turns
from soffit.part.words import plural

Mask = NDArray[np.bool_]

MAX_CONTACT_TRIANGLES = 200_000
"""Above this the search for self-contact is left out, with a note (own limit, for time)."""
_FLAT = 1e-7
"""A shell with less volume than this share of its area to the power 3/2 has none (derived:
32-bit coordinates resolve 6e-8 of the size)."""
_MANY = 2000
"""With more bodies than this, nesting is not looked into (own limit, for time)."""


@dataclass(frozen=True)
class Health:
    """What was found in a mesh of m facets.

    `keep` (m,): facets that count. `flip` (m,): facets of inverted bodies. `body_of` (m,):
    body of each, 0-based, voids with the body round them. `closed`: every edge of the facets
    that count has its sides matched, and they enclose a volume.
    """

    notes: tuple[FileNote, ...]
    closed: bool
    body_of: Ints
    keep: Mask
    flip: Mask

    def settle(self, triangles: Ints) -> tuple[Ints, Ints]:
        """The facets that count, outside out, and their bodies, by the rules above."""
        turned = np.where(self.flip[:, None], triangles[:, ::-1], triangles)
        return turned[self.keep], self.body_of[self.keep]


def examine(vertices: Floats, triangles: Ints, *, contacts: bool = True,
            repaired: bool = False) -> Health:
    """Notes on a mesh, whether it is closed, the body of each facet, and what the rules do.

    `vertices` (n, 3) float64, mm, exactly coincident ones welded; `triangles` (m, 3) int64.
    `contacts`: whether to look where the surface runs through itself, which takes most of the
    time. `repaired`: repair has been tried, so the notes do not advise it.
    """
    ask = "repair could not mend it" if repaired else "or ask for repair"
    count = len(triangles)
    notes: list[FileNote] = []
    corners = vertices[triangles]
    double, sheets = _duplicates(vertices, triangles)
    empty = ((triangles == np.roll(triangles, 1, axis=1)).any(axis=1))
    double &= ~empty
    if double.any() and not edges_of(triangles).turn.any() and edges_of(
            triangles[~double]).turn.any():
        # Bodies that share only part of their surface: each needs its own copy of a facet.
        keep = ~empty
    else:
        keep = ~double & ~empty
    notes += _facet_notes(corners, double, empty, bool((double & keep).any()), ask)

    used = np.flatnonzero(keep)
    edges = edges_of(triangles[used])
    closed = not edges.turn.any() and len(used) > 0
    notes += _edge_notes(vertices, edges, ask)
    number, group = shells(edges, len(used))
    tight = _tight(edges, group, number)
    volumes, hollow = _volumes(vertices, triangles[used], group, number)
    notes += _volume_notes(corners, used, group, tight, hollow, sheets, keep)
    closed = closed and not bool(hollow.all())

    owner, inverted, void = _nesting(corners[used], group, number, volumes, tight & ~hollow)
    for flags, kind, text in (
        (inverted, "file/inverted", "inside out (its facets face inwards), and is taken as solid: "
                                    "turn it in CAD"),
        (void, "file/void", "a sealed void: fine to print unless its ceiling is over air, and then "
                            "nothing can be stood under it or taken out; open it or fill it"),
    ):
        for at in np.flatnonzero(flags)[:1]:
            first = corners[used[np.flatnonzero(group == at)[0]]].mean(axis=0)
            total = int(flags.sum())
            head = f"body {'1 of ' + str(total) + ' such' if total > 1 else ''}".strip()
            notes.append(FileNote(kind, "marginal", f"{head} at {_place(first)} is {text}", total,
                                  _vec(first)))
    bodies, of_owner = label(np.column_stack([np.arange(number), owner]), number)
    body_of = np.zeros(count, np.int64)
    body_of[used] = of_owner[group]
    flip = np.zeros(count, bool)
    flip[used] = inverted[group]
    if bodies > 1:
        loose = int((~tight).sum())
        apart = f", {loose} of them not closed" if loose else ""
        notes.append(FileNote("file/bodies", "note", f"{bodies} separate bodies{apart}; they are "
                              f"made together as one part", bodies))
    if contacts:
        notes += _contact_notes(vertices, triangles[used], body_of[used], ask)
    return Health(tuple(notes), closed, body_of, keep, flip)


def flat_facets(corners: Floats) -> Mask:
    """Which facets (m, 3, 3) have no area: lower than half a step of a 32-bit number at the
    largest coordinate, over their longest side."""
    longest = np.linalg.norm(corners - np.roll(corners, 1, axis=1), axis=2).max(axis=1)
    grid = 2.0**-24 * float(np.abs(corners).max()) if len(corners) else 0.0
    flat: Mask = 2.0 * _areas(corners) <= longest * grid
    return flat


def hollow_shells(vertices: Floats, triangles: Ints) -> tuple[Mask, int]:
    """Facets of shells that enclose no volume, closed or plane and open, and how many shells."""
    number, group = shells(edges_of(triangles), len(triangles))
    _, hollow = _volumes(vertices, triangles, group, number)
    return hollow[group], int(hollow.sum())


def _volumes(vertices: Floats, triangles: Ints, group: Ints, number: int) -> tuple[Floats, Mask]:
    """Signed volume of each shell, and whether that is none."""
    volumes = shell_volumes(vertices, triangles, group, number)
    areas = np.bincount(group, _areas(vertices[triangles]), number)
    return volumes, np.abs(volumes) <= _FLAT * areas**1.5


def _duplicates(vertices: Floats, triangles: Ints) -> tuple[Mask, Mask]:
    """Facets written before with the same side out; and facets that lie back to back with
    another of the same shell of facets. Judged by position, so across welds too."""
    count = len(triangles)
    ids = exact_ids(vertices)[1][triangles]
    turned = ids.argmin(axis=1)
    rows = np.arange(count)
    a, b, c = (ids[rows, (turned + k) % 3] for k in range(3))
    low, high = np.minimum(b, c), np.maximum(b, c)
    order = np.lexsort((rows, b > c, high, low, a))
    same = np.zeros(count, bool)
    if count:
        key = np.column_stack([a, low, high])[order]
        same[1:] = (key[1:] == key[:-1]).all(axis=1)
    side = (b > c)[order]
    double = np.zeros(count, bool)
    sheet = np.zeros(count, bool)
    again = np.zeros(count, bool)
    again[1:] = same[1:] & (side[1:] == side[:-1])
    back = np.flatnonzero(same & ~again)
    double[order[again]] = True
    sheet[order[back]] = True
    sheet &= (a != low) & (low != high)
    return double, sheet


def _areas(corners: Floats) -> Floats:
    cross = np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0])
    areas: Floats = 0.5 * np.linalg.norm(cross, axis=1)
    return areas


def _vec(point: Floats) -> Vec3:
    x, y, z = (round(float(v), 4) + 0.0 for v in point)
    return (x, y, z)


def _place(point: Floats) -> str:
    return ", ".join(f"{v:.6g}" for v in _vec(point))


def _facet_notes(corners: Floats, double: Mask, empty: Mask, shared: bool, ask: str
                 ) -> Iterator[FileNote]:
    if double.any():
        at = corners[np.flatnonzero(double)[0]].mean(axis=0)
        count = int(double.sum())
        rule = ("kept, as bodies that meet need one each" if shared else
                "read once")
        yield FileNote("file/duplicate", "marginal",
                       f"{plural(count, 'facet is', 'facets are')} written more than once (one at "
                       f"{_place(at)}) and {rule}: export it again, bodies joined", count,
                       _vec(at))
    flat = ~empty & flat_facets(corners)
    if empty.any() or flat.any():
        at = corners[np.flatnonzero(empty | flat)[0]].mean(axis=0)
        count = int(empty.sum() + flat.sum())
        yield FileNote("file/degenerate", "marginal",
                       f"{plural(count, 'facet has', 'facets have')} no area (one at "
                       f"{_place(at)}), {int(empty.sum())} with equal corners left out: "
                       f"export it finer, {ask}", count, _vec(at))


def _edge_notes(vertices: Floats, edges: Edges, ask: str) -> Iterator[FileNote]:
    rules: tuple[tuple[Mask, str, Severity, str], ...] = (
        (edges.count == 1, "file/open-edges", "blocker",
         "open: the surface has holes or cracks, so its inside is not defined: close it in CAD, "
         f"{ask}"),
        ((edges.count == 2) & (edges.turn != 0), "file/winding", "blocker",
         "between facets that face opposite ways, so its inside is not defined: unify the normals "
         f"in CAD, {ask}"),
        ((edges.count > 2) & (edges.turn != 0), "file/non-manifold", "blocker",
         "shared by more than two facets whose sides do not match up, so its inside is not "
         f"defined: join the bodies in CAD, {ask}"),
        ((edges.count > 2) & (edges.turn == 0), "file/non-manifold", "marginal",
         "shared by more than two facets, where bodies touch; each side is taken as it is "
         "written: let the bodies overlap or stand apart"),
    )
    for flags, kind, severity, text in rules:
        where = np.flatnonzero(flags)
        if len(where):
            at = vertices[edges.ends[where[0]]].mean(axis=0)
            yield FileNote(kind, severity, f"{plural(len(where), 'edge is', 'edges are')} {text} "
                           f"(one at {_place(at)})", len(where), _vec(at))


def _tight(edges: Edges, group: Ints, number: int) -> Mask:
    """Which shells have all sides matched."""
    tight = np.ones(number, bool)
    tight[group[edges.facet[edges.start[edges.turn != 0]]]] = False
    return tight


def _volume_notes(corners: Floats, used: Ints, group: Ints, tight: Mask, hollow: Mask,
                  sheets: Mask, keep: Mask) -> Iterator[FileNote]:
    whole = not len(used) or bool(hollow.all())
    if whole:
        at = corners.reshape(-1, 3).mean(axis=0)
        yield FileNote("file/zero-volume", "blocker", "the surface encloses no volume, so there is "
                       "nothing to make: thicken it in CAD", 1, _vec(at))
        return
    flat = tight & hollow
    in_flat = np.zeros(len(keep), bool)
    in_flat[used] = flat[group]
    sheets = sheets & keep & ~in_flat
    if flat.any():
        at = corners[np.flatnonzero(in_flat)[0]].mean(axis=0)
        count = int(flat.sum())
        yield FileNote("file/zero-volume", "marginal",
                       f"{plural(count, 'body', 'bodies')} without thickness (one at "
                       f"{_place(at)}) will not be printed: thicken or delete it", count, _vec(at))
    if sheets.any():
        at = corners[np.flatnonzero(sheets)[0]].mean(axis=0)
        count = int(sheets.sum())
        yield FileNote("file/zero-volume", "marginal",
                       f"{plural(count, 'facet lies', 'facets lie')} back to back with another "
                       f"(one at {_place(at)}): a wall without thickness, or bodies that meet "
                       f"face to face: join them in CAD", count, _vec(at))


def _nesting(corners: Floats, group: Ints, number: int, volumes: Floats, solid: Mask
             ) -> tuple[Ints, Mask, Mask]:
    """For each shell: the shell whose body it bounds, whether it is inverted, whether a void.

    An inward shell inside an odd surplus of outward ones is a void of the smallest round it.
    """
    owner = np.arange(number)
    inward = solid & (volumes < 0)
    void = np.zeros(number, bool)
    if not inward.any() or number > _MANY:
        return owner, inward, void
    order = np.argsort(group, kind="stable")
    begin = np.searchsorted(group[order], np.arange(number + 1))
    member = [order[a:b] for a, b in itertools.pairwise(begin)]
    low = np.array([corners[m].min(axis=(0, 1)) for m in member])
    high = np.array([corners[m].max(axis=(0, 1)) for m in member])
    for at in np.flatnonzero(inward):
        round_it = solid & (low <= low[at]).all(axis=1) & (high >= high[at]).all(axis=1)
        round_it &= np.abs(volumes) > abs(volumes[at])
        around = np.flatnonzero(round_it)
        spread = np.linspace(0, len(member[at]) - 1, min(7, len(member[at]))).astype(np.int64)
        points = corners[member[at][spread]].mean(axis=1)
        depth = {int(s): int(np.rint(np.median(turns(points, corners[member[s]]))))
                 for s in around}
        holders = [s for s, turns in depth.items() if turns > 0]
        if holders and sum(depth.values()) > 0:
            void[at] = True
            owner[at] = min(holders, key=lambda s: (abs(float(volumes[s])), s))
    return owner, inward & ~void, void


def _contact_notes(vertices: Floats, triangles: Ints, body_of: Ints, ask: str
                   ) -> Iterator[FileNote]:
    if len(triangles) > MAX_CONTACT_TRIANGLES:
        yield FileNote("file/self-contact", "note", f"whether the surface runs through itself was "
                       f"not looked at: {len(triangles)} facets are more than "
                       f"{MAX_CONTACT_TRIANGLES}")
        return
    found = find_contacts(vertices, triangles)
    pairs = np.concatenate([found.crossing, found.coplanar])
    if len(pairs):
        between = int((body_of[pairs[:, 0]] != body_of[pairs[:, 1]]).sum())
        at = vertices[triangles[pairs[0, 0]]].mean(axis=0)
        apart = f", {between} of them between bodies" if between else ""
        yield FileNote("file/self-contact", "marginal",
                       f"{plural(len(pairs), 'pair')} of facets cross or lie on each other"
                       f"{apart} (one at {_place(at)}); what overlaps counts as solid once: join "
                       f"the bodies in CAD, {ask}", len(pairs), _vec(at))
    if not found.complete:
        yield FileNote("file/self-contact", "note", "the search for places where the surface runs "
                       "through itself was stopped at its limit; there may be more")
