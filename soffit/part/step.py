"""Read and write STEP, and read shapes of script-CAD objects. The kernel works elsewhere."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import Any, cast

from soffit.errors import FileError, InputError
from soffit.part import kernel
from soffit.part.model import Body, Part
from soffit.part.solid import Solid
from soffit.part.write_mesh import write_whole

# Largest distance between mesh and true surface: a tenth of a 0.2 mm layer (derived).
DEFLECTION_MM = 0.02
# Written into every STEP header, so that the same part gives the same bytes on any day.
STAMP = "2000-01-01T00:00:00"


def read_step(
    path: Path | str,
    *,
    deflection_mm: float = DEFLECTION_MM,
    repair: bool = False,
    timeout_s: float = 120.0,
) -> Part:
    """The solids of a STEP file as a part, in mm, in the file's own frame.

    Assemblies are taken as they stand; names and colours of faces are kept. Loose shells
    beside solids are left out and noted. With `repair`, loose faces of a file without any
    solid are sewn; nothing else is ever mended. What is wrong with the file is in `notes`.

    Raises FileError if the file cannot be read or holds no solid.
    """
    path = Path(path)
    if not path.is_file():
        raise FileError(f"reading {path.name}: there is no such file; check the path")
    part = kernel.call(
        "soffit.part.brep.read:read_step",
        str(path),
        deflection_mm,
        repair,
        timeout_s=timeout_s,
        doing=f"reading {path.name}",
    )
    return cast(Part, part)


def read_shape(
    obj: Any, *, deflection_mm: float = DEFLECTION_MM, timeout_s: float = 120.0
) -> Part:
    """The solids of a B-rep shape, or of a script-CAD object that wraps one (`.wrapped`), in mm.

    Raises InputError for any other object, FileError if it holds no solid.
    """
    kind = type(obj).__name__
    shape = getattr(obj, "wrapped", obj)
    if shape is None or type(shape).__module__.split(".")[0] != "OCP":
        raise InputError(
            f"reading a {kind} object: it wraps no B-rep shape; give the shape itself or a path"
        )
    # The shape lives in this process, so the kernel is loaded here already.
    from soffit.part.brep.shapes import to_bytes

    try:
        data = to_bytes(shape)
    except Exception as error:
        raise InputError(
            f"reading a {kind} object: it is not a shape that can be stored "
            f"({type(error).__name__}); give a solid"
        ) from None
    part = kernel.call(
        "soffit.part.brep.read:read_shape",
        data,
        f"{kind} object",
        deflection_mm,
        timeout_s=timeout_s,
        doing=f"reading a {kind} object",
    )
    return cast(Part, part)


def draw(
    solid: Solid, name: str, *, deflection_mm: float = DEFLECTION_MM, timeout_s: float = 120.0
) -> Part:
    """A solid expression that names no face as a part with a B-rep, mm. Raises GeometryError."""
    part = kernel.call(
        "soffit.part.brep.drawn:draw",
        solid,
        name,
        deflection_mm,
        timeout_s=timeout_s,
        doing=f"drawing {name}",
    )
    return cast(Part, part)


def write_step(
    part: Part,
    props: Sequence[Body],
    path: Path,
    *,
    product: str,
    stamp: str = STAMP,
    timeout_s: float = 120.0,
) -> None:
    """Write the part and its props as AP242 in the file's own frame, mm; same in, same bytes.

    Each face that has a name or colour carries it; props are separate named solids. The file
    is written beside `path` and then put in its place.

    Raises GeometryError for a part without B-rep, KernelError where the kernel fails,
    InputError where the file cannot be written.
    """
    from soffit.part.brep_edit import without_mesh

    text = kernel.call(
        "soffit.part.brep.write:step_text",
        without_mesh(part),
        list(props),
        path.name,
        product,
        stamp,
        timeout_s=timeout_s,
        doing=f"writing {path.name}",
    )
    write_whole(path, cast(bytes, text))
