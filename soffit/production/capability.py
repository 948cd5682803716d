"""What a process can do, from coupons: limits with the spread that they have, and how sure that is.

A coupon is a ladder of levels of one limit: overhangs ever flatter, bridges ever longer, lips ever
deeper. Of each coupon printed it is written down which level was the last to hold and which the
first to fail. The limit of that coupon lies between; limits of coupons are taken as normal.

**Tolerance limit.** Below x̄ − k·s (above x̄ + k·s where less is harder) the limit lies for all but a
share of coupons, with a confidence. k is exact for a normal sample of n:

    k = t'(confidence; n − 1, z·√n) / √n,   z = Φ⁻¹(1 − share)

t' being the quantile of the noncentral t distribution (NIST/SEMATECH e-Handbook of Statistical
Methods, 7.2.6.3; Hahn & Meeker, Statistical Intervals). The middle of the two levels is taken for
the limit: that adds the spread of the steps to the sample's, so that the tolerance limit is rather
too careful. The mean has Student's interval, the deviation that of χ².

A ladder that held to its end, or at no level, says less than a number; such coupons are refused
with the advice to print a longer ladder.
"""

from __future__ import annotations

import csv
import json
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.stats import chi2, nct, norm, t

from soffit.errors import InputError
from soffit.part.model import Floats

# The limits that ladders are printed for: whether more is harder.
HARDER = {"angle_deg": False, "lip_mm": True, "bridge_mm": True}

# Share of coupons that may fail at the limit that is written into a profile, and how sure that is
# to be (common practice, no source: 99 % with 95 % confidence).
SHARE, CONFIDENCE = 0.01, 0.95

# Fewer coupons than this are few (common practice, no source); one has no spread.
FEW = 10
COLUMNS = ("limit", "held", "failed")


@dataclass(frozen=True)
class Reading:
    """One coupon: of which limit, the last level that held and the first that failed."""

    limit: str
    held: float
    failed: float

    @property
    def middle(self) -> float:
        """Where its limit is taken to lie."""
        return 0.5 * (self.held + self.failed)


@dataclass(frozen=True)
class Fit:
    """One limit: coupons, mean and deviation with their intervals, and the tolerance limit that all
    but a share are beyond, at a confidence."""

    limit: str
    count: int
    mean: float
    mean_range: tuple[float, float]
    deviation: float
    deviation_range: tuple[float, float]
    tolerance: float
    share: float
    confidence: float

    @property
    def small(self) -> bool:
        """Whether these are so few coupons that more should be printed."""
        return self.count < FEW


