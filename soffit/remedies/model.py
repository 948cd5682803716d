"""Options and edits as plain frozen data."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

from soffit.findings.model import Op
from soffit.part.solid import Solid
from soffit.process.cost import Cost
from soffit.remedies.prop_eject import Leaving
from soffit.remedies.prop_strength import Strength

Safety = Literal["keeps function", "changes a face: approve", "needs an operation after printing"]

# A change to less of the surface than this is none that anybody sees (derived: half a line
# squared).
SMALL_MM2 = 0.04



@dataclass(frozen=True)
class PropFacts:
    """What is known of the bodies of a prop.

    `posts`: how many stand on their own, and how many `ridges` they open to, or that they are
    `fins`. `give_mm`: by how much the weakest tip gives to the nozzle. `force_n`: what breaks the
    strongest off; `breaks`: how often something is to be broken off, each post, of fins, which do
    not snap, each bit that a hand pulls off, and of gussets as many as are run off in that time.
    `ways`: how they leave, `tools`: from where a tool gets at them, in words.
    `contact_mm2`: plan area in which they touch the part, above and below. `column_mm3`: volume of
    a solid column in their place, `baseline_mm3` plastic of a block support there, `place_mm2` plan
    area of what that would touch above. `leaving`: how the one that is least sure to leaves the
    platform. `strength`: of the weakest post, None where none stands on posts. `leans`: how many of
    the posts lean on a wall, `gussets`: how many of them are plates that grow out of one;
    `contact_mm2` has the seams of both too. `foot_mm`: width of the widest contact on which one
    stands on the part, 0 where none does.
    """

    posts: int
    ridges: int
    fins: bool
    give_mm: float
    force_n: float
    breaks: float
    ways: tuple[str, ...]
    tools: tuple[str, ...]
    contact_mm2: float
    column_mm3: float
    baseline_mm3: float
    place_mm2: float
    leaving: Leaving
    strength: Strength | None = None
    leans: int = 0
    gussets: int = 0
    foot_mm: float = 0.0


@dataclass(frozen=True)
class Option:
    """One way to cure one finding.

    `solid` is what to add, cut or stand beside the part. `rank` is the place of the remedy
    in the order of preference (1 first). `why` says in one sentence why it fits here.
    `after` names work left after printing ("drill out the membrane"), or "".
    `volume_mm3` is what it adds to, cuts from or stands beside the part, by the mesh kernel;
    `cost` what it takes, None until it is measured. `pieces`: how many bodies of a prop are to be
    broken off, `prop` what is known of them.
    """

    remedy: str
    finding: str
    op: Op
    solid: Solid
    rank: int
    why: str
    after: str = ""
    volume_mm3: float = 0.0
    cost: Cost | None = None
    pieces: int = 0
    prop: PropFacts | None = None

    @property
    def breaks(self) -> float:
        """How often something is to be broken off."""
        return self.prop.breaks if self.prop is not None else float(self.pieces)

    @property
    def safety(self) -> Safety:
        """What the customer has to know of it."""
        if self.after:
            return "needs an operation after printing"
        if self.cost is not None and self.cost.changed_mm2 < SMALL_MM2:
            return "keeps function"
        return "changes a face: approve"


@dataclass(frozen=True)
class Edit:
    """An option that was applied, with what it did, measured.

    `finding` is the id of the finding in the review of the part as received, or "" for one
    that another edit brought about. `volume_mm3` is the volume that the part (or prop) gained
    or, for a cut, lost: by the mesh until a part with a B-rep is written, then by the B-rep.
    `faces`: ids of the faces of the part as received that it touches.
    `at_mm`: a point on it in the build frame. `z_mm`: its lowest and highest point. `cost` is what
    it took when it was chosen, `prop` what is known of the bodies of a prop. Edits of one `step`,
    counted from 1, were carried out together: the `solid` of each is meant for the part as it was
    before. `by_hand`: whether the user set it.
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
    cost: Cost | None = None
    step: int = 1
    prop: PropFacts | None = None
    by_hand: bool = False
