"""An invented bracket and its revisions, with the truth of what became of each feature.

A foot, a wall on it, shelves and bores in the wall, pockets in the foot from below. Each feature
has a name that it keeps over all revisions, whatever is done to it.
"""

from __future__ import annotations

import math
import random
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from functools import cache
from pathlib import Path

import numpy as np
from OCP.TopoDS import TopoDS_Shape

import soffit
from soffit.findings.model import Review
from soffit.part.model import Floats, Part
from soffit.part.solid import box as solid_box
from soffit.plan.match_findings import describe_findings
from soffit.plan.model import ProtectedFace, Resolution
from soffit.plan.recipe import Recipe, recipe_of
from soffit.remedies.model import Edit
from tests.shapes import box, cut, cylinder, fuse, move, read, turn

WALL = 8.0  # thickness of the wall and of the foot, mm
DEPTH = 60.0  # of the foot, mm


@dataclass(frozen=True)
class Shelf:
    """A shelf 5 thick over `width` from x on, its underside at z, `out` from the wall."""

    x: float
    z: float
    width: float
    out: float

    def make(self, body: TopoDS_Shape) -> TopoDS_Shape:
        y = DEPTH - WALL
        return fuse(body, box((self.x, y - self.out, self.z), (self.x + self.width, y, self.z + 5)))

    def holds(self, at: Floats) -> bool:
        """Whether a finding with its middle there is the shelf's."""
        return bool(self.x < at[0] < self.x + self.width and abs(at[2] - self.z) < 0.5)


@dataclass(frozen=True)
class Bore:
    """A bore through the wall at x, z."""

    x: float
    z: float
    radius: float

    def make(self, body: TopoDS_Shape) -> TopoDS_Shape:
        tool = cylinder((self.x, DEPTH - WALL - 1, self.z), (0, 1, 0), self.radius, WALL + 2)
        return cut(body, tool)

    def holds(self, at: Floats) -> bool:
        """Whether a finding with its middle there is the bore's."""
        return bool(abs(at[0] - self.x) < self.radius and 0 < at[2] - self.z < self.radius + 0.5
                    and at[1] > DEPTH - WALL)


@dataclass(frozen=True)
class Pocket:
    """A pocket in the foot from below, 5 deep, about x, y."""

    x: float
    y: float
    width: float
    length: float

    def make(self, body: TopoDS_Shape) -> TopoDS_Shape:
        w, d = self.width / 2, self.length / 2
        return cut(body, box((self.x - w, self.y - d, -1), (self.x + w, self.y + d, 5)))

    def holds(self, at: Floats) -> bool:
        """Whether a finding with its middle there is the pocket's."""
        return bool(abs(at[0] - self.x) < self.width / 2 and abs(at[1] - self.y) < self.length / 2
                    and at[2] < 6)


Feature = Shelf | Bore | Pocket

FEATURES: dict[str, Feature] = {
    "shelf_low": Shelf(10, 30, 24, 14),
    "shelf_high": Shelf(92, 52, 30, 11),
    "bore_1": Bore(50, 50, 4),
    "bore_2": Bore(50, 68, 4),
    "bore_3": Bore(32, 68, 4),
    "bore_4": Bore(14, 68, 4),
    "pocket_1": Pocket(20, 20, 24, 26),
    "pocket_2": Pocket(52, 20, 24, 26),
    "pocket_3": Pocket(84, 20, 24, 26),
    "pocket_4": Pocket(118, 22, 25, 30),
}


@dataclass(frozen=True)
class Bracket:
    """One revision. `turned_deg` about z and then `shifted`: the whole part in its file."""

    features: Mapping[str, Feature] = field(default_factory=lambda: FEATURES)
    length: float = 140.0
    height: float = 84.0
    turned_deg: float = 0.0
    shifted: tuple[float, float, float] = (0.0, 0.0, 0.0)

    def but(self, **changed: Feature | None) -> Bracket:
        """The bracket with features changed, added or (None) left out."""
        features = {**self.features, **changed}
        return replace(self, features={k: f for k, f in features.items() if f is not None})

    def shape(self) -> TopoDS_Shape:
        """The solid as it lies in its file."""
        body = fuse(box((0, 0, 0), (self.length, DEPTH, WALL)),
                    box((0, DEPTH - WALL, 0), (self.length, DEPTH, self.height)))
        for feature in self.features.values():
            body = feature.make(body)
        return move(turn(body, self.turned_deg), self.shifted)

    def own(self, at_file: tuple[float, float, float]) -> Floats:
        """A point of the file in the bracket's own frame."""
        a = math.radians(self.turned_deg)
        x, y, z = np.subtract(at_file, self.shifted)
        return np.array([math.cos(a) * x + math.sin(a) * y, math.cos(a) * y - math.sin(a) * x, z])

    def place_of(self, at_file: tuple[float, float, float]) -> str:
        """Name of the feature that a finding with its middle there is of; of the two flanks of a
        bore, which one."""
        at = self.own(at_file)
        owners = [name for name, feature in self.features.items() if feature.holds(at)]
        assert len(owners) == 1, (at, owners)
        feature = self.features[owners[0]]
        if isinstance(feature, Bore):
            return f"{owners[0]} {'left' if at[0] < feature.x else 'right'}"
        return owners[0]

    def places(self, review: Review) -> dict[str, str]:
        """Id of the finding over air by place."""
        found = {self.place_of(f.at_mm): f.id
                 for f in describe_findings(review.part, review.air)}
        assert len(found) == len(review.air)
        return found


