"""Which finding of one review is which of the review of a revision.

A finding goes with its faces: it is looked for on the faces that its own have become, as far
along as they went. What is of one size in one place is the same. What is left is assigned one to
one at the least cost; where another would cost little more, or the faces themselves are not sure,
the finding is unclear.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from pydantic import BaseModel, ConfigDict
from scipy.optimize import linear_sum_assignment

from soffit.findings.model import Finding
from soffit.part.model import Floats, Part, Vec3
from soffit.part.topology import following, ring_area
from soffit.plan.faces import DECIMALS
from soffit.plan.match_faces import CLEAR, FaceMatch

# Nearer than this and within this share of its area, a finding is where and what it was (own
# limits: half a line; layers that fall otherwise change areas by about a hundredth).
SAME_PLACE_MM = 0.2
SAME_AREA = 0.02

# What a pair may cost at most: a distance of so many times its own width. What an area e times as
# large costs: little, since findings grow and shrink with their faces (own limits).
_MOST = 2.0
_GROWN = 0.3


class FindingDescription(BaseModel):
    """One finding in the file's frame: `at_mm` is the middle of its plan area at half its height;
    `faces` are ids of the part that it was found on."""

    model_config = ConfigDict(extra="forbid", frozen=True, allow_inf_nan=False)

    id: str
    kind: str
    at_mm: Vec3
    area_mm2: float
    faces: tuple[int, ...]


@dataclass(frozen=True)
class FindingPair:
    """One finding in both reviews, by id. `moved`: in another place or of another size.
    `shift_mm`: how far from where the motion of the whole part would have left it."""

    a: str
    b: str
    moved: bool
    shift_mm: float
    area_change_mm2: float


@dataclass(frozen=True)
class FindingMatch:
    """Ids by review. `unclear`: findings of a with those of b that they could be. `gone`: of a,
    `new`: of b, that are nowhere else."""

    pairs: tuple[FindingPair, ...]
    unclear: tuple[tuple[str, tuple[str, ...]], ...]
    gone: tuple[str, ...]
    new: tuple[str, ...]


def describe_findings(part: Part, findings: Sequence[Finding]) -> tuple[FindingDescription, ...]:
    """Findings of a placed part, in its file's frame and rounded as they are written."""
    back = np.linalg.inv(part.placement)
    described = []
    for finding in findings:
        x, y, z = (back[:3, :3] @ _middle(finding) + back[:3, 3]).tolist()
        described.append(FindingDescription(
            id=finding.id,
            kind=finding.kind,
            at_mm=(_round(x), _round(y), _round(z)),
            area_mm2=_round(finding.area_mm2),
            faces=finding.faces,
        ))
    return tuple(described)


def _middle(finding: Finding) -> Floats:
    """Middle of the plan outline of a finding at half its height, (3,); its point if it has no
    outline."""
    rings = finding.patch.rings
    area = sum(ring_area(ring) for ring in rings)
    if area < 1e-6:
        return np.asarray(finding.at_mm, dtype=np.float64)
    origin = rings[0][0]
    total = np.zeros(2)
    for ring in rings:
        # Centroid of a polygon times its area (shoelace formula).
        one = ring - origin
        two = following(one)
        cross = one[:, 0] * two[:, 1] - two[:, 0] * one[:, 1]
        total += ((one + two) * cross[:, None]).sum(axis=0) / 6.0
    x, y = origin + total / area
    return np.array([x, y, 0.5 * sum(finding.z_mm)])


def match_findings(
    a: Sequence[FindingDescription], b: Sequence[FindingDescription], faces: FaceMatch
) -> FindingMatch:
    """The findings of part a found again among those of part b, whose faces are matched."""
    cost = np.full((len(a), len(b)), np.inf)
    shift, astray = np.zeros((len(a), len(b))), np.full((len(a), len(b)), np.inf)
    for i, old in enumerate(a):
        for j, now in enumerate(b):
            found = likeness(old, now, faces) if now.kind == old.kind else None
            if found is not None:
                shift[i, j], astray[i, j], cost[i, j] = found.shift_mm, found.astray_mm, found.cost
    pairs = []
    for i, j in _in_place(a, b, np.maximum(shift, astray)):
        pairs.append(_pair(a[i], b[j], False, float(shift[i, j])))
        cost[i, :] = np.inf
        cost[:, j] = np.inf
    settled = []
    for i, j in _assigned(cost):
        rivals = np.concatenate([np.delete(cost[i], j), np.delete(cost[:, j], i)])
        clear = CLEAR * cost[i, j] < rivals.min(initial=np.inf)
        if clear and _faces_sure(a[i], b[j], faces):
            pairs.append(_pair(a[i], b[j], True, float(shift[i, j])))
            settled.append((i, j))
    for i, j in settled:
        cost[i, :] = np.inf
        cost[:, j] = np.inf
    unclear = [
        (old.id, tuple(b[j].id for j in np.flatnonzero(np.isfinite(cost[i])).tolist()))
        for i, old in enumerate(a) if np.isfinite(cost[i]).any()
    ]
    order = {old.id: i for i, old in enumerate(a)}
    told = {pair.a for pair in pairs} | {one for one, _ in unclear}
    met = {pair.b for pair in pairs} | {one for _, could_be in unclear for one in could_be}
    return FindingMatch(
        tuple(sorted(pairs, key=lambda pair: order[pair.a])),
        tuple(unclear),
        tuple(old.id for old in a if old.id not in told),
        tuple(now.id for now in b if now.id not in met),
    )


