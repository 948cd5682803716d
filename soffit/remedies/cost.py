"""What an option takes and what it does to the surface; what that costs is `process.cost`.

Plastic is the difference, layer by layer, of what the part takes with and without it: wall lines,
skins and infill as in `layers.plastic`, in a window around the change that is wider than its
walls.

**Deviation.** The largest distance of the new surface from the surface as it was, measured at
points about `SAMPLE_MM` apart; of a prop its contact is the change, and it has none.
"""

from __future__ import annotations

import manifold3d as m3
import numpy as np

from soffit.layers.plastic import laid_mm2
from soffit.layers.stack import LayerStack
from soffit.part.deviation import mesh_distance, spread_points
from soffit.part.model import Ints, Part
from soffit.process.model import Process

# Spacing of the points at which a deviation is measured, and the most of them (derived: half a
# wall, and a tenth of a second).
SAMPLE_MM = 0.5
MOST_SAMPLES = 300


def laid_by(solid: m3.Manifold, op: str, stack: LayerStack, process: Process) -> float:
    """Plastic that adding, cutting or standing a solid takes, as laid, mm³; less than 0 where it
    saves some."""
    if solid.is_empty():
        return 0.0
    x0, y0, z0, x1, y1, z1 = solid.bounding_box()
    first = int(np.searchsorted(stack.cut_mm, z0))
    last = int(np.searchsorted(stack.cut_mm, z1)) - 1
    if last < first:
        return 0.0
    if op == "prop":
        return float(solid.volume())  # walls of one line, nothing inside
    skins = round(process.filling.skins.value)
    # Two skins below and above, so that what the outermost of these layers miss is left out.
    low, high = max(0, first - 2 * skins), min(len(stack) - 1, last + 2 * skins)
    margin = 2.0 * (process.filling.walls.value + 1.0) * process.line_mm
    window = m3.CrossSection.square((x1 - x0 + 2 * margin, y1 - y0 + 2 * margin)).translate(
        (x0 - margin, y0 - margin))
    before = [region ^ window for region in stack.regions[low : high + 1]]
    slices = [solid.slice(z) for z in stack.cut_mm[low : high + 1].tolist()]
    after = [old + cut if op == "add" else old - cut
             for old, cut in zip(before, slices, strict=True)]
    more = laid_mm2(after, process) - laid_mm2(before, process)
    start = skins if low > 0 else 0
    end = len(more) - (skins if high < len(stack) - 1 else 0)
    heights = np.diff(stack.top_mm, prepend=0.0)[low : high + 1]
    return float((more * heights)[start:end].sum())


def surface_change(solid: m3.Manifold, names: Ints, part: Part) -> tuple[float, float]:
    """Area of the part's surface that bounds `solid`, mm², and the largest distance of the rest of
    its surface from the part's, mm. `solid` is what is added (outside the part) or removed (inside
    it); `names`: the kernel's names of the part as an original solid."""
    if solid.is_empty():
        return 0.0, 0.0
    mesh = solid.to_mesh64()
    corners = np.asarray(mesh.vert_properties)[:, :3][np.asarray(mesh.tri_verts)]
    area = 0.5 * np.linalg.norm(
        np.cross(corners[:, 1] - corners[:, 0], corners[:, 2] - corners[:, 0]), axis=1)
    old = np.zeros(len(corners), dtype=bool)
    bounds = np.asarray(mesh.run_index) // 3
    for run, name in enumerate(np.asarray(mesh.run_original_id).tolist()):
        if name in names:
            old[bounds[run] : bounds[run + 1]] = True
    new = float(area[~old].sum())
    count = min(MOST_SAMPLES, int(np.ceil(new / SAMPLE_MM**2)))
    deviation = mesh_distance(spread_points(corners[~old], count), part.mesh) if count else 0.0
    return float(area[old].sum()), deviation
