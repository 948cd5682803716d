"""What the file itself says: each `file/*` kind, with its manual."""

from __future__ import annotations

from soffit.findings.model import Finding
from soffit.part.model import Part, Severity, Vec3
from soffit.process.model import Process

MANUAL: dict[str, str] = {
    "file/unreadable": "The file cannot be read as a part. Export it again from CAD.",
    "file/open-edges": "Edges with a facet on one side only: the inside of the part is not "
    "defined. Layers are closed by straight lines so that the review can go on; close the "
    "surface in CAD, or try --repair.",
    "file/non-manifold": "Edges where more than two facets meet. The review counts material "
    "where the surface winds around it at least once.",
    "file/winding": "Neighbouring facets that face opposite ways: inside and outside are not "
    "defined. Try --repair.",
    "file/inverted": "A body whose facets face inwards, outside every other body. It encloses "
    "no material as written. Turn it in CAD, or try --repair.",
    "file/duplicate": "Facets written twice. They count once.",
    "file/degenerate": "Facets without area. They are left out of the review.",
    "file/self-contact": "Facets or bodies of the part that cross or touch each other. The review "
    "counts material where the surface winds around it at least once; edit it as CAD before "
    "production.",
    "file/bodies": "The file holds several bodies. They are printed together, as placed.",
    "file/void": "A sealed cavity inside the part. Nothing can be taken out of it.",
    "file/zero-volume": "The surface encloses no volume: there is nothing to print.",
    "file/unit": "The size is implausible in the unit stated. Check the unit.",
    "file/build-volume": "The part is larger than the build volume of the process as it stands.",
    "file/repaired": "A repair that was asked for, and what it changed.",
    "file/precision": "Points of a STEP file that are less precise than it states; read as such.",
    "file/loose-shells": "Faces or shells beside the solids of a STEP file. They are left out.",
    "file/invalid-brep": "The B-rep checker reports faults. Editing may fail; heal it in CAD.",
    "file/mesh": "A face of the B-rep could not be turned into facets.",
    "file/support-objects": "Objects that the file marks as support. They are left out.",
    "file/unbuilt-objects": "Objects of the file that are not part of what it builds. They are "
    "left out.",
    "file/rounding": "Corners that differ by less than the rounding of the file's numbers were "
    "joined: facets that meant to share a corner do.",
    "file/coordinates": "Coordinates so far from the origin that the file's numbers are coarse "
    "there. Move the part to the origin in CAD and export it again.",
    "file/leftover": "Bytes after the end of what the file says it holds. They are left out.",
    "file/dangling": "Parts of a STEP file refer to others that it does not hold. What depends on "
    "them is missing; export it again.",
}


def judge(part: Part, process: Process) -> list[Finding]:
    """The notes of the reader as findings, and whether the part fits the build volume."""
    notes = [_finding(n.kind, n.severity, n.message, n.at_mm) for n in part.notes]
    return notes + _build_volume(part, process)


def _build_volume(part: Part, process: Process) -> list[Finding]:
    """The part fits if its plan box fits the platform either way round, and its height."""
    platform = process.platform
    room = sorted((platform.width_mm.value, platform.depth_mm.value))
    x, y, z = part.size_mm
    plan = sorted((x, y))
    if plan[0] <= room[0] and plan[1] <= room[1] and z <= platform.height_mm.value:
        return []
    return [
        _finding(
            "file/build-volume",
            "blocker",
            f"{x:.1f} × {y:.1f} × {z:.1f} mm does not fit {platform.width_mm.value:.0f} × "
            f"{platform.depth_mm.value:.0f} × {platform.height_mm.value:.0f} mm; "
            "try another way up, or a process with a larger platform",
            None,
        )
    ]


def _finding(kind: str, severity: Severity, message: str, at_mm: Vec3 | None) -> Finding:
    at = at_mm or (0.0, 0.0, 0.0)
    return Finding(
        id="",
        kind=kind,
        severity=severity,
        z_mm=(at[2], at[2]),
        at_mm=at,
        area_mm2=0.0,
        reach_mm=None,
        span_mm=None,
        angle_deg=None,
        limit=None,
        faces=(),
        message=message,
    )
