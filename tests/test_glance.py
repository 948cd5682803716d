"""Looking again at the layers that changed alone says what looking at all of them says."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import pytest

from soffit.findings.model import Review
from soffit.findings.review import reviewed
from soffit.layers.stack import cut_again, cut_layers
from soffit.part.edit import apply, make_body
from soffit.part.place import place
from soffit.part.scene import with_bodies
from soffit.part.step import read_shape
from soffit.plan.trials import Rules, State, Tried, attempt, change_of
from soffit.process.load import load_process
from soffit.remedies import all_options
from soffit.remedies.model import Option
from tests.shapes import (
    box,
    counterbore,
    example,
    flange,
    fuse,
    hanging_tongue,
    mixed,
    rooted_ledge,
    rounded_bottom,
    twin_holes,
)

PROCESS = load_process("pla-04")

# Among them they have an option of every remedy.
PARTS = {
    "mixed": mixed(), "twin holes": twin_holes(), "rooted ledge": rooted_ledge(),
    "flange": flange(), "seat": counterbore(4, 1.7, 4), "rounding": rounded_bottom(4, 8),
    "tongue": hanging_tongue(),
    "low step": fuse(box((0, 0, 1), (30, 10, 10)), box((0, 0, 0), (24, 10, 1))),
}


def state_of(name: str) -> State:
    part = place(read_shape(PARTS[name])) if name in PARTS else example(name)
    stack = cut_layers(part, PROCESS)
    before, look = reviewed(part, PROCESS, stack=stack)
    return State(part, (), before, stack, look)


def options_of(state: State) -> Iterator[Option]:
    for finding in state.review.air:
        yield from all_options(state.context, finding)[0]


def told(review: Review) -> list[tuple[object, ...]]:
    """What a review says of what is over air, but for the faces and what rests on them: a boolean
    cuts a face into other triangles, and so its mean angle is known a little differently."""
    return sorted((f.kind, f.severity, f.patch.layers, round(f.area_mm2, 5))
                  for f in review.findings if f.kind.startswith("air/"))


@pytest.mark.parametrize("name", [*PARTS, "latch_hook"])
def test_every_option_of_a_part(name: str) -> None:
    state = state_of(name)
    rules = Rules(state.review, frozenset(), ())
    tried = 0
    for option in options_of(state):
        part, props = state.mesh_part, state.props
        if option.op == "prop":
            props = (make_body("E1", option.solid, part),)
        else:
            part = apply(part, [change_of(option, "E1")])
        whole, _ = reviewed(with_bodies(part, props), PROCESS)
        glanced = attempt(state, option, "E1", rules)
        assert isinstance(glanced, Tried)
        assert told(glanced.review) == told(whole), option.remedy
        tried += 1
    assert tried > 1


def test_a_part_of_another_height_is_cut_whole() -> None:
    state = state_of("flange")
    mesh = state.produced.mesh
    taller = replace(state.mesh_part, mesh=replace(mesh, vertices=mesh.vertices * [1, 1, 1.1]))
    assert cut_again(state.stack, taller, PROCESS, range(2, 5)) is None
