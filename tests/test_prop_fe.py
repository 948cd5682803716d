"""How much a prop gives, by beam formulas and by finite elements of the body as drawn."""

from __future__ import annotations

import manifold3d as m3
import numpy as np
import pytest
import shapely
from scipy.sparse.linalg import splu
from skfem import Basis, ElementHex1, ElementVector, MeshHex, asm
from skfem.models.elasticity import lame_parameters, linear_elasticity

from soffit.layers.stack import plan_of
from soffit.part.model import Floats
from soffit.process.load import load_process
from soffit.remedies.prop_sections import Sections, bends_mm, turns_mm
from soffit.remedies.prop_shape import House, Room, shell

PLA = load_process("pla-04")
MODULUS = 1000.0 * PLA.material.modulus_gpa.value
CELL_MM = 0.2  # half a wall, one layer
ANYWHERE = Room.of(m3.CrossSection.square((400.0, 400.0), True))


def cells_of(body: m3.Manifold, cell: float = CELL_MM) -> MeshHex:
    """The body as cubes, those whose middle lies in it."""
    x0, y0, z0, x1, y1, z1 = body.bounding_box()
    grid = MeshHex.init_tensor(*(np.arange(round(a / cell) * cell, b + 0.5 * cell, cell)
                                 for a, b in ((x0, x1), (y0, y1), (z0, z1))))
    middle = grid.p[:, grid.t].mean(axis=1)
    inside = np.zeros(middle.shape[1], dtype=bool)
    for z in np.unique(middle[2].round(6)).tolist():
        here = np.flatnonzero(np.abs(middle[2] - z) < 1e-6)
        inside[here] = shapely.contains_xy(
            plan_of(body.slice(z)), middle[0, here], middle[1, here])
    return grid.restrict(np.flatnonzero(inside))


def pulled(mesh: MeshHex, loads: list[tuple[int, float]]) -> Floats:
    """How far the tip gives for each load: along an axis, 0 or 1, on what of the tip lies past so
    far along the ridge, mm."""
    # Exact for cubes: products of their strains are of the second degree along each axis, and two
    # points along each integrate the third (Gauss).
    basis = Basis(mesh, ElementVector(ElementHex1()), intorder=3)
    lame = lame_parameters(MODULUS, PLA.material.poisson.value)
    stiffness = asm(linear_elasticity(*lame), basis).tocsc()
    free = basis.complement_dofs(basis.get_dofs(lambda x: x[2] < CELL_MM / 2))
    solve = splu(stiffness[free][:, free]).solve
    x, _, z = mesh.p
    given = []
    for axis, past in loads:
        tip = basis.nodal_dofs[axis, (z > z.max() - CELL_MM / 2) & (x > past)]
        force, moved = np.zeros(basis.N), np.zeros(basis.N)
        force[tip] = PLA.drag_n / len(tip)
        moved[free] = solve(force[free])
        given.append(float(moved[tip].mean()))
    return np.array(given)


def test_a_post_bends_as_much_as_its_body_of_finite_elements() -> None:
    """A ridge of 8 mm on a post of 2.4 by 2.4, 20 high, of walls of one line: 8,558 cubes. Bent
    across and along by 0.17 mm: 5 % apart; pulled at the end, which also turns it: 0.21 mm, 8 %,
    as finite elements also shear, and their ridge bends by itself."""
    line = np.array([[-4.0, 0.0], [4.0, 0.0]])
    house = House(line, 2.4, 2.4, 20.0, 0.0, fan=True)
    sections = Sections.of(house, PLA)
    across, along = bends_mm(sections, PLA)
    turn = turns_mm(sections, 4.0, PLA)
    found = pulled(cells_of(shell(house, ANYWHERE, PLA)),
                   [(1, -9.0), (0, -9.0), (1, 3.5)])
    assert found[:2] == pytest.approx([across, along], rel=0.05)
    assert found[2] == pytest.approx(across + turn, rel=0.08)
    assert across == pytest.approx(0.170, abs=0.001)
