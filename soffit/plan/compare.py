"""What changed from one revision of a part to the next: faces, and what is found on it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Literal

import numpy as np

from soffit.findings.model import Review
from soffit.findings.review import review
from soffit.part.model import Part, Vec3
from soffit.part.place import place
from soffit.plan.faces import describe_faces
from soffit.plan.match_faces import FaceMatch, match_faces
from soffit.plan.match_findings import FindingMatch, describe_findings, match_findings
from soffit.process.model import Process


@dataclass(frozen=True)
class Comparison:
    """Two parts in the same way up, each in its own build frame, and what became of the faces
    and findings of `a` in `b`."""

    a: Review
    b: Review
    faces: FaceMatch
    findings: FindingMatch

    @property
    def differs(self) -> bool:
        """Whether anything is otherwise: a face, a finding, or where the part lies in its file."""
        faces, findings = self.faces, self.findings
        return (
            faces.whole_moved
            or any(pair.status != "matched" for pair in faces.pairs)
            or any(pair.moved for pair in findings.pairs)
            or bool(faces.vanished or faces.new)
            or bool(findings.unclear or findings.gone or findings.new)
        )


def compare(
    a: Part,
    b: Part,
    process: Process,
    *,
    up: Literal["keep"] | Vec3 = "keep",
    progress: Callable[[str, int, int], None] | None = None,
) -> Comparison:
    """What changed from part `a` to part `b`, both as made by one process.

    `up`, in the frame of `a`, is turned along where `b` as a whole lies turned in its file, so
    that both stand in the same way up. Raises InputError for a direction without length.
    """
    faces = match_faces(describe_faces(a), describe_faces(b))
    one = review(place(a, up), process, unattended=True, progress=progress)
    turn = b.placement[:3, :3] @ faces.motion[:3, :3] @ a.placement[:3, :3].T
    up_b: Literal["keep"] | Vec3 = "keep"
    if up != "keep" or not np.allclose(turn[2], (0.0, 0.0, 1.0), atol=1e-9):
        x, y, z = (turn @ ((0.0, 0.0, 1.0) if up == "keep" else up)).tolist()
        up_b = (x, y, z)
    two = review(place(b, up_b), process, unattended=True, progress=progress)
    return Comparison(
        one,
        two,
        faces,
        match_findings(
            describe_findings(one.part, one.findings), describe_findings(two.part, two.findings),
            faces,
        ),
    )
