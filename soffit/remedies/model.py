"""Options and edits as plain frozen data."""

from __future__ import annotations

from dataclasses import dataclass

from soffit.findings.model import Op
from soffit.part.solid import Solid


@dataclass(frozen=True)
class Option:
    """One way to cure one finding.

    `solid` is what to add, cut or stand beside the part. `rank` is the place of the remedy
    in the order of preference (1 first). `why` says in one sentence why it fits here.
    `after` names work left after printing ("drill out the membrane"), or "".
    `volume_mm3` is what it adds to, cuts from or stands beside the part, by the mesh kernel.
    """

    remedy: str
    finding: str
    op: Op
    solid: Solid
    rank: int
    why: str
    after: str = ""
    volume_mm3: float = 0.0


@dataclass(frozen=True)
class Edit:
    """An option that was applied, with what it did, measured.

    `finding` is the id of the finding in the review of the part as received, or "" for one
    that another edit brought about. `volume_mm3` is the volume that the part (or prop) gained
    or, for a cut, lost.
    `faces`: ids of the faces of the part as received that it touches.
    `at_mm`: a point on it in the build frame. `z_mm`: its lowest and highest point.
    """

    id: str
    finding: str
    remedy: str
    op: Op
    volume_mm3: float
    faces: tuple[int, ...]
    at_mm: tuple[float, float, float]
    z_mm: tuple[float, float]
    why: str
    after: str
    solid: Solid
