"""How the surface over a patch leans: its mean, and whether most of it is level.

A facet is sampled by one point in each layer. Most are smaller than the patch below them and that
does; a long one, as of a rounding along an edge or of a plane, may reach over several patches, and
counts in each with the area that it has there.
"""

from __future__ import annotations

import numpy as np
import shapely
from numpy.typing import NDArray

from soffit.findings.facets import FlatFacets
from soffit.part.model import Floats, Ints

# A surface flatter than this is one level ceiling, printed in one layer, whatever its fit
# says: over 10 mm it rises by 0.35 mm, less than two layers (derived).
LEVEL_DEG = 2.0

# A facet with at most this share of a patch's area counts by its sample (derived: what lies past
# the patch of the few that cross its edge is less than what the outline of a layer is known to).
SMALL_SHARE = 0.01


def mean_angle_deg(samples: Ints, facets: FlatFacets) -> float | None:
    """How far the surface over a patch leans on the mean, None where no facet is over it."""
    weight = facets.weight[samples]
    total = float(weight.sum())
    return float((facets.angle_deg[samples] * weight).sum() / total) if total else None


def mostly_level(
    rings: tuple[Floats, ...], area_mm2: float, samples: Ints, facets: FlatFacets, span: slice
) -> bool:
    """Whether the greater part of the surface over a patch is level, or no facet is over it.

    `rings`: its outline, outer ring first, each (n, 2) mm; `samples`: those over it; `span`: those
    of its layer.
    """
    level = facets.angle_deg[span] < LEVEL_DEG
    if not len(samples) or level.all() or not level.any():
        return not len(samples) or bool(level.all())
    small = facets.weight[span] <= SMALL_SHARE * area_mm2
    large = np.flatnonzero(~small)
    mine = samples - span.start
    over = facets.weight[samples] * small[mine]
    area = _over(rings, facets.bands(span.start + large))
    flat = float(over[level[mine]].sum()) + float(area[level[large]].sum())
    return 2.0 * flat >= float(over.sum()) + float(area.sum())


def _over(rings: tuple[Floats, ...], drawn: NDArray[np.object_]) -> Floats:
    """Area of each of some polygons over a patch, (k,) mm²."""
    # Outlines of layers may cross themselves by rounding.
    patch = shapely.make_valid(shapely.Polygon(rings[0], rings[1:]))
    near = np.flatnonzero(shapely.intersects(drawn, shapely.envelope(patch)))
    area = np.zeros(len(drawn))
    area[near] = shapely.area(shapely.intersection(drawn[near], patch))
    return area
