"""Read a written production file back and review it: the same way when it is written and when
somebody asks, years later, whether it still holds."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from soffit.findings.model import Review
from soffit.findings.review import review
from soffit.part.model import Floats, Part
from soffit.part.place import transform
from soffit.part.read import read
from soffit.part.step import DEFLECTION_MM
from soffit.process.model import Process

# The files that hold the whole of what is printed.
GEOMETRY = ("step", "3mf", "stl")


def read_produced(role: str, path: Path, placement: Floats, deflection_mm: float) -> Part:
    """The part and its props in a production file, in the build frame.

    `placement`: rigid 4×4 from the frame of the customer's file, in which a STEP file is written,
    to the build frame. `deflection_mm`: fineness of the mesh of a B-rep, 0 for a part that came as
    a mesh. Raises FileError where the file cannot be read.
    """
    part = read(path, unit="mm" if role == "stl" else None,
                deflection_mm=deflection_mm or DEFLECTION_MM)
    if role == "step":
        part = transform(part, placement)
    return replace(part, deflection_mm=deflection_mm)


def review_produced(role: str, part: Part, process: Process, bodies: int) -> Review:
    """The full review of a part that was read back; its first `bodies` bodies are the part, the
    rest are props."""
    return review(part, process, from_surface=role == "step", unattended=True, own=bodies)
