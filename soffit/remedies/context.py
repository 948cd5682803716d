"""What every remedy looks at: the review, the layers and the part as a mesh-kernel solid."""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property

import manifold3d as m3
import numpy as np

from soffit.findings.model import Review
from soffit.layers.stack import LayerStack
from soffit.part.model import Ints, Part
from soffit.process.model import Process

# Overlap of an added solid with a mesh part, so that no two faces merely touch: ten
# times below what a nozzle can place, a hundred times above mesh-kernel rounding (derived).
HAIR_MM = 0.01

# Share of the bridge limit that a remedy leaves to be spanned (common practice, no source: a
# fifth kept as margin).
BRIDGE_SHARE = 0.8

# Share of the tolerated lip that a remedy leaves (common practice, no source: a quarter kept as
# margin).
LIP_SHARE = 0.75


@dataclass(frozen=True)
class Context:
    """One reviewed part with what trying a remedy on it needs.

    `part` is the reviewed part in the build frame, `stack` its layers, `solid` the part as
    one mesh-kernel solid or None where its surface is not closed (no remedy applies then).
    `clear`: the plan region that no prop may enter.
    """

    part: Part
    review: Review
    stack: LayerStack
    solid: m3.Manifold | None
    clear: m3.CrossSection = field(default_factory=m3.CrossSection)

    @property
    def process(self) -> Process:
        """The process that the part was reviewed for."""
        return self.review.process

    @cached_property
    def names(self) -> Ints:
        """Names that the mesh kernel gives the surface of `solid` in what is made from it."""
        if self.solid is None:
            return np.empty(0, dtype=np.int64)
        return np.unique(np.asarray(self.solid.to_mesh64().run_original_id, dtype=np.int64))

    @cached_property
    def bodies(self) -> tuple[m3.Manifold, ...]:
        """The bodies of `solid`, without the hollows in them."""
        pieces = self.solid.decompose() if self.solid is not None else []
        return tuple(piece for piece in pieces if piece.volume() > 0.0)


def context_of(
    review: Review, stack: LayerStack, clear: m3.CrossSection | None = None
) -> Context:
    """Context of a review and the layers that it was made from, with what no prop may enter."""
    from soffit.part.manifold import to_manifold

    return Context(review.part, review, stack, to_manifold(review.part.mesh),
                   clear or m3.CrossSection())
