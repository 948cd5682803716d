"""Findings and reviews as plain frozen data; renderers only read them."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Literal

import numpy as np

from soffit.part.model import Floats, Ints, Part, Vec3
from soffit.part.model import Severity as Severity
from soffit.process.model import Process


@dataclass(frozen=True)
class Patch:
    """Where a finding lies, in the build frame; what remedies and drawings start from.

    `rings`: plan outline, outer rings counter-clockwise, holes clockwise, each (n, 2) mm.
    `anchors`: plan polylines, each (n, 2), along which the patch is held by the layer
    below. `triangles`: mesh triangles over the patch. `z_mm`: lowest and highest point of
    that surface. `bridge_dir`: unit plan direction of the strands of a bridge or ceiling.
    `layers`: first and last layer concerned.
    """

    rings: tuple[Floats, ...]
    anchors: tuple[Floats, ...]
    triangles: Ints
    z_mm: tuple[float, float]
    layers: tuple[int, int]
    bridge_dir: tuple[float, float] | None = None
    pierced: bool = False


NO_PATCH = Patch((), (), np.empty(0, dtype=np.int64), (0.0, 0.0), (0, 0))


@dataclass(frozen=True)
class Finding:
    """One place that would print over air, or one reason why a run could fail.

    `limit` is the measure allowed, in the unit of the measure that the kind is judged by
    (`reach_mm` for ledges and slopes, `span_mm` for bridges and ceilings); None where
    nothing is allowed. `faces` are 1-based face ids. `angle_deg` is the downskin angle
    from the platform, area-weighted.
    """

    id: str
    kind: str
    severity: Severity
    z_mm: tuple[float, float]
    at_mm: Vec3
    area_mm2: float
    reach_mm: float | None
    span_mm: float | None
    angle_deg: float | None
    limit: float | None
    faces: tuple[int, ...]
    message: str
    patch: Patch = field(default=NO_PATCH, compare=False, repr=False)

    def _repr_html_(self) -> str:
        from soffit.sheet.notebook import finding_html

        return finding_html(self)


@dataclass(frozen=True)
class Margin:
    """One place within a limit: how near it comes. `limit` is its name (`process.limits.LIMITS`),
    `demand` what the place asks of it, in its unit; `kind` that of the finding that it would be.
    `finding`: the note that says it, "" where none does."""

    limit: str
    demand: float
    kind: str
    z_mm: tuple[float, float]
    at_mm: Vec3
    faces: tuple[int, ...] = ()
    finding: str = ""


@dataclass(frozen=True)
class Coarse:
    """How an answer was coarsened: `layers_at_once` layers were looked at as one, `layer_mm`
    thick, that may step out by `step_mm`. `left_out`: kinds of finding that were not looked for.
    """

    layers_at_once: int
    layer_mm: float
    step_mm: float
    left_out: tuple[str, ...]

    @property
    def message(self) -> str:
        """What that means, in a sentence or two."""
        return (
            f"Coarse answer, no verdict: {self.layers_at_once} layers looked at as one of "
            f"{self.layer_mm:.2f} mm. What is thinner can be missed, slopes end to "
            f"{self.step_mm:.2f} mm, reaches are up to as much too long; not looked for: "
            f"{', '.join(self.left_out)}."
        )


@dataclass(frozen=True)
class Review:
    """All findings of one part made by one process in one orientation, sorted by height.

    `clean`: nothing remains over air beyond what the process can span. `over_air_mm2`: sum of
    `area_mm2` of the `air/*` findings that are not notes. `coarse`: set where the answer is only
    a coarse one, which is never `clean`. `margins`: the places within their limits that come near
    them, of a full review.
    """

    part: Part
    process: Process
    up: Vec3
    findings: tuple[Finding, ...]
    coarse: Coarse | None = None
    margins: tuple[Margin, ...] = ()

    @property
    def air(self) -> tuple[Finding, ...]:
        """The `air/*` findings that are not notes."""
        return tuple(f for f in self.findings if f.kind.startswith("air/") and f.severity != "note")

    @property
    def unattended(self) -> tuple[Finding, ...]:
        """What else may stop a run without anybody beside it: the rest but `file/*`."""
        return tuple(f for f in self.findings if not f.kind.startswith(("air/", "file/")))

    @property
    def clean(self) -> bool:
        """Whether nothing prints over air and no finding of any kind is a blocker, as the full
        review says."""
        return self.coarse is None and not self.stopping

    @property
    def stopping(self) -> tuple[Finding, ...]:
        """What keeps the part from being clean: what is over air, and blockers of any kind."""
        return tuple(
            f for f in self.findings
            if f.severity == "blocker" or (f.kind.startswith("air/") and f.severity != "note")
        )

    @property
    def over_air_mm2(self) -> float:
        """Plan area that prints over air, mm²."""
        return float(sum(f.area_mm2 for f in self.air))

    def _repr_html_(self) -> str:
        from soffit.sheet.notebook import review_html

        return review_html(self)


Op = Literal["add", "cut", "prop"]
