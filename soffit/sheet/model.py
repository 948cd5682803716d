"""The change sheet as plain frozen data: what both the page and the PDF are written from."""

from __future__ import annotations

from dataclasses import dataclass
from importlib.metadata import version

import soffit
from soffit.sheet.figure import Figure


def made_by() -> str:
    """What made a sheet, with its version."""
    return f"Soffit {soffit.__version__}"


def versions() -> str:
    """What made a sheet and the files that it is about, each with its version."""
    kernels = (("B-rep kernel", "cadquery-ocp-novtk"), ("mesh kernel", "manifold3d"),
               ("typesetter", "typst"))
    return ", ".join((made_by(), *(f"{what} {name} {version(name)}" for what, name in kernels)))


def sheet_number(received: str, produced: str) -> str:
    """The number of a sheet, from the SHA-256 of the file as received and of the production file
    that it was proven on."""
    return f"{received[:8]}-{produced[:8]}"


@dataclass(frozen=True)
class OpenRow:
    """A place that still prints over air. `measure` and `limit` are figures in `unit`."""

    number: str
    place: str
    where: str
    measure: str
    unit: str
    limit: str
    reason: str


@dataclass(frozen=True)
class ChangeRow:
    """One change to approve or decline. `edit` is its name in the CAD and in the report;
    `volume_mm3` is signed: plastic added or taken away. `plastic` in g as laid, `time` in s of
    machine and hand, `price` are what one part takes more by it ("" unknown). `fails`: how many of
    a million fail at what it leaves, `sure`: "uncalibrated" where it rests on what nobody measured.
    """

    number: str
    edit: str
    place: str
    where: str
    measure: str
    unit: str
    limit: str
    change: str
    op: str
    why: str
    volume_mm3: float
    plastic: str
    time: str
    price: str
    after: str
    fails: str
    sure: str


@dataclass(frozen=True)
class NoteRow:
    """Something else the reader must know: a place cured by the changes of others, a note."""

    number: str
    place: str
    text: str


@dataclass(frozen=True)
class ProtectedRow:
    """A protected face and how far the produced part departs from it."""

    face: str
    selector: str
    deviation_mm: float
    allowed_mm: float
    untouched: bool


@dataclass(frozen=True)
class LimitRow:
    """A limit used, with where it comes from and how much that is worth. `of_props`: it concerns
    props alone."""

    name: str
    value: str
    unit: str
    source: str
    grade: str
    of_props: bool = False


@dataclass(frozen=True)
class QuantityRow:
    """One measured or estimated figure; `values` follow the headings of its table."""

    name: str
    unit: str
    values: tuple[str, ...]


@dataclass(frozen=True)
class AlternativeRow:
    """One of the best sets of changes to choose from. `values` for each part: price, g of plastic
    as laid, s of machine, s by hand, mm that the surface moves at most, mm² left over air."""

    words: str
    remedies: str
    values: tuple[str, ...]
    chosen: bool


@dataclass(frozen=True)
class FileRow:
    """A file that the sheet is about: `what` it is, and its SHA-256."""

    what: str
    sha256: str


@dataclass(frozen=True)
class Sheet:
    """Everything that the change sheet says, in the words and figures that the reader sees.

    `number` identifies the sheet by the geometry it is about. `views`: part as received, as
    produced, elevations with height profile. `sections`: one cut through each change.
    `ways_up`: maps of all ways up where one was chosen, `up_why` the reason. `price`: its chart,
    where there is an estimate. `measured` has the columns before and after; `estimate` has as
    received, with slicer supports, resolved (or no rows). `alternatives`: none where there is no
    choice. `rates`: what those behind time and price are worth. `ejection`: how it is pushed off
    the platform ("" unknown). `risk`: what of a million fails, in sentences. `files`: what it is
    about, `versions`: what made them.
    """

    title: str
    number: str
    made_by: str
    file: str
    revision: str
    prepared_for: str
    date: str
    process: str
    quantity: int
    verdict: str
    clean: bool
    received_hash: str
    produced_hash: str
    orientation: str
    up_why: str
    ejection: str
    risk: tuple[str, ...]
    views: tuple[Figure, ...]
    sections: tuple[Figure, ...]
    ways_up: tuple[Figure, ...]
    price: tuple[Figure, ...]
    open: tuple[OpenRow, ...]
    changes: tuple[ChangeRow, ...]
    notes: tuple[NoteRow, ...]
    protected: tuple[ProtectedRow, ...]
    limits: tuple[LimitRow, ...]
    rates: str
    measured: tuple[QuantityRow, ...]
    estimate: tuple[QuantityRow, ...]
    alternatives: tuple[AlternativeRow, ...]
    files: tuple[FileRow, ...]
    versions: str
    cautions: tuple[str, ...]
