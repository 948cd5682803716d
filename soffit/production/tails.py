"""What fails of a normal distribution: tails, their doubt, and limits that hold with confidence.

Of a limit with mean μ and deviation σ a demand that is z = (μ − d)/σ inside of the mean fails with
the tail Φ(−z); Cpk of such a one-sided limit is z/3 (NIST/SEMATECH e-Handbook of Statistical
Methods, 1.3.6.7.1 and 6.1.6).

Mean and deviation are those of a sample of n, so z is known only so well: √n·z of the sample has
the noncentral t distribution with n − 1 degrees of freedom about √n·z of the process. The same
holds the other way round for the limit that all but a share are beyond, with a confidence:

    k = t'(confidence; n − 1, z·√n) / √n,   z = Φ⁻¹(1 − share)

t' being its quantile (NIST/SEMATECH e-Handbook 7.2.6.3; Hahn & Meeker, Statistical Intervals).
"""

from __future__ import annotations

import math

import numpy as np
from scipy.special import nctdtrinc, ndtr
from scipy.stats import nct, norm

from soffit.part.model import Floats

# How sure the two ends of a rate are to be, together (common practice, no source: 90 %, so that the
# greater one alone is sure to 95 %).
BOTH = 0.90


def failing_ppm(z: Floats) -> Floats:
    """How many of a million fail at demands so many deviations inside of the mean."""
    return np.asarray(1e6 * ndtr(-z))


def process_capability(z: float) -> float:
    """Cpk of a one-sided limit: three deviations are 1."""
    return z / 3.0


def z_range(z: float, count: int) -> tuple[float, float]:
    """Between what the true distance lies, in deviations, of which a sample of so many said z."""
    root = math.sqrt(count)
    low, high = (float(nctdtrinc(count - 1, p, root * z)) / root
                 for p in (0.5 * (1.0 + BOTH), 0.5 * (1.0 - BOTH)))
    return low, high


def tolerance_factor(n: int, share: float, confidence: float) -> float:
    """k of the one-sided tolerance limit of a normal sample of n (see the module)."""
    root = math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, float(norm.ppf(1.0 - share)) * root)) / root
