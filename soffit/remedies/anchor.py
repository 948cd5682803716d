"""The anchor of a patch as straight edges and arcs, and distances to it.

An anchor is where a patch is held by the layer below. Layer outlines give it as plan
polylines; here they are joined, turned so that the patch lies on their left, freed of
vertices that say nothing, and runs of vertices that lie on one circle become arcs again,
so that a wedge along a round wall gets a conical face.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from soffit.part.model import Floats
from soffit.part.topology import ring_area

# Two ends of polylines this near are one point (derived: the layer engine's grid).
JOIN_MM = 1e-4
# A vertex this near to the line between its neighbours says nothing (derived: a tenth of
# the smallest slack of the layer engine).
COLLINEAR_MM = 2e-3
# Vertices of a recognised arc lie this near to its circle, and its chords that far from it.
ARC_FIT_MM = 1e-3
# A fitted circle this near to one of the part's is that one (derived: five times the fit).
SNAP_MM = 5e-3
ARC_SAGITTA_MM = 0.05
# Coarsest drawing of a circle that still is one: twelve segments (common practice, no source).
ARC_TURN_DEG = 30.5


@dataclass(frozen=True)
class Edge:
    """A straight anchor edge from `start` to `end`, (2,) each; the patch is on its left."""

    start: Floats
    end: Floats

    @property
    def along(self) -> Floats:
        """Unit direction, (2,)."""
        d = self.end - self.start
        return np.asarray(d / np.linalg.norm(d))

    @property
    def first_along(self) -> Floats:
        """Direction at the start."""
        return self.along

    @property
    def last_along(self) -> Floats:
        """Direction at the end."""
        return self.along

    def distance(self, points: Floats) -> Floats:
        """Distance of plan points (n, 2) to the edge, (n,)."""
        d = self.end - self.start
        t = np.clip((points - self.start) @ d / (d @ d), 0.0, 1.0)
        return np.asarray(np.linalg.norm(points - self.start - t[:, None] * d, axis=1))


@dataclass(frozen=True)
class Arc:
    """An anchor arc about `centre` from angle `a0` turning by `turn` (radians, positive is
    counter-clockwise: then the patch, on the left, is inside the circle: a bore)."""

    centre: Floats
    radius: float
    a0: float
    turn: float

    @property
    def inside(self) -> bool:
        """Whether the patch lies inside the circle."""
        return self.turn > 0

    @property
    def full(self) -> bool:
        """Whether it is the whole circle."""
        return abs(self.turn) > 2 * math.pi - 1e-9

    def at(self, angle: float) -> Floats:
        """Point of the circle at `angle`, (2,)."""
        return self.centre + self.radius * np.array([math.cos(angle), math.sin(angle)])

    @property
    def start(self) -> Floats:
        """First point, (2,)."""
        return self.at(self.a0)

    @property
    def end(self) -> Floats:
        """Last point, (2,)."""
        return self.at(self.a0 + self.turn)

    def _tangent(self, angle: float) -> Floats:
        sign = math.copysign(1.0, self.turn)
        return sign * np.array([-math.sin(angle), math.cos(angle)])

    @property
    def first_along(self) -> Floats:
        """Direction at the start."""
        return self._tangent(self.a0)

    @property
    def last_along(self) -> Floats:
        """Direction at the end."""
        return self._tangent(self.a0 + self.turn)

    def distance(self, points: Floats) -> Floats:
        """Distance of plan points (n, 2) to the arc, (n,)."""
        v = points - self.centre
        radial = np.hypot(v[:, 0], v[:, 1])
        swept = np.mod((np.arctan2(v[:, 1], v[:, 0]) - self.a0) * np.sign(self.turn), 2 * np.pi)
        ends = np.minimum(
            np.linalg.norm(points - self.start, axis=1), np.linalg.norm(points - self.end, axis=1)
        )
        return np.where(
            (swept <= abs(self.turn)) | (radial < 1e-12), np.abs(radial - self.radius), ends
        )


Element = Edge | Arc
Circle = tuple[Floats, float | None]  # centre (2,) and radius, None where only the axis is known


@dataclass(frozen=True)
class Chain:
    """Connected elements in order, the patch on their left; `closed` where the last leads
    to the first."""

    elements: tuple[Element, ...]
    closed: bool
    polyline: Floats

    def distance(self, points: Floats) -> Floats:
        """Distance of plan points (n, 2) to the chain, (n,)."""
        return np.asarray(np.min([e.distance(points) for e in self.elements], axis=0))


def distance(points: Floats, chains: Sequence[Chain]) -> Floats:
    """Distance of plan points (n, 2) to the nearest of the chains, (n,)."""
    return np.asarray(np.min([c.distance(points) for c in chains], axis=0))


def polygon(rings: Sequence[Floats]) -> shapely.Geometry:
    """Rings (outer counter-clockwise, holes clockwise) as one plan region."""
    outer: list[shapely.Polygon] = []
    holes: list[shapely.Polygon] = []
    for ring in rings:
        if len(ring) >= 3:
            (outer if ring_area(ring) > 0 else holes).append(shapely.Polygon(ring))
    region = shapely.union_all(outer)
    return shapely.make_valid(region.difference(shapely.union_all(holes)) if holes else region)


def rings_of(region: shapely.Geometry) -> tuple[Floats, ...]:
    """Rings of a plan region, outer ones counter-clockwise, holes clockwise, not closed."""
    rings = []
    for part in shapely.get_parts(region):
        if part.geom_type != "Polygon" or part.is_empty:
            continue
        part = shapely.orient_polygons(part)
        for ring in (part.exterior, *part.interiors):
            rings.append(np.asarray(ring.coords, dtype=np.float64)[:-1, :2])
    return tuple(rings)


def chains_of(
    anchors: Sequence[Floats], region: shapely.Geometry, circles: Sequence[Circle] = ()
) -> list[Chain]:
    """The anchor polylines of a patch as chains of edges and arcs. An arc that fits one of
    `circles`, those of the part's upright round faces, is taken to lie on it."""
    chains = []
    for line in _joined([np.asarray(a, dtype=np.float64) for a in anchors if len(a) >= 2]):
        closed = bool(np.linalg.norm(line[0] - line[-1]) < JOIN_MM) and len(line) > 3
        line = _simple(line, closed)
        if len(line) < 2:
            continue
        if not _region_on_left(line, region):
            line = line[::-1]
        chains.append(_recognised(line, closed, circles))
    return chains


