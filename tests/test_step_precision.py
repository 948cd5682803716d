"""A STEP file whose surface closes only where its points are taken to be less precise."""

from __future__ import annotations

from pathlib import Path
from types import SimpleNamespace

import pytest
from OCP.Interface import Interface_Static

from examples._cad import Drawing, box, write_step
from soffit.part.brep import read as reader


def test_the_kernel_reads_by_the_precision_that_is_asked_for(tmp_path: Path) -> None:
    """The kernel keeps the switch for the whole process: each reading sets it anew."""
    path = tmp_path / "block.step"
    write_step(Drawing(box((0, 0, 0), (10, 8, 6))), path, "block")
    for precision, mode in ((reader.COARSE_MM, 1), (None, 0), (reader.COARSE_MM, 1), (None, 0)):
        part = reader._read("block.step", path.read_bytes(), 0.02, False, precision)
        assert part.closed
        assert [n.kind for n in part.notes] == (["file/precision"] if precision else [])
        assert Interface_Static.IVal_s("read.precision.mode") == mode
        assert Interface_Static.RVal_s("read.precision.val") == reader.COARSE_MM


@pytest.mark.parametrize(
    ("plain", "coarse", "taken"),
    [((True, 1), (True, 1), "plain"), ((False, 1), (True, 1), "coarse"),
     ((False, 1), (False, 1), "plain"), ((False, 2), (True, 1), "plain")],
)
def test_a_coarser_reading_is_taken_only_where_it_closes(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, plain: tuple[bool, int],
    coarse: tuple[bool, int], taken: str,
) -> None:
    def fake(*arguments: object) -> SimpleNamespace:
        name, (closed, bodies) = ("plain", plain) if arguments[-1] is None else ("coarse", coarse)
        return SimpleNamespace(name=name, closed=closed, bodies=bodies)

    monkeypatch.setattr(reader, "_read", fake)
    path = tmp_path / "part.step"
    path.write_bytes(b"ISO-10303-21;")
    assert reader.read_step(str(path), 0.02, False).name == taken  # type: ignore[attr-defined]
