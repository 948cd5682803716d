"""Gussets: their form and forces against closed forms and finite elements, and where there are
none."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import manifold3d as m3
import numpy as np
import pytest
from scipy.sparse.linalg import splu
from skfem import Basis, ElementHex1, ElementVector, asm
from skfem.models.elasticity import lame_parameters, linear_elasticity

import soffit
from examples._cad import box, fuse
from soffit.part.manifold import to_manifold
from soffit.plan.model import Resolution
from soffit.plan.resolve import resolve
from soffit.plan.wishes import Wishes
from soffit.process.load import load_process
from soffit.remedies.prop_gusset import Gusset, drawn, force_n, give_mm, stiffened
from soffit.remedies.prop_shape import rise
from soffit.remedies.prop_spokes import INSET_MM
from tests.shapes import read
from tests.solids import block, part_of
from tests.test_prop_fe import cells_of

PLA = load_process("pla-04")
W, H = PLA.line_mm, PLA.layer_mm
MODULUS = 1000.0 * PLA.material.modulus_gpa.value
GUSSETS = Wishes(only=frozenset({"prop of gussets"}))
PROPS = Wishes(only=frozenset({"prop"}))


def shelf(deep: float = 6.0, high: float = 40.0, long: float = 12.0) -> m3.Manifold:
    """A wall with a shelf of so much depth near its top."""
    return block(0, 0, 0, 12, long, high + 20) + block(0, 0, high, 12 + deep, long, high + 4)


def bare(reach: float) -> Gusset:
    return Gusset(np.zeros(2), np.array([1.0, 0.0]), 30.0, reach, reach)


@pytest.mark.parametrize(("turn", "at"), [(0, (0, 0)), (30, (0, 0)), (180, (70, -40))])
@pytest.mark.parametrize("deep", [3.0, 6.0, 15.0])
def test_plastic_contact_and_force_of_two_gussets(
    turn: float, at: tuple[float, float], deep: float
) -> None:
    """A shelf 12 mm long hangs on one at either end: a plate of w (D² tan δ / 2 + D h), and what of
    the flange is beside it, (b - w) n w (D tan δ + h) less what the wall cuts off its foot. Each
    touches the shelf and the wall over its length by a line, and with its flange; one with a flange
    the wall over 2 mm alone, from which on its plate stays clear of it."""
    solid = shelf(deep).rotate((0, 0, turn)).translate((*at, 0))
    result = resolve(part_of(solid), PLA, wishes=GUSSETS)
    assert result.clean
    (edit,) = result.edits
    facts = edit.prop
    assert facts is not None and facts.gussets == facts.posts == 2 and facts.leans == 0
    assert edit.remedy == "prop of gussets" and "run 2 gussets off sideways" in edit.after
    deep -= INSET_MM
    gusset = stiffened(bare(deep), PLA)
    assert gusset is not None
    wing, thick = max(0.0, gusset.flange - W), gusset.lines * W
    clear = PLA.props.free_mm.value * W * (deep * rise(PLA) + H - 2.0) if gusset.flange else 0.0
    plate = W * (0.5 * deep**2 * rise(PLA) + deep * H) - clear
    flange = wing * thick * (deep * rise(PLA) + H - 0.5 * thick * rise(PLA))
    assert edit.volume_mm3 == pytest.approx(2.0 * (plate + flange), rel=0.02)
    tall = 2.0 if gusset.flange else deep * rise(PLA) + H
    above = W * (deep - PLA.props.free_mm.value * bool(gusset.flange)) + wing * thick
    touches = above + W * tall + wing * thick * rise(PLA)
    assert facts.contact_mm2 == pytest.approx(2.0 * touches, rel=0.03)
    assert facts.force_n == pytest.approx(force_n(gusset, PLA))
    assert facts.give_mm == pytest.approx(give_mm(gusset, PLA), rel=0.02)
    assert facts.leaving.way == "on the part"


def test_it_takes_as_much_however_high_it_is() -> None:
    volumes = [resolve(part_of(shelf(6.0, high)), PLA, wishes=GUSSETS).edits[0].volume_mm3
               for high in (20.0, 60.0, 150.0)]
    assert volumes == pytest.approx([volumes[0]] * 3, rel=1e-3)


def test_a_flange_is_as_broad_as_its_beam_must_be() -> None:
    """K = E t³ tan δ / (6 G²) of a plate, or 3 E I / s³ of its flange, is at least F / give."""
    # By the plate alone 0.12 mm: 6 · 0.5 · 9 / (3500 · 0.064).
    assert (made := stiffened(bare(3.0), PLA)) is not None and made.flange == 0.0
    for reach in (5.0, 10.0, 20.0):
        made = stiffened(bare(reach), PLA)
        assert made is not None and made.flange >= 3 * W
        for flange, enough in ((made.flange, True), (made.flange - 0.2, made.flange <= 3 * W)):
            inertia = W * math.sin(math.atan(rise(PLA))) * flange**3 / 12
            beam = 3 * MODULUS * inertia / (reach * math.hypot(1, rise(PLA))) ** 3
            assert (PLA.drag_n / beam <= PLA.give_mm) == enough
        narrow = stiffened(bare(reach), PLA, room=made.flange - 0.2)
        assert narrow is not None and narrow.lines > 1 and narrow.flange < made.flange
    assert stiffened(bare(60.0), PLA) is None


@pytest.mark.parametrize(("reach", "flange", "cell"), [(2.0, 0.0, 0.1), (4.0, 1.4, 0.2)])
def test_it_gives_no_more_than_its_formula_by_finite_elements(
    reach: float, flange: float, cell: float
) -> None:
    """The body as drawn, as cubes of 0.1 or 0.2 mm, held where it meets the wall and pushed aside
    at its tip. The formula is a bound: it counts a plate as strips from the wall, and a flange
    without its plate. Four linear elements through a plate, or seven through a flange, bend by a
    tenth too little at most."""
    gusset = replace(bare(reach), flange=flange)
    plate, stiffener = drawn(gusset, 30.0, PLA)
    body = (plate + stiffener).trim_by_plane((-1.0, 0.0, 0.0), -reach - cell)
    mesh = cells_of(body, cell)
    basis = Basis(mesh, ElementVector(ElementHex1()))
    stiffness = asm(linear_elasticity(*lame_parameters(MODULUS, PLA.material.poisson.value)),
                    basis)
    held = basis.get_dofs(lambda x: x[0] > reach - 0.01)
    free = basis.complement_dofs(held)
    x, _, z = mesh.p
    tip = basis.nodal_dofs[1, (x < 0.41) & (z > 30.0 - 2 * H - 0.01)]
    force, moved = np.zeros(basis.N), np.zeros(basis.N)
    force[tip] = PLA.drag_n / len(tip)
    moved[free] = splu(stiffness.tocsc()[free][:, free]).solve(force[free])
    found = float(moved[tip].mean())
    assert 0.2 * give_mm(gusset, PLA) < found <= 0.9 * give_mm(gusset, PLA)


@pytest.mark.parametrize(("solid", "why"), [
    (shelf(6.0, 7.0), "the line from the tip meets the platform first"),
    (block(0, 0, 0, 12, 12, 4) + block(3, 3, 4, 4, 4, 40) + block(3, 3, 40, 23, 4, 44),
     "a rod is no wall for the flange"),
], ids=lambda v: v if isinstance(v, str) else "")
def test_none_where_there_is_no_wall(solid: m3.Manifold, why: str) -> None:
    result = resolve(part_of(solid), PLA, wishes=PROPS)
    assert not any(e.prop.gussets for e in result.edits if e.prop is not None), why


def test_a_protected_wall_is_left_alone() -> None:
    result = resolve(part_of(shelf()), PLA, wishes=PROPS, protect=("face near 12,6,37 facing +x",))
    assert result.clean and [e.prop.gussets for e in result.edits if e.prop is not None] == [0]


def disc(deep: float, foot: float = 7.0) -> m3.Manifold:
    return (m3.Manifold.cylinder(30.0, foot, foot, 96)
            + m3.Manifold.cylinder(4.0, foot + deep, foot + deep, 96).translate((0, 0, 30)))


def test_round_about_a_hub_each_by_itself() -> None:
    """What hangs round about a hub is held by spokes that nowhere meet, so that each leaves by
    itself; strands from bar to bar keep within a quarter of a line of the edge."""
    result: Resolution = resolve(part_of(disc(11.0)), PLA, wishes=GUSSETS)
    assert result.clean
    (edit,) = result.edits
    assert edit.prop is not None and len(result.props[0].mesh.triangles)
    body = to_manifold(result.props[0].mesh)
    assert body is not None and len(body.decompose()) == edit.prop.gussets
    # 18 mm radius: arcs of 13 mm bulge by 1.5 lips, of which bars leave a quarter of a line.
    assert 8 <= edit.prop.gussets <= 12
    assert edit.volume_mm3 < 0.25 * edit.prop.baseline_mm3


def test_by_hand_they_take_less_than_posts() -> None:
    costs = PLA.costs
    edit = resolve(part_of(shelf()), PLA, wishes=GUSSETS).edits[0]
    assert edit.cost is not None
    assert edit.cost.labour_s == pytest.approx(
        costs.handle_s.value + 2 * costs.run_off_s.value)


def test_written_in_both_kernels(tmp_path: Path) -> None:
    """Through the files: the STEP of a wall with a shelf, its gussets closed and clean."""
    part = read(fuse(box((0, 0, 0), (12, 12, 60)), box((0, 0, 40), (18, 12, 44))), tmp_path)
    result = soffit.resolve(part, only=("props",)).write(tmp_path / "out")
    assert result.clean and [e.prop.gussets for e in result.edits if e.prop is not None] == [2]


@pytest.mark.parametrize(("wishes", "remedy"), [
    (PROPS, "prop of gussets"),
    (Wishes(demand=(("F1", "prop of gussets"),)), "prop of gussets"),
    (Wishes(only=frozenset({"prop"}), forbid=frozenset({"prop of gussets"})), "prop leaning"),
])
def test_the_kind_can_be_asked_for(wishes: Wishes, remedy: str) -> None:
    result = resolve(part_of(shelf()), PLA, wishes=wishes)
    assert result.clean and [e.remedy for e in result.edits] == [remedy]