@dataclass(frozen=True)
class Likeness:
    """`shift_mm`: how far a finding is from where another was. `astray_mm`: how far from where
    the faces that both share would have taken it. `cost`: of taking them for one, 0 if equal."""

    shift_mm: float
    astray_mm: float
    cost: float


def likeness(
    old: FindingDescription, now: FindingDescription, faces: FaceMatch
) -> Likeness | None:
    """How alike two findings are, whatever their kinds; None if they cannot be one."""
    if old.kind.startswith("file/"):
        return Likeness(0.0, 0.0, 0.0)  # of the file as a whole, nowhere on the part
    landed, here = _landed(old, faces), set(now.faces)
    if landed.isdisjoint(here) and (old.faces or now.faces):
        return None
    away = np.asarray(now.at_mm) - faces.motion[:3, :3] @ old.at_mm - faces.motion[:3, 3]
    shift = float(np.linalg.norm(away))
    astray = min(float(np.linalg.norm(away - way)) for way in _ways(old, now, faces))
    large, small = max(old.area_mm2, now.area_mm2, 1.0), max(min(old.area_mm2, now.area_mm2), 1.0)
    apart = 1.0 - len(landed & here) / max(len(landed | here), 1)
    cost = astray / float(np.sqrt(large)) + _GROWN * (float(np.log(large / small)) + apart)
    return Likeness(shift, astray, cost) if cost <= _MOST else None


def _ways(old: FindingDescription, now: FindingDescription, faces: FaceMatch) -> list[Floats]:
    """Where a finding can have gone, each (3,) mm: along with a face that both share. On a plane
    of another outline it may also have stayed."""
    stayed = np.zeros(3)
    ways: list[Floats] = []
    for face in old.faces:
        pair = faces.of.get(face)
        if pair is None or pair.b not in now.faces:
            continue
        ways.append(stayed if pair.status == "matched" else np.asarray(pair.shift_mm))
        if pair.status == "resized" and pair.flat:
            ways.append(stayed)
    return ways or [stayed]


def _landed(old: FindingDescription, faces: FaceMatch) -> set[int]:
    """Faces of b that those of a finding of a have become."""
    paired = {faces.of[f].b for f in old.faces if f in faces.of}
    return paired | {piece for f, piece in faces.pieces if f in old.faces}


def _faces_sure(old: FindingDescription, now: FindingDescription, faces: FaceMatch) -> bool:
    """Whether one of the faces that join two findings is sure to be what it is taken for."""
    joining = [p for f in old.faces if (p := faces.of.get(f)) and p.b in now.faces]
    return not joining or any(pair.sure for pair in joining)


def _in_place(
    a: Sequence[FindingDescription], b: Sequence[FindingDescription], away: Floats
) -> list[tuple[int, int]]:
    """Findings that are where and what they were, one to one, nearest first."""
    found: list[tuple[int, int]] = []
    rows, columns = np.nonzero(away <= SAME_PLACE_MM)
    order = np.lexsort((columns, rows, np.round(away[rows, columns], 6)))
    for i, j in zip(rows[order].tolist(), columns[order].tolist(), strict=True):
        large = max(a[i].area_mm2, b[j].area_mm2)
        equal = abs(a[i].area_mm2 - b[j].area_mm2) <= SAME_AREA * large
        if equal and all(i != k and j != m for k, m in found):
            found.append((i, j))
    return found


def _assigned(cost: Floats) -> list[tuple[int, int]]:
    """One to one at the least cost; rather one pair more than a lower cost."""
    if not cost.size:
        return []
    rows, columns = linear_sum_assignment(np.where(np.isfinite(cost), cost, 1e3))
    return [(int(i), int(j)) for i, j in zip(rows, columns, strict=True)
            if np.isfinite(cost[i, j])]


def _pair(old: FindingDescription, now: FindingDescription, moved: bool, shift: float
          ) -> FindingPair:
    return FindingPair(old.id, now.id, moved, _round(shift),
                       _round(now.area_mm2 - old.area_mm2))


def _round(value: float) -> float:
    return round(float(value), DECIMALS) + 0.0
