"""Push button, known only as a mesh: its cap stands out round the stem, over air."""

import numpy as np
from manifold3d import CrossSection, Manifold


def draw() -> Manifold:
    """Stem with a flat at its foot and a cap with a domed top; 64 facets round."""
    rise = np.linspace(0.0, 1.0, 9)
    dome = [(18.0 * np.cos(a), 24.0 + 5.0 * np.sin(a)) for a in rise * np.pi / 2]
    profile = [(0.0, 0.0), (7.0, 0.0), (7.0, 18.0), (18.0, 18.0), *dome[:-1], (0.0, 29.0)]
    cap = Manifold.revolve(CrossSection([profile]), 64)
    flat = Manifold.cube((4.0, 20.0, 16.0), True)
    return cap - flat.translate((7.5, 0.0, 3.0))
