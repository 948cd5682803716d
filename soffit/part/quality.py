"""How good a B-rep is as CAD, and what became worse between two states of it.

Sound to a CAD user is a solid that the geometry checker takes, closed, with no face or edge too
small to pick, no tolerance that shows, and no face that is in two pieces without need. What a
part brought along is the customer's; only what came anew is a fault.
"""

from __future__ import annotations

from dataclasses import dataclass
from itertools import groupby
from typing import Literal, cast

from soffit.errors import GeometryError
from soffit.part import kernel
from soffit.part.model import Part, Vec3

# A face under this area or mean width (twice its area over its border) is a sliver: a square of a
# quarter of a line's width, and a tenth of the least step that a machine makes (derived).
SLIVER_MM2 = 0.01
SLIVER_MM = 0.005
# An edge shorter than this is no edge to a CAD user (derived: a tenth of a micrometre grid).
SHORT_MM = 1e-3
# A vertex or edge that is looser than this is loose; the kernel's own default is 1e-7 mm, and
# exchange of exact planes and cones keeps it (derived).
LOOSE_MM = 1e-4

DefectKind = Literal["loose", "mergeable", "short", "sliver"]
# In words: one, several, and the unit of the size.
_WORDS: dict[DefectKind, tuple[str, str, str]] = {
    "loose": (f"edge or vertex with a tolerance above {LOOSE_MM:g} mm",
              f"edges or vertices with a tolerance above {LOOSE_MM:g} mm", "mm"),
    "mergeable": ("pair of neighbouring faces on one surface that is not merged",
                  "pairs of neighbouring faces on one surface that are not merged", "mm"),
    "short": (f"edge shorter than {SHORT_MM:g} mm", f"edges shorter than {SHORT_MM:g} mm", "mm"),
    "sliver": ("sliver face", "sliver faces", "mm²"),
}


@dataclass(frozen=True)
class BrepQuality:
    """What the solids of a B-rep are like.

    `valid`: the kernel's checker finds no fault. `closed`: each edge is used by two faces of its
    solid, once each way. `slivers`, `short_edges`, `loose`, `mergeable`: how many there are (see
    `Defect`). The tolerances are the largest of all vertices, edges and faces, mm.
    """

    valid: bool
    closed: bool
    faces: int
    slivers: int
    mergeable: int
    short_edges: int
    loose: int
    vertex_tolerance_mm: float
    edge_tolerance_mm: float
    face_tolerance_mm: float


@dataclass(frozen=True)
class Defect:
    """One blemish, at a point in the file's frame.

    "loose": a vertex or edge, `size` its tolerance in mm. "mergeable": an edge between two faces
    that lie on one surface, `size` its length in mm. "short": an edge, its length in mm.
    "sliver": a face, its area in mm².
    """

    kind: DefectKind
    at_mm: Vec3
    size: float


@dataclass(frozen=True)
class QualityChange:
    """The quality of a part as received and as produced. `new`: the defects of the part that lie
    where there was none of their kind, sorted by kind, the worst first. `props`: what stands
    beside the part, if anything does; it breaks away, so its small faces are no faults."""

    before: BrepQuality
    after: BrepQuality
    new: tuple[Defect, ...]
    props: BrepQuality | None

    @property
    def faults(self) -> tuple[str, ...]:
        """What became worse, a phrase each."""
        found: list[str] = []
        if self.before.valid and not self.after.valid:
            found.append("the geometry checker rejects a solid")
        if self.before.closed and not self.after.closed:
            found.append("a solid does not close")
        if self.props is not None and not self.props.valid:
            found.append("the geometry checker rejects a prop")
        if self.props is not None and not self.props.closed:
            found.append("a prop does not close")
        for kind, same in groupby(self.new, key=lambda defect: defect.kind):
            first, *more = same
            one, many, unit = _WORDS[kind]
            x, y, z = first.at_mm
            found.append(f"{1 + len(more)} new {many if more else one} "
                         f"(first at {x:.3f}, {y:.3f}, {z:.3f} in the frame of the file: "
                         f"{first.size:.2g} {unit})")
        return tuple(found)


def brep_quality(part: Part, *, timeout_s: float = 300.0) -> BrepQuality:
    """Quality of the part's B-rep. Raises GeometryError for a part without one, KernelError."""
    made = kernel.call(
        "soffit.part.brep.quality:quality",
        _brep(part),
        timeout_s=timeout_s,
        doing=f"judging the CAD of {part.source.file}",
    )
    return cast(BrepQuality, made)


def quality_change(
    before: Part, after: Part, own: int, *, timeout_s: float = 300.0
) -> QualityChange:
    """What became of the quality between two states of a part, both in one file's frame; the
    first `own` bodies of `after` are the part, the rest are props.

    Raises GeometryError for a part without B-rep, KernelError where the kernel fails.
    """
    made = kernel.call(
        "soffit.part.brep.quality:change",
        _brep(before),
        _brep(after),
        own,
        timeout_s=timeout_s,
        doing=f"judging the CAD of {after.source.file}",
    )
    return cast(QualityChange, made)


def _brep(part: Part) -> bytes:
    if part.brep is None:
        raise GeometryError(f"judging the CAD of {part.source.file}: it has no B-rep")
    return part.brep
