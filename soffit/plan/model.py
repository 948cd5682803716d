"""The outcome of resolving a part, as plain frozen data; renderers only read it."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable
from dataclasses import dataclass, field
from pathlib import Path
from typing import TYPE_CHECKING, Literal

from soffit.findings.model import Finding, Op, Review
from soffit.orient.result import WaysUp
from soffit.part.model import Body, Part
from soffit.part.quality import QualityChange
from soffit.plan.wishes import Wishes
from soffit.process.cost import Cost
from soffit.remedies.model import Edit, Safety

if TYPE_CHECKING:
    from soffit.plan.keep_out import BoxRoom, FileRoom
    from soffit.plan.replay import Replay


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
class OptionRow:
    """One option of one finding of the part as received, with what it takes and what became of it:
    `outcome` in words, `chosen` whether it is among the edits, `variant` the words that tell it
    from others of its remedy there, "" where there are none (see `plan.variants`)."""

    finding: str
    remedy: str
    op: Op
    volume_mm3: float
    cost: Cost
    safety: Safety
    why: str
    outcome: str
    chosen: bool
    variant: str = ""


@dataclass(frozen=True)
class Alternative:
    """One set of options for the part as received: `words` say what it is best at, `remedies` how
    many of each it takes. Sums over its options; `deviation_mm` is the largest of them,
    `left_mm2` what it leaves over air."""

    words: str
    remedies: tuple[tuple[str, int], ...]
    price: float
    plastic_mm3: float
    machine_s: float
    labour_s: float
    deviation_mm: float
    changed_mm2: float
    left_mm2: float
    chosen: bool


@dataclass(frozen=True)
class Push:
    """What the edge that pushes the part off meets first where it moves along `way`, "+x", "-x",
    "+y" or "-y": `meets` "part" and names of edits whose props stand there, none where it passes
    over all, and over how much of its length, mm; `stay`: edits whose props would stay behind."""

    way: str
    meets: tuple[str, ...]
    over_mm: float
    stay: tuple[str, ...] = ()


@dataclass(frozen=True)
class Ejection:
    """How the part leaves the platform: `holds_n` is what the cooled platform holds it and its
    props with."""

    holds_n: float
    pushes: tuple[Push, ...]


@dataclass(frozen=True)
class Chance:
    """One thing that may fail in a part, and of how many in a million: `what` it is, in words, and
    at what height, None where that says nothing.

    `limit`: the value of the profile that it is judged by, `demand` what is asked of it and
    `allowed` what it allows, both in its unit, `z` how many deviations the demand is inside of its
    mean and `cpk` what that is as a process capability; all four None where it is only counted.
    `range_ppm`: between what the rate lies, by the number of coupons; None where nobody measured
    the limit. `edit`: the edit that it is of, `finding` the note of the review after; "" for none.
    """

    what: str
    z_mm: tuple[float, float] | None
    limit: str
    demand: float | None
    allowed: float | None
    z: float | None
    cpk: float | None
    ppm: float
    range_ppm: tuple[float, float] | None
    calibrated: bool
    edit: str = ""
    finding: str = ""
    faces: tuple[int, ...] = ()


@dataclass(frozen=True)
class Risk:
    """How many of a million parts fail although every place is within its limits. `chances`: of
    what, the greatest first; what is counted by itself (layers, props) has no `demand`.
    `open`: places past their limits, which are findings and not in this. `target_ppm`: what the
    places were to stay below, None where nothing was asked for."""

    chances: tuple[Chance, ...]
    open: int = 0
    target_ppm: float | None = None

    @property
    def total_ppm(self) -> float:
        """Of all together, taken as independent: 1 − Π(1 − p)."""
        return together_ppm(chance.ppm for chance in self.chances)

    @property
    def range_ppm(self) -> tuple[float, float] | None:
        """Between what the total lies: all rates low, or all high, as one fit is behind many; None
        where nobody measured some limit."""
        ranges = [chance.range_ppm for chance in self.chances if chance.demand is not None]
        counted = [chance.ppm for chance in self.chances if chance.demand is None]
        known = [one for one in ranges if one is not None]
        if len(known) < len(ranges) or not known:
            return None
        return (together_ppm([*counted, *(low for low, _ in known)]),
                together_ppm([*counted, *(high for _, high in known)]))

    @property
    def places_ppm(self) -> float:
        """Of the places and props alone: what geometry can change."""
        return together_ppm(c.ppm for c in self.chances if c.demand is not None or c.edit)

    @property
    def reached(self) -> bool:
        """Whether there is a target, nothing is open, and no more fail at their places."""
        return (self.target_ppm is not None and not self.open
                and self.places_ppm <= self.target_ppm)

    @property
    def good_share(self) -> float:
        """Share of the parts that are good."""
        return 1.0 - 1e-6 * self.total_ppm

    @property
    def uncalibrated(self) -> tuple[str, ...]:
        """Values of the profile behind these figures that nobody measured."""
        return tuple(sorted({chance.limit for chance in self.chances if not chance.calibrated}))

    def of_edit(self, edit: str) -> float:
        """Of the surfaces and props of one edit."""
        return together_ppm(chance.ppm for chance in self.chances if chance.edit == edit)


def together_ppm(rates: Iterable[float]) -> float:
    """Of a million, how many fail by any of some rates that are independent."""
    all_good = sum(math.log1p(-1e-6 * min(rate, 1e6 - 1e-6)) for rate in rates)
    return 0.0 - 1e6 * math.expm1(all_good)


@dataclass(frozen=True)
class Resolution:
    """`received` and `produced` are in the same build frame. `before` reviews the part as
    received, `after` the production file as read back from disk (the props included).
    `props` are the break-away bodies. `estimate` maps "as_received", "slicer_supported"
    and "resolved" to named figures, `ejection` says how the part leaves the platform, `risk` how
    many of a million fail all the same. `files` maps a role ("step", "changes_step", "3mf", "stl",
    "recipe", "sheet_html", "sheet_pdf", "report") to a path, `missing` a role that could not be
    written to the reason. `quality` compares the CAD as received with the STEP file as read back;
    None where none was written. `options` are those of the findings of the part as received,
    `alternatives` the few best sets of them, the chosen one first. `ways_up`: all ways up that were
    looked at, where one was chosen; `others` gives other ones
    that come clean too, in case the written files of this one do not. `replay`: what became of
    the decisions of a recipe, where one was given. `keep_out`: the rooms that nothing was added to.
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
    wishes: Wishes = field(default_factory=Wishes)
    replay: Replay | None = None
    keep_out: tuple[BoxRoom | FileRoom, ...] = ()
    options: tuple[OptionRow, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    estimate: dict[str, dict[str, float]] = field(default_factory=dict)
    ejection: Ejection | None = None
    risk: Risk | None = None
    files: dict[str, str] = field(default_factory=dict)
    missing: dict[str, str] = field(default_factory=dict)
    quality: QualityChange | None = None
    ways_up: WaysUp | None = None
    others: Callable[[], Iterable[Resolution]] = tuple

    @property
    def clean(self) -> bool:
        """Nothing prints over air in the written files and every protected face is untouched."""
        return self.after.clean and not self.open and all(p.untouched for p in self.protected)

    @property
    def up_why(self) -> str:
        """Why this way up was chosen, in a sentence; "" where it was given."""
        return "" if self.ways_up is None else self.ways_up.why_taken(self.before.up)

    def _repr_html_(self) -> str:
        from soffit.sheet.notebook import resolution_html

        return resolution_html(self)

    def write(
        self, out_dir: str | Path, *, paper: Literal["a3", "a4", "letter"] = "a3",
        revision: str = "", prepared_for: str = "",
        progress: Callable[[str, int, int], None] | None = None
    ) -> Resolution:
        """Write the production files to this folder; returns the resolution as proven on them.
        `paper`: that of the change sheet; the floor traveller is on Letter or A4. `revision` of the
        part, and whom the sheet is `prepared_for`, are for its title block."""
        from soffit.sheet.issue import Issue
        from soffit.sheet.release import write_release

        return write_release(self, Path(out_dir), issue=Issue(paper, revision, prepared_for),
                             progress=progress)

    def package(
        self, out: str | Path, *, paper: Literal["a3", "a4", "letter"] = "a3",
        revision: str = "", prepared_for: str = "",
        progress: Callable[[str, int, int], None] | None = None
    ) -> Resolution:
        """Write all of it as one ZIP file that proves itself (`soffit.verify`); returns the
        resolution as proven on what is in it. `paper`, `revision` and `prepared_for` as of
        `write`."""
        from soffit.sheet.issue import Issue
        from soffit.sheet.package import package_result

        return package_result(self, Path(out), issue=Issue(paper, revision, prepared_for),
                              progress=progress)
