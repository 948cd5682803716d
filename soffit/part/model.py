"""The part as plain, immutable data.

`Part` holds a triangle mesh in the build frame (mm, z up, platform at z = 0 once
placed), the faces that its triangles belong to and, for STEP input, the B-rep as
an opaque byte string in the file's own frame. Kernel objects never leave the kernel
process, so a part can be kept, compared, sent and rolled back freely.
"""

from __future__ import annotations

import enum
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from functools import cached_property
from typing import TYPE_CHECKING, Literal

import numpy as np
from numpy.typing import NDArray

if TYPE_CHECKING:
    from scipy.spatial import cKDTree

    from soffit.part.solid import Solid

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Vec3 = tuple[float, float, float]
Severity = Literal["blocker", "marginal", "note"]


def vec3(values: Floats) -> Vec3:
    """Three numbers, (3,), as a tuple."""
    x, y, z = values.tolist()
    return (x, y, z)


class Surface(enum.Enum):
    """What a face lies on. `REGION` is a smooth patch of a mesh whose surface is not known."""

    PLANE = "plane"
    CYLINDER = "cylinder"
    CONE = "cone"
    SPHERE = "sphere"
    TORUS = "torus"
    FREEFORM = "freeform"
    REGION = "region"


@dataclass(frozen=True)
class Mesh:
    """Triangles with the face that each belongs to.

    `vertices` (n, 3) float64, mm. `triangles` (m, 3) int64, counter-clockwise seen from
    outside. `face_of` (m,) int64, id of the face (1-based, see `Part.faces`).
    `normals` (m, 3) float64, outward unit normal of the true surface at each triangle's
    centroid: from the B-rep where there is one, else the facet's own.
    `body_of` (m,) int64, body that each triangle bounds, 0-based.
    """

    vertices: Floats
    triangles: Ints
    face_of: Ints
    normals: Floats
    body_of: Ints

    @cached_property
    def corners(self) -> Floats:
        """Corner points, (m, 3, 3) float64, mm."""
        return self.vertices[self.triangles]

    @cached_property
    def cross(self) -> Floats:
        """Cross product of each triangle's first two edges, (m, 3), as long as twice its area."""
        c = self.corners
        return np.cross(c[:, 1] - c[:, 0], c[:, 2] - c[:, 0])

    @cached_property
    def areas(self) -> Floats:
        """Area of each triangle, (m,) mm²."""
        return np.asarray(0.5 * np.linalg.norm(self.cross, axis=1))

    @property
    def volume_mm3(self) -> float:
        """Signed volume by the divergence theorem, mm³."""
        c = self.corners
        origin = c.reshape(-1, 3).mean(axis=0) if len(c) else np.zeros(3)
        return float(np.einsum("ij,ij->i", c[:, 0] - origin, self.cross).sum() / 6.0)

    @property
    def area_mm2(self) -> float:
        """Surface area, mm²."""
        return float(self.areas.sum())

    @cached_property
    def bounds(self) -> Floats:
        """Lowest and highest corner, (2, 3) mm."""
        used = np.zeros(len(self.vertices), dtype=bool)
        used[self.triangles.reshape(-1)] = True
        points = self.vertices[used]
        return np.array([points.min(axis=0), points.max(axis=0)])

    @cached_property
    def boxes(self) -> tuple[Floats, Floats]:
        """Lowest and highest corner of the box of each triangle, (m, 3) each, mm."""
        return self.corners.min(axis=1), self.corners.max(axis=1)

    @cached_property
    def nodes(self) -> cKDTree:
        """Its corner points as a tree of neighbours."""
        from scipy.spatial import cKDTree

        return cKDTree(self.vertices[np.unique(self.triangles)])

    def of_face(self, face_id: int) -> Ints:
        """Indices of the triangles of a face, (k,), ascending."""
        order, faces = self._by_face
        low, high = np.searchsorted(faces, [face_id, face_id + 1])
        return order[low:high]

    @cached_property
    def _by_face(self) -> tuple[Ints, Ints]:
        order = np.argsort(self.face_of, kind="stable")
        return order, self.face_of[order]

    @property
    def nbytes(self) -> int:
        """Memory of the arrays, bytes."""
        arrays = (self.vertices, self.triangles, self.face_of, self.normals, self.body_of)
        return sum(a.nbytes for a in arrays)


