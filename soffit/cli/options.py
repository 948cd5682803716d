"""The options that commands share, and how their values are read."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from enum import StrEnum
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from soffit.errors import InputError

if TYPE_CHECKING:
    from soffit.api import Box, Up
    from soffit.production.price import Tooled


class Unit(StrEnum):
    """Units a mesh file can be in."""

    MM = "mm"
    CM = "cm"
    M = "m"
    IN = "in"
    FT = "ft"
    UM = "um"


class TextOrJson(StrEnum):
    """How results are written."""

    TEXT = "text"
    JSON = "json"


class Preference(StrEnum):
    """What is to be least (see `soffit.plan.wishes`)."""

    PRICE = "price"
    PLASTIC = "plastic"
    TIME = "time"
    LOOKS = "looks"


class ReviewFormat(StrEnum):
    """How a review is written."""

    TEXT = "text"
    JSON = "json"
    SARIF = "sarif"


class PaperSize(StrEnum):
    """Paper of the change sheet."""

    A3 = "a3"
    A4 = "a4"
    LETTER = "letter"


def parse_up(text: str) -> Up:
    """`--up`: "keep", "auto", or a direction "x,y,z"."""
    if text == "keep":
        return "keep"
    if text == "auto":
        return "auto"
    return _direction("--up", text, "keep, auto, or a direction such as 0,-1,0 that is not 0,0,0")


def parse_direction(option: str, text: str | None) -> tuple[float, float, float] | None:
    """A direction "x,y,z" of an option, None where it is not given."""
    if text is None:
        return None
    return _direction(option, text, "a direction such as 0,-1,0 that is not 0,0,0")


def _direction(option: str, text: str, allowed: str) -> tuple[float, float, float]:
    x, y, z = _numbers(option, text, 3, allowed)
    if x == y == z == 0.0:
        raise InputError(f"reading {option}: {text!r} is not understood; give {allowed}")
    return (x, y, z)


def parse_quantities(text: str) -> tuple[int, ...]:
    """`--quantity` with several numbers, in order."""
    try:
        found = sorted({int(word.replace("_", "")) for word in text.split(",")})
    except ValueError:
        found = [0]
    if found[0] < 1:
        raise InputError(f"reading --quantity: {text!r} is not understood; give whole numbers of "
                         "at least 1, such as 1,1000,100000")
    return tuple(found)


def parse_tooled(text: str | None) -> Tooled | None:
    """`--tooled`: what a tool costs, each part from it, and its days; None where not given."""
    if text is None:
        return None
    from soffit.production.price import Tooled

    allowed = "three numbers that are not negative, such as 18000,0.35,30"
    tool, piece, days = _numbers("--tooled", text, 3, allowed)
    if min(tool, piece, days) < 0.0:
        raise InputError(f"reading --tooled: {text!r} is not understood; give {allowed}")
    return Tooled(tool, piece, days)


def parse_keep_out(text: str) -> Box | Path:
    """`--keep-out`: a box, or a file that is there."""
    if not re.search(r"[^\d\s,.eE+-]", text):
        return parse_box(text)
    path = Path(text)
    if not path.is_file():
        raise InputError(
            f"reading --keep-out: there is no file {text!r}; give a STEP, STL, 3MF, OBJ or PLY "
            "file, or two opposite corners of a box, x0,y0,z0,x1,y1,z1 in mm"
        )
    return path


def parse_box(text: str) -> Box:
    """A box: opposite corners "x0,y0,z0,x1,y1,z1" in mm, put in order."""
    allowed = "two opposite corners of a box, x0,y0,z0,x1,y1,z1 in mm"
    a, b, c, d, e, f = _numbers("--keep-out", text, 6, allowed)
    box = (min(a, d), min(b, e), min(c, f), max(a, d), max(b, e), max(c, f))
    if any(box[i] == box[i + 3] for i in range(3)):
        raise InputError(f"reading --keep-out: {text!r} has no volume; give {allowed}")
    return box


def parse_demands(texts: Sequence[str]) -> dict[str, str]:
    """`--demand`: "F3=roof", for each finding once."""
    found: dict[str, str] = {}
    for text in texts:
        finding, equals, remedy = (item.strip() for item in text.partition("="))
        if not equals or not finding or not remedy:
            raise InputError(f"reading --demand: {text!r} is not understood; give a finding and "
                             "its remedy, such as F3=roof")
        if found.setdefault(finding, remedy) != remedy:
            raise InputError(f"reading --demand: {finding} is given two remedies; give one")
    return found


def parse_forbidden(texts: Sequence[str]) -> tuple[list[str], dict[str, list[str]]]:
    """`--forbid`: "prop" for the whole part, "F3=roof" for one finding."""
    everywhere: list[str] = []
    there: dict[str, list[str]] = {}
    for text in texts:
        finding, equals, remedy = (item.strip() for item in text.partition("="))
        if not equals:
            everywhere.append(text)
        elif finding and remedy:
            there.setdefault(finding, []).append(remedy)
        else:
            raise InputError(f"reading --forbid: {text!r} is not understood; give a remedy, or a "
                             "finding and the remedy that it is not to get, such as F3=roof")
    return everywhere, there


def parse_points(option: str, texts: Sequence[str], allowed: str) -> list[tuple[float, ...]]:
    """Points of two or three numbers, such as "12,5" and "12,5,3"."""
    return [tuple(_numbers(option, text, 3 if text.count(",") == 2 else 2, allowed))
            for text in texts]


def _numbers(option: str, text: str, count: int, allowed: str) -> list[float]:
    try:
        values = [float(item) for item in text.split(",")]
    except ValueError:
        values = []
    if len(values) != count or not all(map(math.isfinite, values)):
        raise InputError(f"reading {option}: {text!r} is not understood; give {allowed}")
    return values


def complete_process(incomplete: str) -> list[str]:
    """Profiles that begin like this, for the shell."""
    from soffit.process.load import available

    return [name for name in available() if name.startswith(incomplete)]


def complete_topic(incomplete: str) -> list[str]:
    """Kinds of finding and remedies that begin like this, for the shell."""
    from soffit.remedies.explain import topics

    return [topic for topic in topics() if topic.startswith(incomplete)]


PartFile = Annotated[
    Path,
    typer.Argument(metavar="PART", help="STEP, STL, 3MF, OBJ or PLY file.", show_default=False),
]
FirstFile = Annotated[
    Path, typer.Argument(metavar="A", help="The part before.", show_default=False)
]
SecondFile = Annotated[
    Path, typer.Argument(metavar="B", help="The part after.", show_default=False)
]
ProcessOption = Annotated[
    str,
    typer.Option(
        "--process",
        metavar="NAME|FILE",
        help="Profile (see soffit processes) or TOML file of your own.",
        autocompletion=complete_process,
    ),
]
UnitOption = Annotated[
    Unit | None,
    typer.Option("--unit", help="Unit of a mesh file that states none.", show_default=False),
]
UpOption = Annotated[
    str,
    typer.Option(
        "--up",
        metavar="keep|auto|X,Y,Z",
        help="What points up: as drawn, as is best, or this direction.",
    ),
]
LoadOption = Annotated[
    str | None,
    typer.Option(
        "--load",
        metavar="X,Y,Z",
        help="Direction that the part is pulled along, in its file's frame.",
        show_default=False,
    ),
]
FaceUpOption = Annotated[
    str | None,
    typer.Option(
        "--face-up",
        metavar="SELECTOR",
        help="A flat face that must point up (selectors as of --protect).",
        show_default=False,
    ),
]
CosmeticOption = Annotated[
    list[str] | None,
    typer.Option(
        "--cosmetic",
        metavar="SELECTOR",
        help="Faces that are looked at, better not facing down; repeatable.",
        show_default=False,
    ),
]
DrawingOption = Annotated[
    Path | None,
    typer.Option(
        "--out",
        metavar="DIR",
        help="Folder for a drawing of the ways up (SVG) and what was found of each (CSV).",
        show_default=False,
    ),
]
ProtectOption = Annotated[
    list[str] | None,
    typer.Option(
        "--protect",
        metavar="SELECTOR",
        help='Faces that must not change, such as "face near 0,0,12 facing +z", "features" or '
        "what soffit features prints; repeatable.",
        show_default=False,
    ),
]
KeepOutOption = Annotated[
    list[str] | None,
    typer.Option(
        "--keep-out",
        metavar="FILE|X0,Y0,Z0,X1,Y1,Z1",
        help="Where nothing may be added: the bodies in a file, where they stand beside the part, "
        "or a box in mm in the build frame; repeatable.",
        show_default=False,
    ),
]
PreferOption = Annotated[
    Preference,
    typer.Option("--prefer", help="What is to be least; looks: surface changed."),
]
ForbidOption = Annotated[
    list[str] | None,
    typer.Option(
        "--forbid",
        metavar="[FINDING=]REMEDY",
        help='Remedy never to be used, such as prop or "roof leaving a bridge", or not for this '
        "finding of the review, such as F3=roof; repeatable.",
        show_default=False,
    ),
]
OnlyOption = Annotated[
    list[str] | None,
    typer.Option(
        "--only",
        metavar="REMEDY",
        help="Remedy to be used, and no other that is not named so too, such as props; repeatable.",
        show_default=False,
    ),
]
DemandOption = Annotated[
    list[str] | None,
    typer.Option(
        "--demand",
        metavar="FINDING=REMEDY",
        help="Remedy that a finding of the review gets, such as F3=roof, no variant of it: "
        "'F3=just roof', or one of its options by its words: 'F3=prop: 9 ridges on 4 posts'; "
        "repeatable.",
        show_default=False,
    ),
]
PropAtOption = Annotated[
    list[str] | None,
    typer.Option(
        "--prop-at",
        metavar="X,Y[,Z]",
        help="Set a prop here, under the lowest underside or the one nearest to Z; mm in the build "
        "frame; repeatable.",
        show_default=False,
    ),
]
NoPropAtOption = Annotated[
    list[str] | None,
    typer.Option(
        "--no-prop-at",
        metavar="X,Y[,R]",
        help="No prop within R mm of here, 4 if not given; repeatable.",
        show_default=False,
    ),
]
DeviationOption = Annotated[
    float | None,
    typer.Option(
        "--max-deviation",
        metavar="MM",
        min=0.0,
        help="Farthest that a surface may move from where it is.",
        show_default=False,
    ),
]
RecipeOption = Annotated[
    Path | None,
    typer.Option(
        "--recipe",
        metavar="FILE",
        help="Decisions taken on this part or an earlier revision of it, to be taken again.",
        show_default=False,
    ),
]
TargetOption = Annotated[
    float | None,
    typer.Option(
        "--target-ppm",
        metavar="N",
        help="Of a million parts no more than N may fail at their places: limits are tightened.",
        show_default=False,
    ),
]
QuantityOption = Annotated[
    int, typer.Option("--quantity", min=1, metavar="N", help="How many parts will be made.")
]
RepairOption = Annotated[
    bool, typer.Option("--repair", help="Mend a mesh that is not closed, and say what was done.")
]
FastOption = Annotated[
    bool,
    typer.Option("--fast", help="A coarse answer, in at most 100 layers; no verdict, never 0."),
]
OutOption = Annotated[
    Path,
    typer.Option("--out", metavar="DIR", help="Folder for the files.", show_default=False),
]
PaperOption = Annotated[
    PaperSize, typer.Option("--paper", help="Paper of the change sheet.")
]
RevisionOption = Annotated[
    str,
    typer.Option("--revision", metavar="TEXT", help="Revision of the part, for the title block.",
                 show_default=False),
]
PreparedForOption = Annotated[
    str,
    typer.Option("--prepared-for", metavar="NAME", help="Whose part it is, for the title block.",
                 show_default=False),
]
FormatOption = Annotated[TextOrJson, typer.Option("--format", help="How results are written.")]
ReviewFormatOption = Annotated[
    ReviewFormat, typer.Option("--format", help="How results are written.")
]
