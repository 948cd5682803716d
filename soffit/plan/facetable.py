"""Described faces as columns, so that two parts are set against each other all at once."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from soffit.part.model import Floats, Ints, Surface
from soffit.plan.faces import FaceDescription

Bools = NDArray[np.bool_]

# Nearer than this, two faces are in the same place (derived: far above what writing a file
# rounds, a thousandth of a wall of three lines, far below what a layer can show).
SAME_MM = 0.005

# Triangles excuse no more than this, however coarse they are (own limit: a quarter of a line).
MOST_SLACK_MM = 0.1

# Where no known form was recognised the mesh reader says "region" and CAD "freeform", a torus
# also where the other knows it.
_UNSURE = (Surface.REGION, Surface.FREEFORM)
_KINDS = {kind: k for k, kind in enumerate(Surface)}


@dataclass(frozen=True)
class FaceTable:
    """n faces: `id`, `kind`, `inward` (n,); `area`, `perimeter`, `radius` (NaN if none), `slack`,
    `extent` (n,) mm; `at`, `normal`, `axis` (zeros if none) (n, 3); `moments` (n, 3, 3) mm²."""

    id: Ints
    kind: Ints
    inward: Bools
    area: Floats
    perimeter: Floats
    radius: Floats
    slack: Floats
    at: Floats
    normal: Floats
    axis: Floats
    moments: Floats

    @property
    def extent(self) -> Floats:
        """Diagonal of the box that has the same second moments, (n,) mm."""
        trace = np.trace(self.moments, axis1=1, axis2=2)
        return np.asarray(np.sqrt(12.0 * np.maximum(trace, 0.0)))

    @property
    def flat(self) -> Bools:
        """Which faces are planes, (n,)."""
        return np.asarray(self.kind == _KINDS[Surface.PLANE])

    @property
    def size(self) -> float:
        """Diagonal of the box round all faces, by their centres and extents, mm."""
        if not len(self.id):
            return 0.0
        half = np.sqrt(3.0 * np.maximum(np.einsum("nii->ni", self.moments), 0.0))
        low, high = (self.at - half).min(axis=0), (self.at + half).max(axis=0)
        return float(np.linalg.norm(high - low))

    def moved(self, motion: Floats) -> FaceTable:
        """The faces carried along by a rigid 4×4 motion."""
        turn, shift = motion[:3, :3], motion[:3, 3]
        return replace(
            self,
            at=self.at @ turn.T + shift,
            normal=self.normal @ turn.T,
            axis=self.axis @ turn.T,
            moments=turn @ self.moments @ turn.T,
        )

    def only(self, chosen: Ints) -> FaceTable:
        """Some of the faces, by their places in the table."""
        return FaceTable(*(getattr(self, name)[chosen] for name in self.__dataclass_fields__))


def table_of(faces: Sequence[FaceDescription]) -> FaceTable:
    """Columns of these descriptions."""
    m = np.array([f.moments_mm2 for f in faces], dtype=np.float64).reshape(-1, 6)
    xx, yy, zz, xy, xz, yz = m.T
    return FaceTable(
        id=np.array([f.id for f in faces], dtype=np.int64),
        kind=np.array([_KINDS[f.surface] for f in faces], dtype=np.int64),
        inward=np.array([f.inward for f in faces], dtype=bool),
        area=np.array([f.area_mm2 for f in faces], dtype=np.float64),
        perimeter=np.array([f.perimeter_mm for f in faces], dtype=np.float64),
        radius=np.array([np.nan if f.radius_mm is None else f.radius_mm for f in faces]),
        slack=np.minimum([f.slack_mm for f in faces], MOST_SLACK_MM),
        at=np.array([f.at_mm for f in faces], dtype=np.float64).reshape(-1, 3),
        normal=np.array([f.normal for f in faces], dtype=np.float64).reshape(-1, 3),
        axis=np.array([f.axis or (0.0, 0.0, 0.0) for f in faces], np.float64).reshape(-1, 3),
        moments=np.stack([xx, xy, xz, xy, yy, yz, xz, yz, zz], axis=1).reshape(-1, 3, 3),
    )


def tolerance(a: FaceTable, b: FaceTable) -> Floats:
    """How far faces, row by row, may differ and still be the same, (n,) mm. Meshes drawn alike
    err alike, so it is mostly the difference between how finely they are drawn that counts."""
    return np.asarray(SAME_MM + 2.0 * np.abs(a.slack - b.slack) + 0.25 * (a.slack + b.slack))


def compatible(a: FaceTable, b: FaceTable) -> Bools:
    """Whether faces, row by row, can be of one form."""
    vague = [_KINDS[kind] for kind in _UNSURE]
    either = np.isin(a.kind, vague) | np.isin(b.kind, vague)
    same = (a.kind == b.kind) & (a.inward == b.inward)
    return np.asarray(same | (either & ~a.flat & ~b.flat))


def same_shape(a: FaceTable, b: FaceTable) -> Bools:
    """Whether faces, row by row, are equal in form, size and how they lie, wherever they are."""
    tol = tolerance(a, b)
    reach = np.maximum(a.extent, b.extent)
    same = compatible(a, b)
    same &= np.abs(a.area - b.area) <= tol * (np.maximum(a.perimeter, b.perimeter) + 2.0 * reach)
    same &= np.linalg.norm(a.normal - b.normal, axis=1) * reach <= 2.0 * tol
    # A side longer by d changes its moment by a sixth of side · d (derived).
    same &= np.linalg.norm(a.moments - b.moments, axis=(1, 2)) <= tol * reach / 3.0
    radius = np.abs(a.radius - b.radius)
    return np.asarray(same & (np.isnan(radius) | (radius <= tol)))


def same_place(a: FaceTable, b: FaceTable) -> Bools:
    """Whether faces of one shape, row by row, lie in one place. What borders a plane may be
    drawn coarsely, but the plane itself is where it is."""
    away = b.at - a.at
    level = np.abs(np.einsum("ij,ij->i", away, a.normal)) <= SAME_MM
    return np.asarray(
        (np.linalg.norm(away, axis=1) <= tolerance(a, b)) & (level | ~a.flat)
    )


def same_surface(a: FaceTable, b: FaceTable) -> Bools:
    """Whether planes and bores, row by row, lie on one plane or round one axis; no other does."""
    tol = tolerance(a, b)
    away = b.at - a.at
    reach = np.maximum(np.linalg.norm(away, axis=1), np.maximum(a.extent, b.extent))
    planes = a.flat & b.flat
    planes &= np.linalg.norm(a.normal - b.normal, axis=1) * reach <= 2.0 * SAME_MM
    planes &= np.abs(np.einsum("ij,ij->i", away, a.normal)) <= SAME_MM
    # The centre of a whole bore is on its axis; that of an open one is off it by as much as its
    # mean normal says, which is the same for pieces of one bore only if they open alike.
    bores = (a.kind == _KINDS[Surface.CYLINDER]) & (a.kind == b.kind) & (a.inward == b.inward)
    bores &= np.abs(a.radius - b.radius) <= tol
    off = np.linalg.norm(np.cross(away, a.axis), axis=1)
    bores &= (np.linalg.norm(np.cross(a.axis, b.axis), axis=1) * reach <= 2.0 * tol) & (off <= tol)
    return np.asarray(planes | bores)
