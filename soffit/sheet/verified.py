"""What a package says of itself, and what its geometry says now: `soffit.verify/1`."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from soffit.part.model import Vec3
from soffit.plan.model import ProtectedFace
from soffit.plan.report_parts import number, numbers

# How far the area over air may be from the stated one: a hundredth, and what rounding makes of
# nothing (own choice: another processor may cut a facet otherwise).
AREA_REL, AREA_MM2 = 0.01, 0.1


@dataclass(frozen=True)
class Judged:
    """The review of one geometry file: what prints over air, and how many places stop it."""

    role: str
    file: str
    over_air_mm2: float
    stopping: int

    @property
    def clean(self) -> bool:
        """Whether nothing stops it."""
        return not self.stopping


@dataclass(frozen=True)
class Verified:
    """A package that is whole, and what its geometry says now. `part`, `unit`, `up`, `process`: as
    stated. `protected`: measured again where the part as received was given; else None, and
    `protected_stated` is what the report says."""

    package: str
    part: str
    unit: str
    up: Vec3
    process: str
    files: tuple[str, ...]
    judged: tuple[Judged, ...]
    stated_clean: bool
    stated_mm2: float
    protected_stated: bool
    protected: tuple[ProtectedFace, ...] | None

    @property
    def untouched(self) -> bool:
        """Whether every protected face is where it was, as far as is known."""
        if self.protected is None:
            return self.protected_stated
        return all(face.untouched for face in self.protected)

    @property
    def clean(self) -> bool:
        """Whether it is clean now."""
        return all(one.clean for one in self.judged) and self.untouched

    @property
    def departs(self) -> tuple[str, ...]:
        """Each way in which the verdict does not stand, a sentence each."""
        found = []
        if self.stated_clean != self.clean:
            said, now = (("clean", "not clean") if self.stated_clean else ("not clean", "clean"))
            found.append(f"stated {said}, found {now}")
        worst = max(one.over_air_mm2 for one in self.judged)
        if abs(worst - self.stated_mm2) > AREA_REL * self.stated_mm2 + AREA_MM2:
            found.append(f"{self.stated_mm2:.1f} mm² over air stated, {worst:.1f} mm² found")
        if self.untouched != self.protected_stated:
            found.append("a protected face is not where the report says")
        return tuple(found)

    @property
    def stands(self) -> bool:
        """Whether the verdict still stands."""
        return not self.departs


def verified_json(found: Verified) -> dict[str, Any]:
    """It as one JSON object."""
    return {
        "schema": "soffit.verify/1",
        "package": found.package,
        "part": {"file": found.part, "unit": found.unit},
        "up": numbers(found.up),
        "process": found.process,
        "files": list(found.files),
        "stated": {"clean": found.stated_clean, "over_air_mm2": number(found.stated_mm2),
                   "protected_untouched": found.protected_stated},
        "found": {
            "clean": found.clean,
            "geometry": [{"role": one.role, "file": one.file, "clean": one.clean,
                          "over_air_mm2": number(one.over_air_mm2), "stopping": one.stopping}
                         for one in found.judged],
            "protected": None if found.protected is None else [
                {"face": face.face, "selector": face.selector, "untouched": face.untouched,
                 "deviation_mm": number(face.deviation_mm), "allowed_mm": number(face.allowed_mm)}
                for face in found.protected],
        },
        "stands": found.stands,
        "departs": list(found.departs),
    }
