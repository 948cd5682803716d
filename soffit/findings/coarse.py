"""A coarse answer first: several layers looked at as one, in steps as much longer.

The angle that holds, the lip and the span stay what they are, so a level underside keeps its
area, and facets still say its height and which surface it is. What one layer decides is lost:
features thinner than a coarse layer can be missed, slopes end to a coarse strip, reaches and runs
are up to a coarse step too long (a ledge on top of a slope counts the slope's last step in), a
level underside that meets a slope within one coarse layer counts as part of it, and edges where
steep faces meet are not told of. So a coarse answer is no verdict.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

from soffit.findings import bed_edge, bed_footprint, warp_corner
from soffit.findings.built import Built
from soffit.findings.model import Coarse, Finding, Review
from soffit.findings.review import CHECKS, in_order, review
from soffit.layers.stack import cut_layers, layers_at_once
from soffit.part.model import Part
from soffit.process.model import Process

# What the first layer alone decides; it is as thick as ever. The others look at real layers.
KEPT = (bed_edge, bed_footprint, warp_corner)

# Layers from which on a part is coarsened (own choice: a hundred take well under a second).
MOST_LAYERS = 100


def review_coarsely(
    part: Part, process: Process, *, progress: Callable[[str, int, int], None] | None = None
) -> Review:
    """The review of a placed part in at most `MOST_LAYERS` layers; the full one, with all that
    may stop an unattended run, where the part has no more than that."""
    count = layers_at_once(part.size_mm[2], process, MOST_LAYERS)
    if count == 1 or not part.mesh.triangles.size:
        return review(part, process, unattended=True, progress=progress)
    thick = process.thicker(count)
    stack = cut_layers(part, thick)
    found = review(part, thick, stack=stack, progress=progress)
    findings = [f for f in found.findings if sure(f)]
    if any(not region.is_empty() for region in stack.regions):
        built = Built(part, process, stack)
        findings += [finding for check in KEPT for finding in check.check(built)]
    left_out = tuple(check.KIND for check in CHECKS if check not in KEPT)
    coarse = Coarse(count, thick.layer_mm, thick.step_mm, left_out)
    return replace(found, process=process, findings=in_order(findings), coarse=coarse)


def sure(finding: Finding) -> bool:
    """Whether a facet flatter than the limit lies over it: where steep faces meet in an edge, a
    coarse step past it may be more than the lip. An island needs none."""
    if not finding.kind.startswith("air/") or finding.kind == "air/island":
        return True
    return len(finding.patch.triangles) > 0
