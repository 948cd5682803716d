"""Recognise what the parts of a part may be for."""

from __future__ import annotations

from soffit.part.features.hole_pattern import find_patterns
from soffit.part.features.mating_face import find_mating_faces
from soffit.part.features.model import Features
from soffit.part.features.round_hole import find_round_holes
from soffit.part.features.sizes import with_readings
from soffit.part.model import Part


def recognise(part: Part) -> Features:
    """Round holes, patterns of them and faces that may mate, in the part's present frame.

    Ids go by height, y and x in the file's frame, whatever points up. A part whose surface is
    not closed has none: what is inside cannot be told there.
    """
    holes = tuple(with_readings(hole) for hole in find_round_holes(part))
    patterns = find_patterns(part, holes)
    return Features(part, holes, patterns, find_mating_faces(part, holes, patterns))
