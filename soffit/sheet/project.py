"""Line drawings of a part: visible, hidden and smooth edges in one view."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np

from soffit.errors import KernelError
from soffit.part.model import Body, Floats, Mesh, Part
from soffit.sheet.lines import chain, merge, pieces, subtract
from soffit.sheet.mesh_hlr import drawn_edges, split
from soffit.sheet.view import Scene, View, join

# A drawing that takes longer is made from the mesh instead (common practice, no source; the
# largest of the real parts tried took 0.3 s).
TIME_LIMIT_S = 20.0

Lines = tuple[Floats, ...]


@dataclass(frozen=True)
class Drawing:
    """Lines of a part in one view, polylines (n, 2) in mm of the drawing plane, y up.

    `visible` and `hidden`: edges and outlines. `smooth`: visible edges where faces meet
    without an angle. `props`: visible lines of break-away bodies. `engine`: which kernel
    drew the part. `scene`: what the eye sees, props included.
    """

    view: View
    visible: Lines
    hidden: Lines
    smooth: Lines
    props: Lines
    engine: Literal["brep", "mesh"]
    scene: Scene

    @property
    def bounds(self) -> Floats:
        """Lowest and highest corner of the image, (2, 2) mm."""
        points = self.scene.corners[:, :, :2].reshape(-1, 2)
        return np.array([points.min(axis=0), points.max(axis=0)])


def project(part: Part, view: View, props: tuple[Body, ...] = (), *,
            time_limit_s: float = TIME_LIMIT_S) -> Drawing:
    """Draw `part`, with `props` beside it, along `view`.

    A part with a B-rep and no props is drawn by the B-rep kernel, else (or where the kernel
    fails or is late) from the mesh; both give the same lines to within the deflection.
    """
    mesh = join((part.mesh, *(body.mesh for body in props))) if props else part.mesh
    scene = Scene.of(mesh, view)
    if part.brep is not None and not props:
        try:
            return _by_brep(part, part.brep, scene, time_limit_s)
        except KernelError:
            pass  # The mesh gives the same drawing, curves as facets.
    return _by_mesh(mesh, scene, part, bool(props))


def _by_brep(part: Part, brep: bytes, scene: Scene, time_limit_s: float) -> Drawing:
    from soffit.part.kernel import call

    sight = np.eye(4)
    sight[:3, :3] = scene.view.axes
    deflection_mm = 2e-4 * scene.size_mm
    facets = tuple(f.id for f in part.faces if f.edit is not None)
    result = call("soffit.sheet.brep_hlr:hidden_lines", brep, sight @ part.placement,
                  deflection_mm, facets, timeout_s=time_limit_s,
                  doing=f"drawing the {scene.view.name} of {part.source.file}")
    assert isinstance(result, tuple)
    raw = [pieces(lines) for lines in result]
    # Curves come as chords, so only what coincides to within rounding is taken as one line.
    return _clean(raw[0], raw[1], raw[2], np.empty((0, 2, 2)), scene, "brep")


def _by_mesh(mesh: Mesh, scene: Scene, part: Part, with_props: bool) -> Drawing:
    edges = drawn_edges(mesh, scene, tuple(f.id for f in part.faces if f.edit is not None))
    seen, seen_lines, covered, covered_lines = split(scene, edges.ends)
    if not with_props:
        prop_seen = np.zeros(len(seen), dtype=bool)
        prop_covered = np.zeros(len(covered), dtype=bool)
    else:
        # `join` numbers the part 0 and the props from 1.
        prop_seen, prop_covered = edges.owner[seen] > 0, edges.owner[covered] > 0
    sharp = ~edges.smooth[seen]
    return _clean(seen_lines[sharp & ~prop_seen],
                  covered_lines[~edges.smooth[covered] & ~prop_covered],
                  seen_lines[~sharp & ~prop_seen], seen_lines[prop_seen & sharp], scene, "mesh")


def _clean(visible: Floats, hidden: Floats, smooth: Floats, props: Floats, scene: Scene,
           engine: Literal["brep", "mesh"]) -> Drawing:
    """One line where several coincide: visible before smooth before hidden."""
    tolerance = 20.0 * scene.lateral_mm
    visible, props = merge(visible, tolerance), merge(props, tolerance)
    smooth = subtract(merge(smooth, tolerance), visible, tolerance)
    hidden = subtract(merge(hidden, tolerance), visible, tolerance)
    return Drawing(scene.view, chain(visible, tolerance), chain(hidden, tolerance),
                   chain(smooth, tolerance), chain(props, tolerance), engine, scene)
