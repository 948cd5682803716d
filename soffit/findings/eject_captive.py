"""Something loose stays on the platform, or in the part, when the part leaves.

**What happens.** The part is pushed off by itself and the next job begins. A piece that is
not tied to it stays behind and the next job prints over it; one that stands inside the part
rattles, or jams the ejector.

**How it is measured.** Pieces that share no layer contact to the end of the build are loose from
each other. The largest is the part. A smaller one whose plan lies within the plan hull of a
larger one is captive: nothing pushes it.

**Inputs.** None.

**Cures.** Tie the pieces, print them apart, or leave a way out for the ejector.

**Limits.** Pieces that touch in a layer count as tied, whatever the width of the contact; a
hinge printed in place with its clearance counts as captive, rightly or not: it is a note to
be looked at.
"""

from __future__ import annotations

import numpy as np
import shapely

from soffit.findings.built import Built
from soffit.findings.model import Finding

KIND = "eject/captive"


def check(built: Built) -> list[Finding]:
    """Every piece beside the largest that ends by itself."""
    pieces = sorted((p for p in built.pieces if not p.joins), key=lambda p: -p.volume_mm3)
    pieces = [p for p in pieces if p.foot]
    hulls = [shapely.convex_hull(shapely.multipoints(np.concatenate(p.foot))) for p in pieces]
    found = []
    for k, piece in enumerate(pieces[1:], start=1):
        caught = any(hulls[j].covers(hulls[k]) for j in range(k))
        x, y, _ = piece.centre.tolist()
        message = (f"a loose piece of {piece.volume_mm3:.0f} mm³ "
                   + ("stands within another; nothing pushes it off the platform" if caught
                      else "stands beside the rest; it leaves the platform by itself"))
        found.append(built.finding(
            KIND, "marginal" if caught else "note", message, (x, y, 0.0),
            (0.0, built.top_mm(piece.upto)), rings=piece.foot))
    return found
