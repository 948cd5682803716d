"""Which ridges share a post: those whose own posts would stand near or in each other."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import manifold3d as m3
import numpy as np
import shapely

from soffit.part.topology import label
from soffit.remedies.prop_cup import Cup, body_of, cups
from soffit.remedies.prop_house import MOST_POSTED, Ground, room_of
from soffit.remedies.prop_posts import POSTS_MM
from soffit.remedies.prop_shape import House, rectangle, shell
from soffit.remedies.prop_site import LEVEL_MM, Site, free_mm

# Gaps between posts that may share one, mm (common practice, no source: as wide as posts are; as a
# finger is not); and then what must be free between them.
APART_MM = (6.0, 2.0)

# A crown narrower than this is a ridge, in lines (derived: two walls and a line of room).
LEAST_LINES = 3.0


@dataclass(frozen=True, eq=False)
class Post:
    """One post of the ridge `ridge`, and the tips over it."""

    ridge: int
    house: House
    tips: m3.CrossSection


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
    left = [p for p in posts if p.house.length <= POSTS_MM[-1] and not p.house.drop]
    for apart_mm in (*APART_MM, free_mm(site)):
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
        abs(posts[a].house.top - posts[b].house.top) <= LEVEL_MM
        and abs(posts[a].house.base - posts[b].house.base) <= LEVEL_MM
        for a, b in pairs.tolist()], dtype=bool)
    count, group = label(pairs[level], len(posts))
    members = [[posts[i] for i in np.flatnonzero(group == k).tolist()] for k in range(count)]
    return [mine for mine in members if len(mine) > 1]


def _shared(site: Site, posts: list[Post]) -> Shared | None:
    process = site.context.process
    top, base = min(p.house.top for p in posts), max(p.house.base for p in posts)
    tips = m3.CrossSection.batch_boolean([p.tips for p in posts], m3.OpType.Add)
    longest = max(posts, key=lambda p: p.house.ridge).house
    box = shapely.minimum_rotated_rectangle(shapely.MultiPoint(np.concatenate(tips.to_polygons())))
    sides = np.linalg.norm(np.diff(shapely.get_coordinates(box)[:3], axis=0), axis=1)
    if len(sides) < 2 or sides.min() < LEAST_LINES * process.line_mm:
        return None
    ground = Ground(site, top, base)
    apart = m3.Manifold.batch_boolean(
        [shell(p.house, room_of(site, p.house), process) for p in posts], m3.OpType.Add)
    for cup in cups(tips, longest.along, top, base, process, ground.contact_mm)[:MOST_POSTED]:
        house = ground.stood(cup.house, tips, cup.high)
        if house is None:
            continue
        cup, room = replace(cup, house=house), ground.room(house, tips, cup.high)
        if room is None:
            continue
        body = body_of(cup, tips, room, process, [p.house.line for p in posts])
        return Shared(tuple(posts), cup, tips, body) if body.volume() < apart.volume() else None
    return None
