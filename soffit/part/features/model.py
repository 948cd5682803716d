"""Recognised features as plain frozen data.

Positions and directions are in the build frame, mm. What a feature may be for is never more
than an offer: every size that fits is listed, none is chosen.
"""

from __future__ import annotations

import enum
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from soffit.part.model import Part, Vec3

Confidence = Literal["likely", "as listed", "near"]
Shape = Literal["circle", "rectangle", "grid", "line", "pair"]


class Use(enum.Enum):
    """What a feature may be for; the value is also how `--protect` names all of them."""

    THREAD = "threads"
    CLEARANCE = "clearance holes"
    PIN = "pins"
    BEARING = "bearing seats"
    INSERT = "inserts"
    FLANGE = "flanges"


@dataclass(frozen=True)
class Reading:
    """One thing that a feature may be.

    `nominal_mm` is the listed size and `measured_mm` what the part has. "near": it fits no
    better than that, or at another depth; "as listed": the size is the listed one; "likely":
    the shape agrees too, and nothing of another use fits. `source` and `grade` are those of the
    table that lists it.
    """

    use: Use
    what: str
    nominal_mm: float
    measured_mm: float
    confidence: Confidence
    source: str
    grade: str


@dataclass(frozen=True)
class Section:
    """One stretch of a hole: its diameter where a tool enters and where it ends (the same but
    for a cone), its length along the axis, and the faces that wall it."""

    enter_mm: float
    end_mm: float
    depth_mm: float
    faces: tuple[int, ...]

    @property
    def tapered(self) -> bool:
        """Whether it is a cone: a countersink, a chamfered mouth or the tip of a drill."""
        return self.enter_mm != self.end_mm


@dataclass(frozen=True)
class RoundHole:
    """A round hole with all of its steps.

    `faces`: walls, shoulders and floor. `at_mm`: the middle of its axis. `axis`: unit vector
    from the opening inwards. `sections` in that order. `mouths`: flat faces that it opens into
    at right angles, each with whether it is the far one.
    """

    id: str
    faces: tuple[int, ...]
    at_mm: Vec3
    axis: Vec3
    through: bool
    sections: tuple[Section, ...]
    mouths: tuple[Mouth, ...]
    may_be: tuple[Reading, ...] = ()

    @cached_property
    def diameter_mm(self) -> float:
        """Diameter of its narrowest cylinder."""
        return min(s.enter_mm for s in self.sections if not s.tapered)

    @property
    def depth_mm(self) -> float:
        """Length of all sections."""
        return sum(s.depth_mm for s in self.sections)

    @property
    def protect(self) -> bool:
        """Whether `--protect features` keeps it: only where something is known that fits."""
        return bool(self.may_be)


@dataclass(frozen=True)
class Mouth:
    """A flat face that a hole opens into: `far` at the end of its axis, `headed` where the hole
    is wider at that end for a screw's head."""

    face: int
    far: bool
    headed: bool


@dataclass(frozen=True)
class HolePattern:
    """Equal parallel holes that open into one plane.

    `faces`: those of its holes. `at_mm`: the middle of its first hole. `size_mm`: diameter of
    the circle, sides of the rectangle (the longer first), pitches of the grid, pitch of the line or
    distance of the pair.
    """

    id: str
    faces: tuple[int, ...]
    at_mm: Vec3
    shape: Shape
    holes: tuple[str, ...]
    size_mm: tuple[float, ...]
    may_be: tuple[Reading, ...] = ()
    protect: bool = True


@dataclass(frozen=True)
class MatingFace:
    """Flat faces in one plane that all holes of a pattern open into: something may lie there. As
    most parts have some, and a chamfer covers a little of what is beside it, they are kept only
    where they are asked for.

    `at_mm`: their centroid. `normal`: outward unit vector.
    """

    id: str
    faces: tuple[int, ...]
    at_mm: Vec3
    normal: Vec3
    area_mm2: float
    patterns: tuple[str, ...]
    protect: bool = False


Feature = RoundHole | HolePattern | MatingFace


@dataclass(frozen=True)
class Features:
    """What was recognised on a part, in its frame, each kind in the order of its ids."""

    part: Part
    holes: tuple[RoundHole, ...] = ()
    patterns: tuple[HolePattern, ...] = ()
    mating: tuple[MatingFace, ...] = ()

    @property
    def all(self) -> tuple[Feature, ...]:
        """Holes, then patterns, then mating faces."""
        return (*self.holes, *self.patterns, *self.mating)

    @property
    def protected_faces(self) -> tuple[int, ...]:
        """Faces that `--protect features` keeps, sorted."""
        return tuple(sorted({face for f in self.all if f.protect for face in f.faces}))