@dataclass(frozen=True)
class Face:
    """One B-rep face, or one region of a mesh. Positions and directions are in the build frame.

    `centroid` lies on or near the face, `normal` is outward there. `axis_point`/`axis_dir`
    and `radius_mm` are set for cylinders, cones (radius at the reference plane), spheres
    (no direction) and tori (major radius). `inward` is true where the material lies outside
    the curved surface (a hole). `color` is RGB 0..1 as the file states it, else None.
    `origin` is the id of the face of the part as received that this one is, or is cut from;
    None for a face that an edit made, which then carries the edit's id in `edit`.
    """

    id: int
    surface: Surface
    body: int
    area_mm2: float
    centroid: Vec3
    normal: Vec3
    axis_point: Vec3 | None = None
    axis_dir: Vec3 | None = None
    radius_mm: float | None = None
    inward: bool = False
    name: str | None = None
    color: Vec3 | None = None
    origin: int | None = None
    edit: str | None = None


@dataclass(frozen=True)
class FileNote:
    """Something about the file that the user must know; becomes a `file/*` finding."""

    kind: str
    severity: Severity
    message: str
    count: int = 1
    at_mm: Vec3 | None = None


@dataclass(frozen=True)
class Source:
    """Where a part came from. `unit` is the unit its numbers were written in; `stated_by`
    says who stated it: "file", "option" or "object"."""

    file: str
    format: str
    sha256: str
    unit: str
    stated_by: str


@dataclass(frozen=True)
class Part:
    """What came in, in the build frame. Never modified: each verb returns a new part.

    `placement` is the 4×4 rigid transform that took the file's frame (in mm) to the build
    frame. `brep` is the part's solids as kernel bytes in the file's frame, or None for a
    mesh. `deflection_mm` is the largest distance between mesh and true surface (0 for a
    mesh: there the triangles are the truth). `props` are separate bodies that break away.
    """

    source: Source
    mesh: Mesh
    faces: tuple[Face, ...]
    bodies: int
    closed: bool
    notes: tuple[FileNote, ...] = ()
    placement: Floats = field(default_factory=lambda: np.eye(4))
    brep: bytes | None = None
    deflection_mm: float = 0.0

    def _repr_svg_(self) -> str:
        from soffit.sheet.notebook import part_svg

        return part_svg(self)

    def face(self, face_id: int) -> Face:
        """Face by its 1-based id."""
        return self.faces[face_id - 1]

    @cached_property
    def size_mm(self) -> Vec3:
        """Extent along x, y, z in the build frame, mm."""
        low, high = self.mesh.bounds
        x, y, z = (high - low).tolist()
        return (x, y, z)

    def triangles_of(self, face_ids: Sequence[int]) -> Ints:
        """Indices of the triangles of these faces, (k,)."""
        return np.flatnonzero(np.isin(self.mesh.face_of, np.asarray(face_ids)))


@dataclass(frozen=True)
class Change:
    """One boolean to apply to a part: `op` adds or cuts `solid` (build frame); faces that it
    makes carry `edit` as their `Face.edit` and `name` as their `Face.name`. `due_mm3`: what it adds
    or takes away where nothing else was changed, if that is known: a kernel that makes something
    else of the solid is found out."""

    op: Literal["add", "cut"]
    solid: Solid
    edit: str
    name: str
    due_mm3: float | None = None

    def named(self, edit: str) -> Change:
        """The same change as another edit."""
        return replace(self, edit=edit, name=self.name.replace(self.edit, edit, 1))


@dataclass(frozen=True)
class Body:
    """A named separate body, such as a break-away prop, in the build frame."""

    name: str
    solid: Solid
    mesh: Mesh
