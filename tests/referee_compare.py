"""One case of the referee: the product's places beside the pixels', and why they differ.

Both give each patch a layer; patches are matched by the pixels that they share there. Every
explanation is computed from what the two engines measured.
"""

from __future__ import annotations

import math
from collections import defaultdict
from dataclasses import dataclass

import numpy as np

from soffit.findings.patches import RawPatch
from soffit.findings.places import Place
from soffit.findings.review import JUDGES
from soffit.process.model import Process
from tests.pixel_columns import Ints, filled
from tests.pixel_engine import Judged, PixelPatch, Rules
from tests.pixel_strands import HELD_SHARE

# Two results agree where they differ by no more than this share and this area.
SHARE, AREA_MM2 = 0.03, 2.0

# A measure this near its limit may fall to either side: this share of the limit and two pixels
# (derived: what the pixels resolve).
NEAR_SHARE = 0.03

# Share of strands held this near to all of them may fall to either side (derived: as pixels turn).
NEAR_HELD = 0.02

# A difference smaller than this is not worth a line, mm² (derived: a fortieth of what is allowed).
SMALL_MM2 = 0.05


@dataclass(frozen=True)
class Reason:
    """Why a part of the area differs: `excess_mm2` is the product's less the referee's."""

    text: str
    kind: str
    excess_mm2: float
    explained: bool


@dataclass(frozen=True)
class Matched:
    """Patches found by both, by number and area."""

    product: int
    product_hit: int
    product_mm2: float
    referee: int
    referee_hit: int
    referee_mm2: float
    shared_mm2: float


def agree(product_mm2: float, referee_mm2: float) -> bool:
    """Whether two areas are the same to what is allowed."""
    return abs(product_mm2 - referee_mm2) <= SHARE * referee_mm2 + AREA_MM2


@dataclass(frozen=True)
class Shape:
    """A patch of the product: one layer piece. `measure_mm` against `limit_mm`, `bad` if that
    is no note; of `place`, by number."""

    layer: int
    area_mm2: float
    pixels: Ints
    kind: str = ""
    measure_mm: float = math.nan
    limit_mm: float = math.nan
    bad: bool = False
    place: int = -1