def reviewed(bracket: Bracket, folder: Path) -> Review:
    """The bracket by way of a STEP file, as drawn."""
    return soffit.review(read(bracket.shape(), folder, "bracket"))


def decided(review: Review, protect: tuple[int, ...] = ()) -> Recipe:
    """A recipe with one decision for every finding over air, as if each had been filled."""
    return recipe_of(resolution(review, protect))


def resolution(review: Review, protect: tuple[int, ...] = ()) -> Resolution:
    """One edit for every finding over air, "E-F3" for F3; nothing is really made."""
    edits = tuple(
        Edit(f"E-{f.id}", f.id, "fill", "add", f.area_mm2, f.faces, f.at_mm, f.z_mm, "so decided",
             "", solid_box((0, 0, 0), (1, 1, 1)))
        for f in review.air
    )
    part: Part = review.part
    kept = tuple(ProtectedFace(face, f"face {face}", 0.0, 0.04) for face in protect)
    return Resolution(part, part, (), review, review, edits, (), kept, 1)


def any_revision(seed: int) -> Bracket:
    """A revision by chance: features left out, moved by up to 6 mm, resized, one added; turned."""
    rng = random.Random(seed)

    def by(most: float) -> float:
        return round(rng.uniform(-most, most), 2)

    changed: dict[str, Feature | None] = {}
    for name, feature in FEATURES.items():
        fate = rng.random()
        size = rng.uniform(0.75, 1.35)
        if fate < 0.15:
            changed[name] = None
        elif fate < 0.6:
            move_it = fate < 0.45
            if isinstance(feature, Shelf):
                changed[name] = (replace(feature, x=feature.x + by(6), z=feature.z + by(6))
                                 if move_it else replace(feature, width=feature.width * size))
            elif isinstance(feature, Bore):
                changed[name] = (replace(feature, x=feature.x + by(5), z=feature.z + by(3.5))
                                 if move_it else replace(feature, radius=feature.radius * size))
            else:
                changed[name] = (replace(feature, x=feature.x + by(3), y=feature.y + by(6))
                                 if move_it else replace(feature, length=feature.length * size))
    if rng.random() < 0.3:
        changed["shelf_new"] = Shelf(70, 20, 18, 16)
    bracket = Bracket().but(**changed)
    if rng.random() < 0.4:
        turned_deg = rng.choice([90.0, 180.0, 270.0])
        return replace(bracket, turned_deg=turned_deg, shifted=(3.0, 4.0, 5.0))
    return bracket


def _moved(name: str, **by: float) -> Feature:
    feature = FEATURES[name]
    return replace(feature, **{k: getattr(feature, k) + v for k, v in by.items()})


def _changed(name: str, **to: float) -> Feature:
    return replace(FEATURES[name], **to)


@cache
def revisions() -> dict[str, Bracket]:
    """Twenty revisions and more by what was done to each."""
    base = Bracket()
    bores = ("bore_1", "bore_2", "bore_3", "bore_4")
    several = base.but(
        shelf_low=_changed("shelf_low", x=16, out=12), shelf_high=None,
        bore_2=_changed("bore_2", radius=5), bore_4=None,
        pocket_3=_moved("pocket_3", y=3), shelf_new=Shelf(70, 20, 18, 16))
    return {
        "same": base,
        "shelf moved up": base.but(shelf_low=_moved("shelf_low", z=4.3)),
        "shelf moved along": base.but(shelf_high=_moved("shelf_high", x=-9)),
        "shelf wider": base.but(shelf_low=_changed("shelf_low", width=32)),
        "shelf deeper": base.but(shelf_low=_changed("shelf_low", out=18)),
        "shelf gone": base.but(shelf_high=None),
        "shelf gone, another elsewhere": base.but(
            shelf_high=None, shelf_new=Shelf(70, 20, 18, 16)),
        "shelf new": base.but(shelf_new=Shelf(70, 20, 18, 16)),
        "bore gone": base.but(bore_3=None),
        "bore moved": base.but(bore_4=_moved("bore_4", x=5)),
        "bore moved by the width between its flanks": base.but(
            bore_1=_moved("bore_1", x=3.621816)),
        "bore larger": base.but(bore_2=_changed("bore_2", radius=5.5)),
        "bores moved, one gone": base.but(
            **{k: _moved(k, x=4, z=1) for k in bores}).but(bore_2=None),
        "bore moved far, new one in its place": base.but(
            bore_1=_moved("bore_1", x=25), shelf_new=Shelf(44, 40, 14, 8)),
        "pocket gone": base.but(pocket_2=None),
        "pockets closer": base.but(
            pocket_1=_moved("pocket_1", x=3), pocket_3=_moved("pocket_3", x=-3)),
        "pocket resized and moved": base.but(
            pocket_4=Pocket(117, 24, 22, 33)),
        "longer": replace(base, length=160.0),
        "longer at its start": replace(
            base.but(**{name: replace(f, x=f.x + 20) for name, f in FEATURES.items()}),
            length=160.0),
        "higher": replace(base, height=96.0),
        "shifted in its file": replace(base, shifted=(12.5, -30.0, 7.0)),
        "turned in its file": replace(base, turned_deg=90.0, shifted=(-3.0, 8.0, 0.0)),
        "turned a little": replace(base, turned_deg=17.0),
        "several at once": several,
        "several at once, turned": replace(several, turned_deg=270.0, shifted=(5.0, 5.0, -2.0)),
        "all new": Bracket({"shelf_new": Shelf(60, 34, 40, 20)}, length=120.0, height=70.0),
    }
