"""Which simple surface a patch of facets was drawn from.

Facets are taken as planes, not as corner points: where a bore runs out into a slanted or a
round wall, corners lie on the facets, not on the bore, while every facet of a bore keeps one
distance from its axis.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from soffit.part.model import Floats, Ints, Surface, Vec3

_MIN_PLATES = 3
_MIN_TURN = np.radians(15.0)
"""A row of strips must turn by this much in all to be a cylinder (own limit): less cannot be
told from a slightly bent plate."""
_CLOSE = 0.01
"""How far a cone or ball may be off, as a share of its radius, beside rounding (own limit)."""


_HALF_CHORD = 1.05 * math.tan(math.radians(31.0 / 2.0))
"""Half the width of the widest strip that counts as round, by its apothem (derived from the
31° that facets may turn by, with 5 % for uneven strips)."""


@dataclass(frozen=True)
class Fit:
    """A surface with its axis and radius, as `Face` has them."""

    surface: Surface
    axis_point: Vec3 | None = None
    axis_dir: Vec3 | None = None
    radius_mm: float | None = None
    inward: bool = False


def fit_any(corners: Floats, normal: Floats, area: Floats, slack: float) -> Fit | None:
    """The cylinder, cone or ball that a whole patch lies on, else None.

    `corners` (k, 3, 3), `normal` (k, 3), `area` (k,); `slack` rounding of the corners, mm.
    """
    solid = area > 0
    if int(solid.sum()) < _MIN_PLATES:
        return None
    corners, normal, area = corners[solid], normal[solid], area[solid]
    weight = np.sqrt(area / area.sum())[:, None]
    _, spread, turn = np.linalg.svd(normal * weight, full_matrices=False)
    if spread[1] > 1e-3 and spread[2] < 0.02:
        cylinder = _cylinder(corners, normal, area, turn[2], slack, whole=True)
        if cylinder is not None:
            return cylinder
    middle = (normal * weight**2).sum(axis=0)
    _, spread, turn = np.linalg.svd((normal - middle) * weight, full_matrices=False)
    if spread[1] > 1e-3 and spread[2] < 0.02:
        # Two circles always lie on a ball too, so facets that make one angle are never one.
        return _cone(corners, normal, turn[2], float(middle @ turn[2]), slack)
    return _ball(corners, normal, slack)


def fit_strips(corners: Floats, normal: Floats, area: Floats, pair: Ints,
               length: Floats, members: Ints, edges: Ints, plate: Ints, axis: Floats,
               slack: float) -> Iterator[tuple[Ints, Fit]]:
    """Cylinders along `axis` among the facets `members`, joined by smooth `edges`.

    From the longest edge on, each pair of neighbouring strips gives a first radius; the row
    grows over strips that keep the same distance from the same axis.
    """
    u, v = across(axis)
    local = np.full(len(corners), -1, np.int64)
    local[members] = np.arange(len(members))
    ids, of = np.unique(plate[members], return_inverse=True)
    size = np.bincount(of, area[members])
    flat = np.column_stack([normal[members] @ u, normal[members] @ v])
    mean = np.column_stack([np.bincount(of, flat[:, k] * area[members]) for k in (0, 1)])
    mean = mean / np.maximum(np.linalg.norm(mean, axis=1), 1e-300)[:, None]
    centre = corners[members].mean(axis=1)
    height = np.einsum("ij,ij->i", centre @ np.column_stack([u, v]), mean[of])
    offset = np.bincount(of, height * area[members]) / np.maximum(size, 1e-300)
    points = corners[members] @ np.column_stack([u, v])  # (k, 3, 2)
    reach = np.zeros((len(ids), 2))  # extent along the strip's own direction
    side = np.column_stack([-mean[:, 1], mean[:, 0]])
    along = np.einsum("kij,kj->ki", points, side[of])
    reach[:, 0] = np.inf
    reach[:, 1] = -np.inf
    np.minimum.at(reach[:, 0], of, along.min(axis=1))
    np.maximum.at(reach[:, 1], of, along.max(axis=1))

    a, b = of[local[pair[edges, 0]]], of[local[pair[edges, 1]]]
    near: dict[int, set[int]] = {}
    for i, j in zip(a.tolist(), b.tolist(), strict=True):
        if i != j:
            near.setdefault(i, set()).add(j)
            near.setdefault(j, set()).add(i)
    taken = np.zeros(len(ids), bool)
    order = np.lexsort((np.arange(len(edges)), -np.round(length[edges], 6)))
    tried = 0
    for at in order.tolist():
        i, j = int(a[at]), int(b[at])
        if i == j or taken[i] or taken[j] or tried > 200:
            continue
        tried += 1
        row = _grow(i, j, near, taken, mean, offset, reach, side, slack)
        if len(row) < _MIN_PLATES:
            continue
        facets = members[np.isin(of, row)]
        fit = _cylinder(corners[facets], normal[facets], area[facets], axis, slack, whole=False)
        if fit is not None:
            taken[row] = True
            yield facets, fit


def _grow(i: int, j: int, near: dict[int, set[int]], taken: NDArray[np.bool_], mean: Floats,
          offset: Floats, reach: Floats, side: Floats, slack: float) -> list[int]:
    """Strips in one row with i and j: each next one turns the same way about one centre."""
    best: list[int] = []
    for k in sorted((near[i] | near[j]) - {i, j}):
        if taken[k] or k in best:
            continue
        row = [i, j, k]
        circle = _circle(mean[row], offset[row], slack)
        if circle is None or not all(_on(q, circle, mean, offset, reach, side, slack)
                                     for q in row):
            continue
        inside = set(row)
        front = sorted(row)
        fitted = 3
        while front:
            fresh = []
            for p in front:
                for q in sorted(near[p] - inside):
                    if not taken[q] and _on(q, circle, mean, offset, reach, side, slack):
                        inside.add(q)
                        fresh.append(q)
            if len(inside) >= 2 * fitted:
                fitted = len(inside)
                row = sorted(inside)
                circle = _circle(mean[row], offset[row], slack) or circle
            front = fresh
        row = sorted(inside)
        circle = _circle(mean[row], offset[row], slack) or circle
        row = [q for q in row if _on(q, circle, mean, offset, reach, side, slack)]
        row = _chords(row, circle, mean, reach, side, slack)
        if len(row) > len(best):
            best = row
    return best


def _chords(row: list[int], circle: tuple[Floats, float, float], mean: Floats, reach: Floats,
            side: Floats, slack: float) -> list[int]:
    """The strips of a row that are no wider than chords: half of a strip turns by no more than
    from its normal to that of the next (derived). A narrow plane beside a rounding is wider."""
    if len(row) < _MIN_PLATES:
        return row
    angles = np.sort(np.arctan2(mean[row, 1], mean[row, 0]))
    gaps = np.sort(np.diff(np.append(angles, angles[0] + 2.0 * math.pi)))
    most = abs(circle[1]) * min(math.tan(min(float(gaps[-2]), 1.0)), _HALF_CHORD) + 4.0 * slack
    foot = side[row] @ circle[0]
    half = np.maximum(foot - reach[row, 0], reach[row, 1] - foot)
    return [q for q, h in zip(row, half.tolist(), strict=True) if h <= most]


def _circle(mean: Floats, offset: Floats, slack: float) -> tuple[Floats, float, float] | None:
    """Centre, signed apothem and slack of the circle that lines n·x = offset are tangent to:
    n·c + s = offset for all of them, linear in c and s."""
    if len(mean) == 3:
        (ax, ay), (bx, by), (cx, cy) = mean.tolist()
        d, e, f = offset.tolist()
        det = (bx - ax) * (cy - ay) - (by - ay) * (cx - ax)
        if abs(det) < 1e-12:
            return None
        x = ((e - d) * (cy - ay) - (by - ay) * (f - d)) / det
        y = ((bx - ax) * (f - d) - (e - d) * (cx - ax)) / det
        centre, apothem, miss = np.array([x, y]), d - ax * x - ay * y, 0.0
    else:
        system = np.column_stack([mean, np.ones(len(mean))])
        answer, _, rank, _ = np.linalg.lstsq(system, offset, rcond=1e-9)
        if rank < 3:
            return None
        miss = float(np.abs(system @ answer - offset).max())
        centre, apothem = answer[:2], float(answer[2])
    # Strips of different width on one circle differ in apothem by up to r(1 − cos θ/2).
    angles = np.sort(np.arctan2(mean[:, 1], mean[:, 0]))
    steps = angles[1:] - angles[:-1]
    step = float(steps.max()) if len(steps) and steps.max() < 1.0 else 0.3
    allowed = 4.0 * slack + 1.2 * abs(apothem) * (1.0 - math.cos(step / 2.0))
    if abs(apothem) <= 4.0 * slack or miss > allowed:
        return None
    return centre, apothem, allowed


def _on(q: int, circle: tuple[Floats, float, float], mean: Floats, offset: Floats, reach: Floats,
        side: Floats, slack: float) -> bool:
    """Whether strip q is tangent to the circle where it touches it, and no wider than a chord."""
    centre, apothem, allowed = circle
    if abs(float(mean[q] @ centre) + apothem - float(offset[q])) > allowed:
        return False
    foot = float(side[q] @ centre)
    half = max(foot - float(reach[q, 0]), float(reach[q, 1]) - foot)
    return half <= abs(apothem) * _HALF_CHORD + 4.0 * slack


def across(axis: Floats) -> tuple[Floats, Floats]:
    """Two unit vectors at right angles to a unit vector and to each other."""
    x, y, z = axis.tolist()
    # At right angles to the axis and to the coordinate that it has least of.
    least = min(abs(x), abs(y), abs(z))
    u = (0.0, z, -y) if abs(x) == least else (-z, 0.0, x) if abs(y) == least else (y, -x, 0.0)
    length = math.hypot(*u)
    a, b, c = (v / length for v in u)
    return np.array([a, b, c]), np.array([y * c - z * b, z * a - x * c, x * b - y * a])


def _turned(axis: Floats) -> Floats:
    """The direction with its largest component positive."""
    lead = int(np.abs(np.round(axis, 6)).argmax())
    return axis if axis[lead] > 0 else -axis


def _cylinder(corners: Floats, normal: Floats, area: Floats, axis: Floats, slack: float,
              whole: bool) -> Fit | None:
    """Cylinder along `axis`: facets at one distance from it, corners between that and r."""
    axis = _turned(axis / np.linalg.norm(axis))
    u, v = across(axis)
    frame = np.column_stack([u, v])
    flat = normal @ frame
    middle = corners.mean(axis=1)
    offset = np.einsum("ij,ij->i", middle @ frame, flat)
    root = np.sqrt(area / area.max())[:, None]
    system = np.column_stack([flat, np.ones(len(flat))])
    answer, _, rank, _ = np.linalg.lstsq(system * root, offset * root[:, 0], rcond=1e-9)
    if rank < 3:
        return None
    centre, apothem = answer[:2], float(answer[2])
    points = corners.reshape(-1, 3)
    away = np.linalg.norm(points @ frame - centre, axis=1)
    radius = float(away.max())
    if radius <= 0 or abs(apothem) > radius + 4.0 * slack:
        return None
    angles = np.unique(np.round(np.arctan2(flat[:, 1], flat[:, 0]), 3))
    if len(angles) > 3 and 2.0 * np.pi - (angles[-1] - angles[0]) < 1e-3:
        angles = angles[:-1]
    gaps = np.diff(np.append(angles, angles[0] + 2.0 * np.pi))
    turned = 2.0 * np.pi - float(gaps.max())
    if len(angles) < _MIN_PLATES or (turned < _MIN_TURN and not whole) or turned < 0.05:
        return None
    step = min(float(np.sort(gaps)[:-1].max()), 0.56)
    sagitta = radius * (1.0 - np.cos(step / 2.0))
    room = 8.0 * slack + 1.5 * sagitta + (1e-3 * radius if whole else 0.0)
    miss = np.abs(system @ answer - offset) * (root[:, 0] > 1e-3)
    if float(miss.max()) > room or float(away.min()) < abs(apothem) - room:
        return None
    # A plane beside a rounding is tangent to it too, but wider than any chord.
    if whole and abs(apothem) + room < radius * math.cos(step):
        return None
    # Most of the corners lie on the true circle; those on its facets do not.
    radius = float(np.median(away[away >= radius - 0.25 * max(sagitta, slack)]))
    return Fit(Surface.CYLINDER, _point(u * centre[0] + v * centre[1]
                                        + axis * float((points @ axis).mean())),
               _point(axis), radius, apothem < 0)


def _ball(corners: Floats, normal: Floats, slack: float) -> Fit | None:
    points = np.unique(corners.reshape(-1, 3), axis=0)
    if len(points) < 8:
        return None
    shift = points.mean(axis=0)
    q = points - shift
    system = np.column_stack([2.0 * q, np.ones(len(q))])
    answer, _, rank, _ = np.linalg.lstsq(system, (q**2).sum(axis=1), rcond=1e-9)
    square = float(answer[3] + answer[:3] @ answer[:3])
    if rank < 4 or square <= 0:
        return None
    centre, radius = answer[:3] + shift, square**0.5
    size = float(np.ptp(points, axis=0).max())
    if radius > 20.0 * size:
        return None
    off = np.abs(np.linalg.norm(points - centre, axis=1) - radius)
    out = np.einsum("ij,ij->i", corners.mean(axis=1) - centre, normal)
    if float(off.max()) > 4.0 * slack + 0.1 * _CLOSE * radius or not (
            (out > 0).all() or (out < 0).all()):
        return None
    return Fit(Surface.SPHERE, _point(centre), None, radius, bool(out[0] < 0))


def _cone(corners: Floats, normal: Floats, axis: Floats, slope: float, slack: float
          ) -> Fit | None:
    """Cone about `axis`: all facets make one angle with it and, as planes, meet in one apex."""
    if abs(slope) < 0.02 or abs(slope) > 0.999:
        return None
    if float(np.abs(normal @ axis - slope).max()) > 0.1:
        return None
    middle = corners.mean(axis=1)
    apex, _, rank, _ = np.linalg.lstsq(normal, np.einsum("ij,ij->i", middle, normal), rcond=1e-6)
    if rank < 3:
        return None
    points = corners.reshape(-1, 3)
    height = (points - apex) @ axis
    away = np.linalg.norm((points - apex) - height[:, None] * axis, axis=1)
    top = float(np.abs(height).max())
    if top <= 0 or (height.min() < -1e-3 * top and height.max() > 1e-3 * top):
        return None
    tangent = (1.0 - slope**2) ** 0.5
    expected = np.abs(height) * abs(slope) / tangent
    apothem = np.einsum("ij,ij->i", middle - apex, normal)
    widest = float(away.max())
    # Corners lie outside the inscribed facets' apothem by at most r(1/cos 15.5° − 1) = 3.8 %.
    if (float(np.abs(apothem).max()) > 8.0 * slack + _CLOSE * widest
            or float(np.abs(away - expected).max()) > 8.0 * slack + 0.045 * widest):
        return None
    radial = middle - apex
    radial = radial - (radial @ axis)[:, None] * axis
    lower = float(height.min())
    rim = away[np.abs(height - lower) < 8.0 * slack + 1e-3 * top]
    inward = float(np.einsum("ij,ij->i", radial, normal).sum()) < 0
    point = apex + axis * lower
    return Fit(Surface.CONE, _point(point), _point(_turned(axis)), float(rim.max()), inward)


def _point(values: Floats) -> Vec3:
    x, y, z = values.tolist()
    return (x + 0.0, y + 0.0, z + 0.0)
