"""Props that lean on a wall: their form against closed forms, and where they are none."""

from __future__ import annotations

import math
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest

import soffit
from examples._cad import box, fuse
from soffit.part.manifold import to_manifold
from soffit.plan.model import Resolution
from soffit.plan.resolve import resolve
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.remedies import prop
from soffit.remedies.prop_lean import FARTHEST_MM
from soffit.remedies.prop_sections import Sections
from soffit.remedies.prop_shape import House, rise
from tests.shapes import read
from tests.solids import block, part_of

PLA = load_process("pla-04")
W, H = PLA.line_mm, PLA.layer_mm
ONLY_PROPS = Wishes(only=frozenset({"prop"}))


@pytest.fixture(autouse=True)
def without_gussets(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(prop, "spokes", lambda *_: ())


def shelf(deep: float = 10.0, high: float = 80.0, long: float = 12.0) -> m3.Manifold:
    """A wall with a shelf of so much depth near its top."""
    return block(0, 0, 0, 12, long, high + 20) + block(0, 0, high, 12 + deep, long, high + 4)


def propped(solid: m3.Manifold, **options: object) -> Resolution:
    return resolve(part_of(solid), PLA, wishes=ONLY_PROPS, **options)  # type: ignore[arg-type]


@pytest.mark.parametrize(("turn", "at"), [(0, (0, 0)), (30, (0, 0)), (180, (70, -40))])
@pytest.mark.parametrize(("deep", "high"), [(10.0, 80.0), (6.0, 40.0), (12.0, 120.0)])
def test_plastic_seam_and_force_of_a_post_on_a_wall(
    turn: float, at: tuple[float, float], deep: float, high: float
) -> None:
    """A tube of side s leans at 45 degrees over the distance D: in plan it is 4 t (s - t), each
    point of which reaches the wall in as much height, D on the mean; so is the seam. It is pushed
    off by 8 bond I / (c H), and its plastic is that of the fan and of the tube."""
    solid = shelf(deep, high).rotate((0, 0, turn)).translate((*at, 0))
    result = propped(solid)
    assert result.clean
    (edit,) = result.edits
    facts = edit.prop
    assert facts is not None and facts.leans == facts.posts == 1
    assert "leans on the wall" in edit.why and "push 1 prop aside" in edit.after
    (body,) = (to_manifold(prop.mesh) for prop in result.props)
    assert body is not None
    # The ridge is half a line inside of the edge, 12 long less what stands past it.
    far = deep - W
    side = next(s for s in (2.0, 2.4, 3.2, 4.0) if math.isclose(
        4 * W * (s - W), facts.contact_mm2 - W * 12, rel_tol=0.02))
    house = House(np.array([[0.0, 0.0], [12.0, 0.0]]), side, side, high, 0.0, fan=True)
    fan = house.fan_mm(PLA) + H
    sections = Sections.of(house, PLA)
    above = sections.depth < fan
    plan = sections.length * sections.width - sections.inner_length * sections.inner_width
    volume = float(plan[above].sum()) * sections.step_mm + 4 * W * (side - W) * far * rise(PLA)
    assert body.volume() == pytest.approx(volume, rel=0.03)
    assert facts.contact_mm2 == pytest.approx(4 * W * (side - W) + 12 * W, rel=0.02)
    moment = (side**4 - (side - 2 * W) ** 4) / 12
    tall = fan + far * rise(PLA)
    assert facts.force_n == pytest.approx(8 * PLA.bond_mpa * moment / (0.5 * side) / tall, rel=1e-2)
    assert facts.give_mm == pytest.approx(
        PLA.drag_n * (tall * math.sqrt(2)) ** 3
        / (3 * 1000 * PLA.material.modulus_gpa.value * moment), rel=2e-2)
    assert facts.leaving.way == "on the part"


def leans(result: Resolution) -> list[bool]:
    assert result.clean, [o.reason for o in result.open]
    return [edit.prop.leans > 0 for edit in result.edits if edit.prop is not None]


def test_it_takes_as_much_however_high_it_is() -> None:
    volumes = [propped(shelf(10.0, high)).edits[0].volume_mm3 for high in (50.0, 100.0, 200.0)]
    assert volumes == pytest.approx([volumes[0]] * 3, rel=1e-3)


@pytest.mark.parametrize(("solid", "why"), [
    (shelf(FARTHEST_MM + 2.0), "the wall is too far"),
    (shelf() - block(-1, 4, 62, 13, 8, 74), "there is a window where the foot would be"),
    (shelf() + block(0, 0, 0, 17, 12, 5) + block(13, 4, 0, 17, 8, 66), "a column is in the way"),
    (shelf(10.0, 9.0), "the platform is no farther"),
], ids=lambda v: v if isinstance(v, str) else "")
def test_from_below_where_there_is_no_wall_to_lean_on(solid: m3.Manifold, why: str) -> None:
    assert leans(propped(solid)) and not any(leans(propped(solid))), why


def test_a_protected_wall_is_not_leant_on() -> None:
    result = propped(shelf(), protect=("face near 12,6,40 facing +x",))
    assert leans(result) == [False]


def test_several_posts_and_ridges_without_a_wall_beside_them() -> None:
    """A long shelf gets two; one that goes round a corner of the wall as well."""
    long = propped(shelf(10.0, 80.0, 30.0))
    assert leans(long) == [True] and long.edits[0].prop is not None
    assert long.edits[0].prop.posts == 2
    around = block(0, 0, 0, 20, 20, 100) + block(0, 0, 80, 28, 28, 84)
    (edit,) = propped(around).edits
    assert edit.prop is not None and 0 < edit.prop.leans < edit.prop.posts
    assert f"{edit.prop.leans} of which lean on the wall" in edit.why
    assert "what leans on the wall pushed aside" in edit.after


def test_written_in_both_kernels(tmp_path: Path) -> None:
    """Through the files: the STEP of a wall with a shelf, its prop closed and clean as written."""
    part = read(fuse(box((0, 0, 0), (12, 12, 100)), box((0, 0, 80), (22, 12, 84))), tmp_path)
    result = soffit.resolve(part, only=("props",)).write(tmp_path / "out")
    assert result.clean and [e.prop.leans for e in result.edits if e.prop is not None] == [1]


@pytest.mark.parametrize(("wishes", "remedy"), [
    (Wishes(only=frozenset({"prop"})), "prop leaning"),
    (Wishes(only=frozenset({"prop leaning"})), "prop leaning"),
    (Wishes(demand=(("F1", "prop leaning"),)), "prop leaning"),
    (Wishes(only=frozenset({"prop"}), forbid=frozenset({"prop leaning"})), "prop"),
    (Wishes(demand=(("F1", "prop of fins"),)), "prop of fins"),
])
def test_the_kind_can_be_asked_for(wishes: Wishes, remedy: str) -> None:
    """A level shelf gets no fins, and so stays open where they are demanded."""
    result = resolve(part_of(shelf()), PLA, wishes=wishes)
    assert [e.remedy for e in result.edits] == ([] if remedy == "prop of fins" else [remedy])
    assert result.clean == bool(result.edits)
