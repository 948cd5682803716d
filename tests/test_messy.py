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


# --- files that were broken on purpose, from real parts -----------------------------------------

REFUSED = {
    "ascii_decimal_commas.stl": "file/coordinates", "count_says_zero.stl": "file/truncated",
    "dangling_references.step": "file/dangling", "empty_data_section.step": "file/no-solid",
    "nan_inf_vertices.stl": "file/coordinates",
    "open_shell_one_face_missing.step": "file/no-solid", "truncated.step": "file/unreadable",
    "truncated_binary.stl": "file/truncated", "unsewn_faces.step": "file/no-solid",
    "vertex_index_out_of_range.3mf": "file/index",
}


@dataclass(frozen=True)
class Told:
    """What the review says of a file. `sound`: the file that it was made from, if that is there;
    `share`: by how much of it the area over air may differ, None where nothing can be said
    without repair; `repaired`: the same after repair."""

    kinds: set[str]
    sound: str | None = None
    share: float | None = 1e-6
    repaired: float = 1e-6


# The same part as the pump carriage meshes below, as it was exported.
CARRIAGE = "scaled_to_metres.stl"
COVER = "binary_header_starts_with_solid.stl"
GAUGE = "ascii_uppercase_crlf.stl"
REVIEWED = {
    "all_normals_inverted.stl": Told({"file/inverted"}, CARRIAGE, 1e-4, 1e-4),
    "ascii_three_solids_zero_normals.stl": Told({"file/bodies"}),
    GAUGE: Told(set()),
    "assembly_4_instances_two_overlap.step": Told({"file/bodies", "file/self-contact"}),
    "below_bed_and_support_type.3mf": Told({"file/support-objects", "file/unbuilt-objects"},
                                           COVER),
    COVER: Told(set()),
    "bodies_touching_on_an_edge.stl": Told({"file/non-manifold"}),
    "coincident_twin_bodies.stl": Told({"file/duplicate"}, GAUGE),
    "degenerate_slivers.stl": Told({"file/degenerate", "file/open-edges", "file/non-manifold"},
                                   COVER),
    "duplicate_facets_30pct.stl": Told({"file/duplicate"}, COVER),
    "far_from_origin.stl": Told({"file/coordinates", "file/degenerate"}),
    "half_facets_flipped.stl": Told({"file/winding"},
                                    "../../good/odri/body_structure_front_batterie.stl", None),
    # Two facets in a hundred are gone; a straight line across each cuts a little off.
    "holes_2pct_removed.stl": Told({"file/open-edges"}, "../../good/m5_hardware/Dial_Knob.stl",
                                   0.005, 0.005),
    "interpenetrating_bodies.stl": Told({"file/bodies", "file/self-contact"}),
    "mirrored_nested_components.3mf": Told({"file/bodies"}),
    "one_facet_missing.stl": Told({"file/open-edges"}),
    CARRIAGE: Told(set()),
    "sealed_void_with_loose_body.stl": Told({"file/void", "file/bodies"}),
    # A corner that is put in the middle of an edge is rounded to 32 bits and leans its facets.
    "t_junctions_10pct.stl": Told({"file/open-edges"}, CARRIAGE, 0.005, 1e-4),
    "unit_inch.3mf": Told(set(), "../../good/trimesh_models/featuretype.stl"),
    # Tessellated anew from other numbers.
    "unit_inch.step": Told(set(), "../../good/poseidon/Pump_Carriage.step", 1e-3, 1e-3),
    "unit_metre.step": Told(set(), "../../good/poseidon/Pump_Carriage.step", 1e-3, 1e-3),
    "unit_micron.3mf": Told(set(), COVER),
    "unwelded_cracks_2um.stl": Told({"file/open-edges"}),
    "zero_thickness_sheets.stl": Told({"file/zero-volume", "file/open-edges"}),
}


def read_file(file: Path, repair: bool = False) -> Part:
    units = {CARRIAGE: "m", "featuretype.stl": "in"}
    return read(file, repair=repair,
                unit=units.get(file.name, "mm") if file.suffix == ".stl" else None)


def nasty(parts_dir: Path) -> Path:
    return parts_dir / "hostile" / "nasty_derived"


def same_over_air(one: Review, other: Review, share: float) -> None:
    """Each kind and severity as often, and the area over air within a share."""
    assert (sorted((f.kind, f.severity) for f in one.findings if f.kind.startswith("air/"))
            == sorted((f.kind, f.severity) for f in other.findings if f.kind.startswith("air/")))
    assert one.over_air_mm2 == pytest.approx(other.over_air_mm2, rel=share, abs=1e-6)


def test_every_file_is_in_a_table(parts_dir: Path) -> None:
    assert {p.name for p in nasty(parts_dir).iterdir()} == set(REFUSED) | set(REVIEWED)


@pytest.mark.parametrize("name", sorted(REFUSED))
def test_refused_with_one_clear_error(parts_dir: Path, name: str) -> None:
    with pytest.raises(FileError) as caught:
        read_file(nasty(parts_dir) / name)
    assert caught.value.kind == REFUSED[name]
    text = str(caught.value)
    assert name in text and "\n" not in text and len(text) < 400


@pytest.mark.parametrize("name", sorted(REVIEWED))
def test_reviewed_and_told(parts_dir: Path, name: str) -> None:
    told = REVIEWED[name]
    found = reviewed(read_file(nasty(parts_dir) / name))
    said = {f.kind for f in found.findings if f.kind.startswith("file/")}
    assert told.kinds <= said
    assert bool(said) is bool(told.kinds)
    if told.sound is not None and told.share is not None:
        same_over_air(found, reviewed(read_file(nasty(parts_dir) / told.sound)), told.share)


@pytest.mark.parametrize("name", sorted(n for n, t in REVIEWED.items() if t.sound))
def test_repaired_as_the_sound_one(parts_dir: Path, name: str) -> None:
    told = REVIEWED[name]
    assert told.sound is not None
    part = read_file(nasty(parts_dir) / name, repair=True)
    mess = told.kinds & {"file/inverted", "file/duplicate", "file/degenerate", "file/open-edges",
                         "file/winding"}
    said = [n for n in part.notes if n.kind == "file/repaired" and n.count]
    assert bool(said) is bool(mess)
    assert part.closed
    same_over_air(reviewed(part), reviewed(read_file(nasty(parts_dir) / told.sound)),
                  told.repaired)


def test_one_facet_missing_costs_nothing_that_repair_brings_back(parts_dir: Path) -> None:
    file = nasty(parts_dir) / "one_facet_missing.stl"
    plain, mended = reviewed(read_file(file)), reviewed(read_file(file, repair=True))
    same_over_air(plain, mended, 1e-4)


def test_blocks_that_share_an_edge_have_the_findings_of_both(parts_dir: Path) -> None:
    """The upper of the two starts in mid-air: 30 × 20 mm."""
    found = reviewed(read_file(nasty(parts_dir) / "bodies_touching_on_an_edge.stl"))
    (island,) = found.air
    assert island.kind == "air/island" and island.area_mm2 == pytest.approx(600, abs=1e-3)
