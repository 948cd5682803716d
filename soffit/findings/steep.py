"""Undersides that are steep enough: how flat each is, where it is so for farther than a lip.

A surface is held by its angle where it leans on for longer than the process holds a flat lip. If
the process can print no flatter than some angle today, what of the surface is flatter than that
hangs; it fails where that is more than one step and the lip. So the angle at which a surface just
fails is the least for which its flatter part, layer by layer h / tan δ, runs farther (derived).
Where the surface begins in a slope that is too flat, within the lip, the run of that counts with
it. Surfaces that are shorter are lips, whatever their angle.

Facets that meet smoothly are one surface. Of each layer of one the flattest tenth says how flat it
is, all of it together how wide.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from soffit.findings.facets import (
    ANGLE_TOLERANCE_DEG,
    SMOOTH_DEG,
    FlatFacets,
    flat_facets,
)
from soffit.findings.model import Finding, Margin
from soffit.layers.stack import LayerStack
from soffit.part.model import Ints, Mesh, Part, vec3
from soffit.part.topology import edges_of, label
from soffit.process.model import Process

# Share of a layer of a surface that may be flatter than what counts for it (own choice: facets
# scatter, and what is flatter for less of its width is held by what is beside it).
FLATTEST = 0.1


def steep(
    part: Part, process: Process, stack: LayerStack, findings: Sequence[Finding], upto_deg: float
) -> list[Margin]:
    """The undersides no flatter than is allowed and flatter than `upto_deg`, each with the angle at
    which it fails. `findings`: those of the part; surfaces of which one is past its limit have
    none."""
    facets = flat_facets(part.mesh, stack, upto_deg + ANGLE_TOLERANCE_DEG)
    if not len(facets.triangle):
        return []
    triangles, of = np.unique(facets.triangle, return_inverse=True)
    count, surface = _surfaces(part.mesh, triangles)
    begins = np.full(count, -process.step_mm)
    for finding in findings:
        if finding.kind in ("air/slope", "air/ledge"):
            at = np.searchsorted(triangles, finding.patch.triangles)
            at = at[at < len(triangles)]
            mine = np.unique(surface[at[np.isin(triangles[at], finding.patch.triangles)]])
            run = (finding.reach_mm or 0.0) if finding.severity == "note" else np.inf
            begins[mine] = np.maximum(begins[mine], run)
    allowed = facets.angle_deg >= process.angle_deg - ANGLE_TOLERANCE_DEG
    rows = np.flatnonzero(allowed & np.isfinite(begins)[surface[of]])
    found = []
    by_surface = rows[np.argsort(surface[of[rows]], kind="stable")]
    cuts = np.flatnonzero(np.diff(surface[of[by_surface]])) + 1
    for samples in np.split(by_surface, cuts) if len(by_surface) else ():
        left = process.lip_mm - float(begins[surface[of[samples[0]]]])
        angle = _fails_at(facets, samples, process.layer_mm, left)
        if angle is not None and angle < upto_deg:
            found.append(_margin(part, facets, samples, angle))
    return found


def _surfaces(mesh: Mesh, triangles: Ints) -> tuple[int, Ints]:
    """Number of smooth surfaces that some facets of a mesh make, and which each is of, (m,)."""
    edges = edges_of(mesh.triangles[triangles])
    first = edges.start[edges.count == 2]
    a, b = edges.facet[first], edges.facet[first + 1]
    normals = mesh.normals[triangles]
    smooth = np.einsum("ij,ij->i", normals[a], normals[b]) > np.cos(np.radians(SMOOTH_DEG))
    return label(np.column_stack([a[smooth], b[smooth]]), len(triangles))


def _fails_at(facets: FlatFacets, samples: Ints, layer_mm: float, left_mm: float) -> float | None:
    """The angle up to which the layers of one surface, flattest first, run farther than
    `left_mm`; None where all of them do not."""
    layer, angle, weight = (v[samples] for v in (facets.layer, facets.angle_deg, facets.weight))
    order = np.lexsort((angle, layer))
    layer, angle, weight = layer[order], angle[order], weight[order]
    start = np.flatnonzero(np.diff(layer, prepend=-1))
    count = np.diff(start, append=len(layer))
    total = np.add.reduceat(weight, start)
    upto = np.cumsum(weight) - np.repeat(np.cumsum(total) - total, count)
    enough = np.flatnonzero(upto >= FLATTEST * np.repeat(total, count) - 1e-12)
    first = enough[np.searchsorted(layer[enough], layer[start])]
    wide = np.add.reduceat(weight * layer_mm / np.tan(np.radians(angle)), start) / total
    by_angle = np.argsort(angle[first], kind="stable")
    flattest, run = angle[first][by_angle], np.cumsum(wide[by_angle])
    if run[-1] < left_mm:
        return None
    # Within a layer it goes on to where the next begins.
    ends = np.append(flattest[1:], flattest[-1])
    begun = np.concatenate([[0.0], run[:-1]])
    past = int(np.searchsorted(run, left_mm))
    share = (left_mm - begun[past]) / (run[past] - begun[past])
    return float(flattest[past] + share * (ends[past] - flattest[past]))


def _margin(part: Part, facets: FlatFacets, samples: Ints, angle: float) -> Margin:
    flat = samples[facets.angle_deg[samples] <= angle + ANGLE_TOLERANCE_DEG]
    z = facets.z_mm[samples]
    largest = flat[np.argmax(facets.weight[flat])]
    at = np.append(facets.xy[largest], facets.z_mm[largest].mean())
    faces = np.unique(part.mesh.face_of[facets.triangle[flat]])
    return Margin("angle_deg", angle, "air/slope", (float(z[:, 0].min()), float(z[:, 1].max())),
                  vec3(at), tuple(faces.tolist()))
