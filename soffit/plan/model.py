"""The outcome of resolving a part, as plain frozen data; renderers only read it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from soffit.findings.model import Finding, Review
from soffit.part.model import Body, Part
from soffit.remedies.model import Edit


@dataclass(frozen=True)
class OpenFinding:
    """A finding that could not be resolved, and why each remedy was refused."""

    finding: Finding
    reason: str


@dataclass(frozen=True)
class ProtectedFace:
    """A protected face of the part as received and how far the produced part departs from it,
    measured on the file read back, mm."""

    face: int
    selector: str
    deviation_mm: float
    allowed_mm: float

    @property
    def untouched(self) -> bool:
        """Whether the face is where it was, to within tessellation."""
        return self.deviation_mm <= self.allowed_mm


@dataclass(frozen=True)
class Resolution:
    """`received` and `produced` are in the same build frame. `before` reviews the part as
    received, `after` the production file as read back from disk (the props included).
    `props` are the break-away bodies. `estimate` maps "as_received", "slicer_supported"
    and "resolved" to named figures. `files` maps a role ("step", "3mf", "stl", "recipe",
    "sheet_html", "sheet_pdf", "report") to a path.
    """

    received: Part
    produced: Part
    props: tuple[Body, ...]
    before: Review
    after: Review
    edits: tuple[Edit, ...]
    open: tuple[OpenFinding, ...]
    protected: tuple[ProtectedFace, ...]
    quantity: int
    estimate: dict[str, dict[str, float]] = field(default_factory=dict)
    files: dict[str, str] = field(default_factory=dict)

    @property
    def clean(self) -> bool:
        """Nothing prints over air in the written files and every protected face is untouched."""
        return self.after.clean and not self.open and all(p.untouched for p in self.protected)

    def write(
        self, out_dir: str | Path, *, progress: Callable[[str, int, int], None] | None = None
    ) -> Resolution:
        """Write the production files to this folder; returns the resolution as proven on them."""
        from soffit.sheet.release import write_release

        return write_release(self, Path(out_dir), progress=progress)
