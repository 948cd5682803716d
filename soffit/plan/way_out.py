"""The cheapest way out of a place that stays open because a face is protected.

What would cure the place is worked out as if nothing were protected, and tried on the mesh. The
cheapest that really cures it and that only a protected face forbids is told, with the face: the
user may then let that face go, and knows what for.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

from soffit.findings.model import Finding
from soffit.part.edit import make_body
from soffit.plan.outcome import outcome
from soffit.plan.protect import touched_face
from soffit.plan.survey import CURED_SHARE
from soffit.plan.trials import Rules, State, attempt
from soffit.plan.wishes import Wishes
from soffit.remedies import CHANGES, LAST_RESORT, all_options
from soffit.remedies.model import Option

# Options that are tried for a place, changes and props each (own choice: a try costs a review).
MOST_TRIES = 8

# What the options are called while they are tried.
_NAME = "way out"


@dataclass(frozen=True)
class WayOut:
    """An option that cures a place and that only protected faces forbid (`faces`, ids of the part
    as received). `other`: a prop that would cure it, too, if `option` is none; `other_faces`: those
    that it touches. `forbidden`: whether props are not wanted. `density_g_cm3`: of the material."""

    option: Option
    faces: tuple[int, ...]
    other: Option | None
    other_faces: tuple[int, ...]
    forbidden: bool
    density_g_cm3: float

    @property
    def sentence(self) -> str:
        """In words."""
        them = "them" if len(self.faces) > 1 else "it"
        text = (f"it stays open because of {_named(self.faces)}; the cheapest way out is "
                f"{self._words(self.option, them)}")
        if self.other is not None:
            text += ", or a prop"
            if self.other_faces:
                same = self.other_faces == self.faces
                text += f" that touches {them if same else _named(self.other_faces)}"
            if self.forbidden:
                text += ", which is forbidden"
        return text

    def _words(self, option: Option, them: str) -> str:
        assert option.cost is not None  # `all_options` measures them
        grams = option.cost.plastic_mm3 * self.density_g_cm3 / 1000.0
        article = "an" if option.remedy[0] in "aeiou" else "a"
        does = {"add": f"on {them}", "cut": f"cut from {them}", "prop": f"that touches {them}"}
        weighs = f"{grams:.2f} g" if grams >= 0.0 else f"{-grams:.2f} g less"
        return (f"{article} {option.remedy} of {option.volume_mm3:.1f} mm³ {does[option.op]}, "
                f"{weighs}")


def way_out(state: State, rules: Rules, wishes: Wishes, finding: Finding) -> WayOut | None:
    """The cheapest way out of a place that is open in a state; None where protected faces are not
    what stands in its way."""
    if not rules.protected:
        return None
    found = _cheapest(state, rules, wishes, finding, CHANGES)
    prop = _cheapest(state, rules, wishes, finding, LAST_RESORT)
    density = state.review.process.material.density_g_cm3.value
    if found is None:
        if prop is None or not prop[1]:
            return None
        return WayOut(*prop, None, (), False, density)
    other, touched = prop or (None, ())
    forbidden = other is not None and wishes.refuses(other) is not None
    return WayOut(*found, other, touched, forbidden, density)


def _cheapest(
    state: State, rules: Rules, wishes: Wishes, finding: Finding, names: Sequence[str]
) -> tuple[Option, tuple[int, ...]] | None:
    """The cheapest option of these remedies that cures a place, and the protected faces that it
    would touch; of a change there are some, and it is none that is not wanted."""
    options, _ = all_options(state.context, finding, names)
    wanted = [o for o in options if o.op == "prop" or not wishes.refuses(o)]
    wanted.sort(key=lambda o: (wishes.weight(o.cost) if o.cost else 0.0, o.rank))
    free = replace(rules, protected=frozenset())
    for option in wanted[:MOST_TRIES]:
        made = attempt(state, option, _NAME, free)
        if isinstance(made, str):
            continue
        left = outcome(state.review.air, made.review)
        place = next(k for k, f in enumerate(state.review.air) if f is finding)
        least = (1.0 - CURED_SHARE) * finding.area_mm2
        if left.rest[place] > least or left.new > least:
            continue
        if option.op == "prop":
            return option, _marked(state, rules, option)
        if faces := tuple(face for face in made.touched if face in rules.protected):
            return option, faces
    return None


def _marked(state: State, rules: Rules, prop: Option) -> tuple[int, ...]:
    """The protected faces that a prop would touch."""
    body = make_body(_NAME, prop.solid, state.mesh_part).mesh
    return tuple(face for face in sorted(rules.protected)
                 if touched_face(rules.received.part, [face], body) is not None)


def _named(faces: Sequence[int]) -> str:
    if len(faces) == 1:
        return f"protected face {faces[0]}"
    return f"protected faces {', '.join(map(str, faces[:-1]))} and {faces[-1]}"
