"""Too small a foot for the height: the nozzle pulls the part off the platform.

**What happens.** The nozzle drags on what it prints. Near the top of a tall part that drag
has a long lever, and the rim of a small first layer peels.

**How it is measured.** The pull at the rim of the first layer is F·H·c / I: F the drag, H the
height, I the smaller second moment of area of the first layer about its middle, c its half
width across that axis (derived: a foot in bending). It is compared with the adhesion of the
first layer.

**Inputs.** Drag 0.5 N and adhesion 0.2 MPa, both from memory and of low worth
(`soffit.process.physics`): measure them on your own machine.

**Example.** A post of 4 × 4 mm, 60 mm high: 0.5 · 60 · 2 / 21.3 = 2.8 MPa; 0.2 MPa is allowed.

**Cures.** Another way up, a foot that is cut off after, several parts tied at the foot.

**Limits.** The foot is taken as one rigid plate. Slender parts standing alone for a while are
`bed/topple`.
"""

from __future__ import annotations

from soffit.findings.built import Built, platform_faces
from soffit.findings.model import Finding
from soffit.process.physics import peel_of, second_moments

KIND = "bed/footprint"


def check(built: Built) -> list[Finding]:
    """Whether the whole part, at its full height, keeps to the platform."""
    foot = tuple(ring for component in built.layers[0] for ring in component.rings)
    height = float(built.stack.top_mm[-1])
    if not foot:
        return []  # a point or an edge: `bed/edge`
    drag, holds = built.process.drag_n, built.process.capability.adhesion_mpa.value
    pull = peel_of(foot, drag, height)
    if pull <= holds:
        return []
    area, _, _, centre = second_moments(foot)
    message = (f"a foot of {area:.0f} mm² under {height:.0f} mm of height: drag of {drag:g} N "
               f"pulls at its rim with {pull:.1f} MPa; {holds:g} MPa holds")
    return [built.finding(KIND, "marginal", message, (*centre, 0.0), (0.0, 0.0),
                          limit=holds, rings=foot, faces=platform_faces(built.part))]