def read_results(path: Path) -> list[Reading]:
    """Coupons of a CSV file with the columns limit, held and failed; others are left alone. Raises
    InputError for a line that makes no sense, with its number."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"reading {path}: {error}; give a CSV file in UTF-8") from None
    rows = csv.DictReader(text.splitlines())
    missing = [name for name in COLUMNS if name not in (rows.fieldnames or ())]
    if missing:
        raise InputError(f"reading {path}: there is no column {missing[0]!r}; the first line must "
                         f"name {', '.join(COLUMNS)}")
    return [_reading(path, number, row) for number, row in enumerate(rows, start=2)
            if any((value or "").strip() for value in row.values() if isinstance(value, str))]


def _reading(path: Path, line: int, row: dict[str, str | None]) -> Reading:
    where = f"reading {path}, line {line}"
    limit = (row["limit"] or "").strip()
    if limit not in HARDER:
        raise InputError(f"{where}: limit {limit!r}; allowed: {', '.join(HARDER)}")
    levels = []
    for name in ("held", "failed"):
        word = (row[name] or "").strip()
        if not word:
            raise InputError(f"{where}: {name} is empty; a ladder that {name} at no level is too "
                             "short, print a longer one")
        try:
            levels.append(float(word))
        except ValueError:
            levels.append(math.nan)
        if not math.isfinite(levels[-1]) or levels[-1] < 0.0:
            raise InputError(f"{where}: {name} is {word!r}; give a number that is not negative")
    held, failed = levels
    if (failed > held) is not HARDER[limit] or failed == held:
        more = "more" if HARDER[limit] else "less"
        raise InputError(f"{where}: held {held:g}, failed {failed:g}; {more} {limit} is harder, so "
                         f"what fails must be {more}")
    return Reading(limit, held, failed)


def fit(
    readings: Iterable[Reading], *, share: float = SHARE, confidence: float = CONFIDENCE
) -> tuple[Fit, ...]:
    """The limits of coupons, in the order of `HARDER`. Raises InputError where there is only one
    coupon of a limit."""
    of: dict[str, list[float]] = {name: [] for name in HARDER}
    for reading in readings:
        of[reading.limit].append(reading.middle)
    for name, middles in of.items():
        if len(middles) == 1:
            raise InputError(f"fitting {name}: one coupon has no spread; print at least two, "
                             f"better {FEW}")
    return tuple(fit_one(name, np.array(middles), share=share, confidence=confidence)
                 for name, middles in of.items() if middles)


def fit_one(
    limit: str, sample: Floats, *, share: float = SHARE, confidence: float = CONFIDENCE
) -> Fit:
    """The limit of a sample of at least two."""
    n = len(sample)
    mean, deviation = float(sample.mean()), float(sample.std(ddof=1))
    half = float(t.ppf(0.5 * (1.0 + confidence), n - 1)) * deviation / math.sqrt(n)
    low, high = (deviation * math.sqrt((n - 1) / float(chi2.ppf(p, n - 1)))
                 for p in (0.5 * (1.0 + confidence), 0.5 * (1.0 - confidence)))
    k = tolerance_factor(n, share, confidence)
    side = -1.0 if HARDER[limit] else 1.0
    return Fit(limit, n, mean, (mean - half, mean + half), deviation, (low, high),
               mean + side * k * deviation, share, confidence)


def tolerance_factor(n: int, share: float, confidence: float) -> float:
    """k of the one-sided tolerance limit of a normal sample of n (see the module)."""
    root = math.sqrt(n)
    return float(nct.ppf(confidence, n - 1, float(norm.ppf(1.0 - share)) * root)) / root


def failing_ppm(found: Fit, value: float) -> float:
    """How many of a million coupons fail at a value, by the fitted distribution itself, without the
    doubt about it."""
    side = 1.0 if HARDER[found.limit] else -1.0
    if found.deviation == 0.0:
        return 1e6 if side * (value - found.mean) > 0.0 else 0.0
    return 1e6 * float(norm.cdf(side * (value - found.mean) / found.deviation))


def process_capability(found: Fit, value: float) -> float:
    """Cpk of a one-sided limit: how many times three deviations the mean is away from a value
    (NIST/SEMATECH e-Handbook, 6.1.6); infinite without spread."""
    side = 1.0 if HARDER[found.limit] else -1.0
    away = side * (found.mean - value)
    return away / (3.0 * found.deviation) if found.deviation else math.copysign(math.inf, away)


def words(found: Fit) -> str:
    """One limit in a sentence."""
    few = f" {found.count} coupons are few: print more." if found.small else ""
    low, high = found.mean_range
    return (f"{found.limit}: {found.mean:.2f} on the mean ({low:.2f} to {high:.2f}), deviation "
            f"{found.deviation:.3f}, of {found.count} coupons; "
            f"{found.tolerance:.2f} holds for {100.0 * (1.0 - found.share):g} % with "
            f"{100.0 * found.confidence:g} % confidence.{few}")


def profile_text(fits: Sequence[Fit], base: str, name: str, machine: str, date: str) -> str:
    """A profile that differs from its base by these limits, each with where it comes from."""
    title = f"{base} as measured on {machine}, {date}"
    lines = [f"base = {_quoted(base)}", f"name = {_quoted(name)}", f"title = {_quoted(title)}", "",
             "[capability]"]
    for found in fits:
        value = max(0.0, found.tolerance)
        source = (f"{found.count} coupons on {machine}, {date}: {100.0 * (1.0 - found.share):g} % "
                  f"with {100.0 * found.confidence:g} % confidence")
        lines.append(f"{found.limit} = {{ value = {value:.3g}, source = {_quoted(source)}, "
                     'grade = "measured" }')
    return "\n".join(lines) + "\n"


def _quoted(text: str) -> str:
    """A text as TOML has it: as JSON has it, but for one character."""
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")