def _joined(lines: list[Floats]) -> list[Floats]:
    """Polylines with ends that meet joined into one."""
    done: list[Floats] = []
    todo = list(lines)
    while todo:
        line = todo.pop(0)
        grew = True
        while grew:
            grew = False
            for k, other in enumerate(todo):
                for a, b in ((line, other), (other, line)):
                    if np.linalg.norm(a[-1] - b[0]) < JOIN_MM:
                        line, grew = np.concatenate([a, b[1:]]), True
                        break
                if grew:
                    todo.pop(k)
                    break
        done.append(line)
    return done


def _simple(line: Floats, closed: bool) -> Floats:
    """Without doubled and collinear vertices; a closed one keeps its first vertex at both ends."""
    keep = np.concatenate([[True], np.linalg.norm(np.diff(line, axis=0), axis=1) > JOIN_MM])
    line = line[keep]
    if closed:
        # Start at the sharpest corner, so that a straight run across the seam is one edge.
        ring = line[:-1]
        u = np.roll(ring, -1, axis=0) - ring
        back = np.roll(u, 1, axis=0)
        turn = np.abs(np.arctan2(back[:, 0] * u[:, 1] - back[:, 1] * u[:, 0], (back * u).sum(1)))
        ring = np.roll(ring, -int(np.argmax(np.round(turn, 6))), axis=0)
        line = np.concatenate([ring, ring[:1]])
        half = len(ring) // 2
        return np.concatenate([simplified(line[: half + 1])[:-1], simplified(line[half:])])
    return simplified(line) if len(line) >= 2 else line


def simplified(line: Floats) -> Floats:
    """An open polyline without the vertices that say nothing."""
    simple = shapely.simplify(shapely.LineString(line), COLLINEAR_MM)
    return np.asarray(shapely.get_coordinates(simple))


def _region_on_left(line: Floats, region: shapely.Geometry) -> bool:
    d = np.diff(line, axis=0)
    size = np.linalg.norm(d, axis=1)
    middle = 0.5 * (line[1:] + line[:-1])
    normal = np.column_stack([-d[:, 1], d[:, 0]]) / size[:, None]
    votes = 0.0
    # Two distances, for patches narrower than the larger one.
    for off in (0.02, 0.1):
        left, right = middle + off * normal, middle - off * normal
        votes += float(size @ shapely.contains_xy(region, left[:, 0], left[:, 1]))
        votes -= float(size @ shapely.contains_xy(region, right[:, 0], right[:, 1]))
    return votes >= 0


