"""Which ridges share a post: those whose own posts would stand near or in each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np
import shapely

from soffit.layers.stack import GRID_MM
from soffit.part.topology import label
from soffit.remedies.prop_cup import Cup, body_of, cups
from soffit.remedies.prop_house import MOST_POSTED, contact_of, has_room, with_sole
from soffit.remedies.prop_posts import POSTS_MM
from soffit.remedies.prop_shape import House, rectangle, shell
from soffit.remedies.prop_site import FREE_MM, Site, floor_of, free_between

# Tops and bases that differ by less are at one height, mm (derived: a twentieth of a layer).
LEVEL_MM = 0.01

# Gaps between posts that may share one, mm (common practice, no source: as wide as posts are; as a
# finger is not; and what must be free between them).
APART_MM = (6.0, 2.0, FREE_MM)

# A crown narrower than this is a ridge, in lines (derived: two walls and a line of room).
LEAST_LINES = 3.0


@dataclass(frozen=True, eq=False)
class Post:
    """One post of the ridge `ridge`, and the tips over it."""

    ridge: int
    house: House
    tips: m3.CrossSection
    top: float
    base: float


@dataclass(frozen=True)
class Shared:
    """A cup in the place of several posts, as a body that holds all of their tips."""

    posts: tuple[Post, ...]
    cup: Cup
    tips: m3.CrossSection
    body: m3.Manifold


def shared_posts(site: Site, posts: Sequence[Post]) -> list[Shared]:
    """Cups in the place of posts that are near each other, those that are farthest apart first,
    where they take less plastic."""
    found: list[Shared] = []
    left = [p for p in posts if p.house.length <= POSTS_MM[-1]]
    for apart_mm in APART_MM:
        for mine in _groups(left, apart_mm):
            shared = _shared(site, mine)
            if shared is not None:
                found.append(shared)
                left = [p for p in left if p not in mine]
    return found


def _groups(posts: Sequence[Post], apart_mm: float) -> list[list[Post]]:
    """Two and more posts at one height that hang together by gaps of so much at most."""
    outlines = [shapely.Polygon(rectangle(p.house.line, p.house.length, p.house.width)).buffer(
        0.5 * apart_mm) for p in posts]
    if len(outlines) < 2:
        return []
    pairs = np.transpose(shapely.STRtree(outlines).query(outlines, predicate="intersects"))
    level = np.array([
        abs(posts[a].top - posts[b].top) <= LEVEL_MM
        and abs(posts[a].base - posts[b].base) <= LEVEL_MM for a, b in pairs.tolist()], dtype=bool)
    count, group = label(pairs[level], len(posts))
    members = [[posts[i] for i in np.flatnonzero(group == k).tolist()] for k in range(count)]
    return [mine for mine in members if len(mine) > 1]


def _shared(site: Site, posts: list[Post]) -> Shared | None:
    process = site.context.process
    top, base = min(p.top for p in posts), max(p.base for p in posts)
    tips = m3.CrossSection.batch_boolean([p.tips for p in posts], m3.OpType.Add)
    longest = max(posts, key=lambda p: p.house.ridge).house
    box = shapely.minimum_rotated_rectangle(shapely.MultiPoint(np.concatenate(tips.to_polygons())))
    sides = np.linalg.norm(np.diff(shapely.get_coordinates(box)[:3], axis=0), axis=1)
    if len(sides) < 2 or sides.min() < LEAST_LINES * process.line_mm:
        return None
    on_part = base > 0.5 * process.layer_mm
    low = base + (process.layer_mm if on_part else GRID_MM)
    free = free_between(site, low, top - GRID_MM)
    floor = floor_of(site, base) if on_part else None

    def contact_mm(length: float) -> float | None:
        return contact_of(site, length, top - base) if on_part else None

    apart = m3.Manifold.batch_boolean([shell(p.house, free, process) for p in posts], m3.OpType.Add)
    for cup in cups(tips, longest.along, top, base, process, contact_mm)[:MOST_POSTED]:
        if not has_room(cup.house, tips, free, floor):
            continue
        house = cup.house if on_part else with_sole(cup.house, free)
        if house is None:
            continue
        cup = replace(cup, house=house)
        body = body_of(cup, tips, free, process)
        return Shared(tuple(posts), cup, tips, body) if body.volume() < apart.volume() else None
    return None