class Comparison:
    """The product's raw patches and judged places against the referee's patches."""

    def __init__(self, raw: list[RawPatch], places: list[Place], judged: Judged, rules: Rules,
                 process: Process, limit_deg: float) -> None:
        self._judged, self._rules, self._limit = judged, rules, limit_deg
        self._raw = [self._shape(p) for p in raw]
        self._pieces = [s for k, place in enumerate(places)
                        for s in self._judge(k, place, process)]
        self._by_layer: dict[int, list[int]] = defaultdict(list)
        for k, patch in enumerate(judged.patches):
            self._by_layer[patch.layer].append(k)

    @property
    def product_mm2(self) -> float:
        """Area of everything that steps too far by the product."""
        return math.fsum(s.area_mm2 for s in self._raw)

    def _shape(self, patch: RawPatch) -> Shape:
        return Shape(patch.layer, patch.area_mm2, filled(patch.rings, self._judged.grid))

    def _judge(self, number: int, place: Place, process: Process) -> list[Shape]:
        severity, limit, _ = JUDGES[place.shape].judge(place, process)
        spanned = place.shape in ("bridge", "ceiling") and not place.pierced
        measure = place.span_mm if spanned else place.reach_mm
        kind = "pierced" if place.pierced else place.shape
        if limit is None:
            limit = process.lip_mm if place.pierced else 0.0
        found = []
        for patch in place.patches:
            pixels = filled(patch.rings, self._judged.grid)
            found.append(Shape(patch.layer, patch.area_mm2, pixels, kind,
                               math.inf if measure is None else measure, limit,
                               severity != "note", number))
        return found

    def _owner(self, shape: Shape) -> dict[int, int]:
        """Pixels that a shape shares with each patch of the referee."""
        shared = {}
        for k in self._by_layer.get(shape.layer, []):
            pixels = self._judged.patches[k].pixels
            if not len(shape.pixels) or (
                    shape.pixels[-1] < pixels[0] or shape.pixels[0] > pixels[-1]):
                continue
            low, high = np.searchsorted(pixels, [shape.pixels[0], shape.pixels[-1] + 1])
            inside = pixels[low:high]
            at = np.searchsorted(shape.pixels, inside)
            count = int(np.count_nonzero(
                shape.pixels[np.minimum(at, len(shape.pixels) - 1)] == inside))
            if count:
                shared[k] = count
        return shared

    def matched(self) -> Matched:
        """How much of what each engine finds the other finds too."""
        p2 = self._judged.grid.pixel_mm**2
        patches = self._judged.patches
        covered = np.zeros(len(patches))
        hits = 0
        shared_mm2 = 0.0
        for shape in self._raw:
            shared = self._owner(shape)
            total = sum(shared.values())
            hits += 2 * total >= max(len(shape.pixels), 1)
            shared_mm2 += total * p2
            for k, count in shared.items():
                covered[k] += count
        found = sum(2 * covered[k] >= len(q.pixels) for k, q in enumerate(patches))
        return Matched(len(self._raw), hits, self.product_mm2, len(patches), int(found),
                       self._judged.too_far_mm2, shared_mm2)

    def why_too_far(self) -> list[Reason]:
        """Why the areas of all that steps too far differ."""
        return self._gathered(self._raw, False)

    def why_over_air(self) -> list[Reason]:
        """Why the areas of what the process cannot hold differ."""
        return self._gathered(self._pieces, True)

    def _gathered(self, shapes: list[Shape], bad_only: bool) -> list[Reason]:
        """Differences of clusters of patches that share pixels, those of one cause together."""
        links = [self._owner(s) for s in shapes]
        patches = self._judged.patches
        group = list(range(len(shapes) + len(patches)))

        def root(k: int) -> int:
            while group[k] != k:
                group[k] = group[group[k]]
                k = group[k]
            return k

        for n, shared in enumerate(links):
            for k in shared:
                group[root(n)] = root(len(shapes) + k)
        clusters: dict[int, tuple[list[Shape], list[PixelPatch]]] = defaultdict(lambda: ([], []))
        for n, shape in enumerate(shapes):
            clusters[root(n)][0].append(shape)
        for k, patch in enumerate(patches):
            clusters[root(len(shapes) + k)][1].append(patch)
        found = [(mine, theirs, self._excess(mine, theirs, bad_only))
                 for mine, theirs in clusters.values()]
        causes = [(mine, theirs, excess, self._cause(mine, theirs, bad_only))
                  for mine, theirs, excess in found if excess]
        # A slope that ends as a bridge for one engine only has another run in all its strips.
        told = {key for mine, theirs, _, cause in causes if cause[2] and bad_only
                for key in self._wholes(mine, theirs)}
        sums: dict[tuple[str, str, bool], list[float]] = defaultdict(list)
        for mine, theirs, excess, (text, kind, explained) in causes:
            if not explained and told & self._wholes(mine, theirs):
                text, explained = f"of the same slopes: {text}", True
            sums[text, kind, explained].append(excess)
        reasons = []
        for (text, kind, explained), parts in sums.items():
            total = math.fsum(parts)
            if abs(total) >= SMALL_MM2:
                words = f"{text} ({len(parts)} ×, {total:+.1f} mm²)"
                reasons.append(Reason(words, kind, total, explained))
        return sorted(reasons, key=lambda r: -abs(r.excess_mm2))

    def _wholes(self, mine: list[Shape], theirs: list[PixelPatch]) -> set[tuple[str, int]]:
        """The places and slopes that a cluster belongs to."""
        places = {("product", s.place) for s in mine if s.kind == "slope"}
        return places | {("referee", q.slope) for q in theirs if q.slope >= 0}

    def _excess(self, mine: list[Shape], theirs: list[PixelPatch], bad_only: bool) -> float:
        if bad_only:
            return math.fsum(s.area_mm2 for s in mine if s.bad) - math.fsum(
                self._judged.bad_mm2(q) for q in theirs)
        return math.fsum(s.area_mm2 for s in mine) - math.fsum(q.area_mm2 for q in theirs)

    def _cause(self, mine: list[Shape], theirs: list[PixelPatch], bad_only: bool
               ) -> tuple[str, str, bool]:
        """What sets a cluster apart in words, the kinds, and whether that explains it."""
        if not theirs:
            text, explained = self._only_product(mine)
            return text, "/".join(sorted({s.kind or "patch" for s in mine})), explained
        if not mine:
            texts = [self._only_referee(q) for q in theirs]
            kinds = "/".join(sorted({self._kind(q) for q in theirs}))
            return texts[0][0], kinds, all(t[1] for t in texts)
        if not bad_only:
            return "patches of both, cut elsewhere", "patch", False
        kinds = {s.kind for s in mine}
        # Both measured the same and the limit lies between, or a span is near its limit.
        measures = [m for q in theirs for m in self._measures(q)]
        near = any(
            s.kind == kind and s.bad != bad and self._near(s.measure_mm, m, limit)
            for s in mine for kind, m, limit, bad in measures
        ) or any(
            self._near(m, limit, limit)
            for kind, m, limit in [(s.kind, s.measure_mm, s.limit_mm) for s in mine]
            + [q[:3] for q in measures] if kind in ("bridge", "ceiling")
        )
        product = "; ".join(sorted({
            f"{s.kind} {s.measure_mm:.2f}/{s.limit_mm:g} {'fails' if s.bad else 'passes'}"
            for s in mine}))
        referee = "; ".join(sorted({
            f"{kind} {m:.2f}/{limit:g} {'fails' if bad else 'passes'}"
            for q in theirs for kind, m, limit, bad in self._measures(q)}))
        verdicts = {s.bad for s in mine} | {bad for q in theirs
                                            for *_, bad in self._measures(q)}
        # Whether all strands count as held may hang on the last one.
        shares = [q.held_share for q in theirs if abs(q.held_share - HELD_SHARE) <= NEAR_HELD]
        if shares:
            referee += f", strands held {100 * max(shares):.0f} %"
        near = near or bool(shares)
        names = "/".join(sorted(kinds))
        if verdicts == {True}:
            return "patches of both, cut elsewhere", names, False
        return f"product {product}, referee {referee}", names, near

    def _measures(self, patch: PixelPatch) -> list[tuple[str, float, float, bool]]:
        if patch.slope >= 0:
            run = self._judged.runs_mm[patch.slope]
            return [("slope", run, self._rules.lip_mm, self._judged.runs_too_far(patch.slope))]
        return [(q.kind, q.measure_mm, q.limit_mm, not q.held) for q in patch.pieces]

    def _kind(self, patch: PixelPatch) -> str:
        return "/".join(sorted({m[0] for m in self._measures(patch)})) or "strand"

    def _near(self, measure: float, other: float, limit: float) -> bool:
        allowed = NEAR_SHARE * limit + 2 * self._judged.grid.pixel_mm
        return limit > 0 and abs(measure - other) <= allowed

    def _only_product(self, mine: list[Shape]) -> tuple[str, bool]:
        step, slack, p = self._rules.step_mm, self._rules.slack_mm, self._judged.grid.pixel_mm
        found = [n for n in self._judged.near if n.layer == mine[0].layer and any(
            np.isin(n.pixels, s.pixels, assume_unique=True).any() for s in mine)]
        if not found:
            return "only the product has them, no step near the limit there", False
        most, flat = max(n.step_mm for n in found), min(n.flat_deg for n in found)
        if flat < self._limit + 1.0:
            return "only the product has them, facets within the scatter of their normals", True
        if most > step + slack - p:
            return "only the product has them, step within a pixel of the limit", True
        return f"only the product has them, step {most:.2f} mm, {flat:.1f}°", False

    def _only_referee(self, patch: PixelPatch) -> tuple[str, bool]:
        step, slack, p = self._rules.step_mm, self._rules.slack_mm, self._judged.grid.pixel_mm
        if patch.step_mm <= step + slack + p and not math.isfinite(patch.flat_deg):
            return "only the referee has them, step within a pixel of the limit", True
        if math.isfinite(patch.flat_deg) and patch.flat_deg > self._limit - 2.0:
            return "only the referee has them, facets within the scatter of their normals", True
        if patch.area_mm2 < 2 * self._rules.smallest_mm2:
            return "only the referee has them, about as small as is not printed", True
        return (f"only the referee has them, step {patch.step_mm:.2f} mm, "
                f"facets of {patch.flat_deg:.1f}°", False)