def _recognised(line: Floats, closed: bool, circles: Sequence[Circle]) -> Chain:
    if closed:
        line = _from_an_arcs_end(line)
    elements: list[Element] = []
    i = 0
    last = len(line) - 1
    while i < last:
        stop, arc = _arc_from(line, i)
        if arc is None:
            elements.append(Edge(line[i], line[i + 1]))
            i += 1
        else:
            elements.append(_snapped(arc, circles))
            i = stop
    if closed and len(elements) == 2 and all(isinstance(e, Arc) for e in elements):
        a, b = elements
        assert isinstance(a, Arc) and isinstance(b, Arc)
        if np.linalg.norm(a.centre - b.centre) < ARC_FIT_MM:
            elements = [Arc(a.centre, a.radius, a.a0, math.copysign(2 * math.pi, a.turn))]
    return Chain(tuple(elements), closed, line)


def _from_an_arcs_end(line: Floats) -> Floats:
    """A closed line begun anew where its first arc ends: a ring without a corner may begin in the
    midst of one, which would be two. Without an arc, or a circle whole, it is as it was."""
    for i in range(len(line) - 1):
        stop, arc = _arc_from(line, i)
        if arc is not None:
            ring = line[:-1]
            begun = np.roll(ring, -stop, axis=0)
            return line if arc.full else np.concatenate([begun, begun[:1]])
    return line


def _snapped(arc: Arc, circles: Sequence[Circle]) -> Arc:
    """The arc on the nearest of `circles` that it fits, or about its centre; else as it is."""
    best, near = arc, SNAP_MM
    for centre, known in circles:
        radius = arc.radius if known is None else known
        off = max(float(np.linalg.norm(centre - arc.centre)), abs(radius - arc.radius))
        # A circle of the part says more than an axis alone.
        if off < near or (off < SNAP_MM and known is not None and best is not arc):
            near = min(off, near)
            start, end = arc.start - centre, arc.end - centre
            a0, a1 = math.atan2(start[1], start[0]), math.atan2(end[1], end[0])
            turn = (a1 - a0) % (2 * math.pi) if arc.turn > 0 else -((a0 - a1) % (2 * math.pi))
            best = Arc(centre, radius, a0, arc.turn if arc.full else turn)
    return best


def _arc_from(line: Floats, i: int) -> tuple[int, Arc | None]:
    """The longest arc that starts at vertex `i`: index of its last vertex and the arc."""
    stop = i + 2
    found: tuple[int, Arc | None] = (i, None)
    while stop < len(line):
        run = line[i : stop + 1]
        if not _turns_one_way(run):
            break
        centre, radius = _circle(run)
        fit = np.abs(np.linalg.norm(run - centre, axis=1) - radius).max()
        chords = np.linalg.norm(np.diff(run, axis=0), axis=1)
        if fit > ARC_FIT_MM or (chords.max() / 2) ** 2 / (2 * radius) > ARC_SAGITTA_MM:
            break
        if stop - i >= 3:
            angle = np.unwrap(np.arctan2(run[:, 1] - centre[1], run[:, 0] - centre[0]))
            turn = float(angle[-1] - angle[0])
            if np.linalg.norm(run[0] - run[-1]) < JOIN_MM:
                turn = math.copysign(2 * math.pi, turn)
            found = (stop, Arc(centre, radius, float(angle[0]), turn))
        stop += 1
    return found


def _turns_one_way(run: Floats) -> bool:
    u = np.diff(run, axis=0)
    cross = u[:-1, 0] * u[1:, 1] - u[:-1, 1] * u[1:, 0]
    turn = np.degrees(np.arctan2(cross, (u[:-1] * u[1:]).sum(axis=1)))
    return bool((np.abs(turn) <= ARC_TURN_DEG).all() and (np.sign(turn) == np.sign(turn[0])).all()
                and (np.abs(turn) > 0.05).all())


def _circle(points: Floats) -> tuple[Floats, float]:
    """Least-squares circle (Kåsa's linear fit): centre (2,) and radius."""
    origin = points.mean(axis=0)
    p = points - origin
    matrix = np.column_stack([2 * p, np.ones(len(p))])
    x, y, c = np.linalg.lstsq(matrix, (p**2).sum(axis=1), rcond=None)[0].tolist()
    return origin + np.array([x, y]), math.sqrt(max(c + x * x + y * y, 0.0))


def circle_of(ring: Floats) -> tuple[Floats, float] | None:
    """Centre and radius where the whole ring is one circle, else None."""
    if len(ring) < 9:
        return None
    line = _simple(np.concatenate([ring, ring[:1]]), True)
    if len(line) < 9:
        return None
    run = np.concatenate([line, line[1:2]])
    centre, radius = _circle(line)
    fit = np.abs(np.linalg.norm(line - centre, axis=1) - radius).max()
    chord = np.linalg.norm(np.diff(line, axis=0), axis=1).max()
    flat = (chord / 2) ** 2 / (2 * radius) <= ARC_SAGITTA_MM
    return (centre, radius) if fit <= ARC_FIT_MM and flat and _turns_one_way(run) else None
