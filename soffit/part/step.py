"""Read and write STEP, and read shapes of script-CAD objects. The kernel works elsewhere."""

from __future__ import annotations

from pathlib import Path
from typing import cast

from soffit.errors import FileError
from soffit.part import kernel
from soffit.part.model import Part

# Largest distance between mesh and true surface: a tenth of a 0.2 mm layer (derived).
DEFLECTION_MM = 0.02


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
        raise FileError(f"{path.name}: there is no such file; check the path")
    part = kernel.call(
        "soffit.part.brep.read:read_step",
        str(path),
        deflection_mm,
        repair,
        timeout_s=timeout_s,
        doing=f"reading {path.name}",
    )
    return cast(Part, part)
