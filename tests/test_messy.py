"""What a mess in a mesh does to its findings: docs/messy-files.md, held to its word.

Each mess is made of a sound mesh here, so that its findings are known. Where the inside of the
part is still defined they are the same; everywhere the review says what it met, and with repair
the part lists what was changed and has the findings of the sound one. Then files of other people
that were broken on purpose.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import pytest

from soffit.errors import FileError
from soffit.findings import file_notes
from soffit.findings.explain import explain
from soffit.findings.model import Review
from soffit.findings.review import review
from soffit.part.model import Part
from soffit.part.place import place
from soffit.part.read import read
from soffit.process.load import load_process
from tests import messes
from tests.meshes import Arrays, kinds, turned
from tests.relations import OUTLINE_MM, RELATIONS, Relation, differences

PROCESS = load_process("pla-04")
SAME = Relation(lambda m: m, lambda p: p)
# Outlines go through the middles of refined facets as well.
FINER = RELATIONS["refined"]
# A corner is up to 2 µm off along each axis, so a plane of three such by no more than twice that,
# and where two facets meet at an acute angle in plan the outline by a little more (derived).
CRACKED = Relation(lambda m: m, lambda p: p, more_corners=True,
                   moves_mm=OUTLINE_MM + 4 * messes.JITTER_MM, lifts_mm=2 * messes.JITTER_MM)


def reviewed(part: Part) -> Review:
    return review(place(part, "keep"), PROCESS)


def look(mesh: Arrays, repair: bool = False) -> Review:
    return reviewed(read(mesh, unit="mm", repair=repair))


@dataclass(frozen=True)
class Mess:
    """`made`: the mesh; `sound`: the one it is to be compared with. `told`: what the review says
    of it, and after repair, besides the list of repairs (`mended`). `defined`: whether the inside
    is, so that the findings are the same without repair."""

    made: Callable[[], Arrays]
    sound: Callable[[], Arrays]
    told: set[str]
    defined: bool = True
    mended: bool = True
    left: frozenset[str] = frozenset()
    relation: Relation = SAME


def of(change: Callable[[Arrays], Arrays]) -> Callable[[], Arrays]:
    return lambda: change(messes.fine())


def bench() -> Arrays:
    return messes.arrays_of(messes.bench())


def bench_and_block() -> Arrays:
    return messes.arrays_of(messes.bench() + messes.solid_block(40.001, 20.001, 0, 50, 30, 20))


MESSES: dict[str, Mess] = {
    "facets written twice": Mess(of(messes.duplicated), messes.fine, {"file/duplicate"}),
    "a body written twice": Mess(of(messes.twins), messes.fine, {"file/duplicate"}),
    "inside out": Mess(of(turned), messes.fine, {"file/inverted"}),
    "half the facets turned": Mess(of(messes.half_flipped), messes.fine, {"file/winding"},
                                   defined=False),
    "T-junctions": Mess(of(messes.t_junctions), messes.fine, {"file/open-edges"},
                        relation=FINER),
    "facets without area": Mess(of(messes.slivers), messes.fine, {"file/degenerate"},
                                relation=FINER),
    "facets with equal corners": Mess(of(messes.collapsed), messes.fine, {"file/degenerate"}),
    "cracks": Mess(of(messes.cracked), messes.fine, {"file/open-edges"}, relation=CRACKED),
    "a facet of a wall missing": Mess(of(messes.wall_missing), messes.fine, {"file/open-edges"}),
    "a facet of an underside missing": Mess(of(messes.underside_missing), messes.fine,
                                            {"file/open-edges"}),
    "a sheet inside": Mess(of(messes.inner_sheet), messes.fine, {"file/zero-volume"}),
    "a sheet beside": Mess(of(messes.outer_sheet), messes.fine, {"file/zero-volume"}),
    "a wall inside": Mess(messes.halves, bench, {"file/zero-volume"}, relation=FINER),
    "bodies that cross": Mess(messes.crossing, messes.crossing_clean,
                              {"file/bodies", "file/self-contact"}, relation=FINER),
    "bodies that share an edge": Mess(messes.on_an_edge, bench_and_block, {"file/non-manifold"},
                                      mended=False, left=frozenset({"file/non-manifold"})),
    "a body through itself": Mess(messes.through_itself, messes.through_itself_clean,
                                  {"file/self-contact"}, mended=False,
                                  left=frozenset({"file/self-contact"}), relation=FINER),
}


def test_the_sound_one_has_one_of_each() -> None:
    found = look(messes.fine())
    assert [(f.kind, f.severity) for f in found.findings] == [
        ("air/ceiling", "note"), ("air/bridge", "note"), ("air/slope", "blocker"),
        ("air/ledge", "blocker")]
    assert differences(look(bench()), found, FINER) == []


@pytest.mark.parametrize("name", MESSES)
def test_a_mess_is_told_and_changes_no_finding(name: str) -> None:
    mess = MESSES[name]
    found = look(mess.made())
    assert mess.told <= {f.kind for f in found.findings}
    if mess.defined:
        assert differences(look(mess.sound()), found, mess.relation) == []
    else:
        assert [f for f in found.findings if f.kind in mess.told and f.severity == "blocker"]
        assert not found.clean


@pytest.mark.parametrize("name", MESSES)
def test_repair_lists_what_it_changed(name: str) -> None:
    mess = MESSES[name]
    part = read(mess.made(), unit="mm", repair=True)
    said = [n for n in part.notes if n.kind == "file/repaired"]
    assert bool(said) is mess.mended
    assert all(n.count > 0 for n in said)
    assert kinds(part) - {"file/repaired"} <= mess.left | {"file/degenerate"}
    assert part.closed
    assert differences(look(mess.sound()), reviewed(part), mess.relation) == []


@pytest.mark.parametrize("kind", sorted({k for m in MESSES.values() for k in m.told}
                                        | {"file/repaired"}))
def test_the_rule_is_explained(kind: str) -> None:
    text = explain(kind)
    assert text.startswith(kind) and file_notes.MANUAL[kind] in text
    rules = Path(__file__).resolve().parent.parent / "docs" / "messy-files.md"
    assert f"`{kind}`" in rules.read_text(encoding="utf-8")
