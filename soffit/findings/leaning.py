"""How the surface over a patch leans: its mean, and whether most of it is level.

A facet is sampled by one point in each layer. Most are smaller than the patch below them and that
does; a long one, as of a rounding along an edge or of a plane, may reach over several patches, and
counts in each with the area that it has there.
"""

from __future__ import annotations

import numpy as np
import shapely

from soffit.findings.facets import FlatFacets
from soffit.findings.patches import RawPatch
from soffit.part.model import Floats, Ints

# A surface flatter than this is one level ceiling, printed in one layer, whatever its fit
# says: over 10 mm it rises by 0.35 mm, less than two layers (derived).
LEVEL_DEG = 2.0

# A facet with at most this share of a patch's area counts by its sample (derived: what lies past
# the patch of the few that cross its edge is less than what the outline of a layer is known to).
SMALL_SHARE = 0.01


def mean_angle_deg(patch: RawPatch, facets: FlatFacets) -> float | None:
    """How far the surface over a patch leans on the mean, None where no facet is over it."""
    weight = facets.weight[patch.samples]
    total = float(weight.sum())
    return float((facets.angle_deg[patch.samples] * weight).sum() / total) if total else None


def mostly_level(patch: RawPatch, facets: FlatFacets) -> bool:
    """Whether the greater part of the surface over a patch is level; so where no facet is."""
    span = facets.of_layer(patch.layer)
    level = facets.angle_deg[span] < LEVEL_DEG
    if not len(patch.samples) or level.all() or not level.any():
        return not len(patch.samples) or bool(level.all())
    small = facets.weight[span] <= SMALL_SHARE * patch.area_mm2
    large = span.start + np.flatnonzero(~small)
    over = facets.weight[patch.samples] * small[patch.samples - span.start]
    flat = level[patch.samples - span.start]
    on_level, leaning = float(over[flat].sum()), float(over[~flat].sum())
    area = _over(patch, facets, large)
    flat = level[large - span.start]
    return on_level + float(area[flat].sum()) >= leaning + float(area[~flat].sum())


def _over(patch: RawPatch, facets: FlatFacets, samples: Ints) -> Floats:
    """Plan area that the facet of each sample has over a patch within its layer, (k,) mm²."""
    drawn = facets.bands(samples)
    near = np.flatnonzero(shapely.intersects(drawn, shapely.box(*patch.polygon.bounds)))
    area = np.zeros(len(samples))
    area[near] = shapely.area(shapely.intersection(drawn[near], patch.polygon))
    return area
