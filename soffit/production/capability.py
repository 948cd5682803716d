"""What a process can do, from coupons: limits with the spread that they have, and how sure that is.

A coupon is a ladder of levels of one limit: overhangs ever flatter, bridges ever longer, lips ever
deeper, tips ever softer, feet ever wider. Of each coupon printed it is written down which level was
the last to hold and which the first to fail. The limit of that coupon lies between; limits of
coupons are taken as normal.

**Tolerance limit.** Below x̄ − k·s (above x̄ + k·s where less is harder) the limit lies for all but a
share of coupons, with a confidence; k as in `production.tails`. The middle of the two levels is
taken for the limit: that adds the spread of the steps to the sample's, so that the tolerance limit
is rather too careful; where all coupons fell between the same two levels, that of the step alone,
step/√12, is left. The mean has Student's interval, the deviation that of χ².

**Ladders without an end.** A ladder that held to its end says only that its limit lies past it, one
that failed throughout only that it lies before. Where there are such, mean and deviation are those
of the greatest likelihood of all intervals together, those with one end open included,

    Σ log(Φ((b − μ)/σ) − Φ((a − μ)/σ)),   σ · √(n/(n − 1)) of it,

and k, t and χ² are those of as many coupons as gave a number, so that the rest sharpen the fit but
never its confidence (own choice; simulated: with up to half of the coupons so, the limit meant to
hold with 95 % confidence does with 95 to 99 % where ladders held to their end, with 92 to 96 %
where they failed throughout). More than half, or fewer than two numbers, are refused.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from scipy.optimize import minimize
from scipy.special import ndtr
from scipy.stats import chi2, t

from soffit.errors import InputError
from soffit.part.model import Floats
from soffit.process.limits import LIMITS, careful
from soffit.process.text import toml_value
from soffit.production.tails import tolerance_factor

# The limits that ladders are printed for.
LADDERS = ("angle_deg", "lip_mm", "bridge_mm", "give_lines", "contact_mm")

# Share of coupons that may fail at the limit that is written into a profile, and how sure that is
# to be (common practice, no source: 99 % with 95 % confidence).
SHARE, CONFIDENCE = 0.01, 0.95

# Fewer coupons than this are few (common practice, no source); one has no spread.
FEW = 10

# Most of the coupons that may be without an end (measured: see the module).
OPEN_SHARE = 0.75

COLUMNS = ("limit", "held", "failed")


@dataclass(frozen=True)
class Reading:
    """One coupon: of which limit, the last level that held and the first that failed; None where
    none did."""

    limit: str
    held: float | None
    failed: float | None

    @property
    def ends(self) -> tuple[float, float]:
        """Between what its limit lies."""
        harder = LIMITS[self.limit].harder
        low, high = (self.held, self.failed) if harder else (self.failed, self.held)
        return (-math.inf if low is None else low, math.inf if high is None else high)


@dataclass(frozen=True)
class Fit:
    """One limit: mean and deviation with their intervals, and the tolerance limit that all but a
    share are beyond, at a confidence. `count`: the coupons that gave a number; `past`, `before`:
    those whose ladder held to its end, and failed throughout."""

    limit: str
    count: int
    mean: float
    mean_range: tuple[float, float]
    deviation: float
    deviation_range: tuple[float, float]
    tolerance: float
    share: float
    confidence: float
    past: int = 0
    before: int = 0

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
    if limit not in LADDERS:
        raise InputError(f"{where}: limit {limit!r}; allowed: {', '.join(LADDERS)}")
    levels: list[float | None] = []
    for name in ("held", "failed"):
        word = (row[name] or "").strip()
        try:
            level = float(word) if word else None
        except ValueError:
            level = math.nan
        if level is not None and (not math.isfinite(level) or level < 0.0):
            raise InputError(f"{where}: {name} is {word!r}; give a number that is not negative")
        levels.append(level)
    held, failed = levels
    if held is None and failed is None:
        raise InputError(f"{where}: neither held nor failed is given; leave one empty only where "
                         "a ladder held to its end or failed throughout")
    harder = LIMITS[limit].harder
    if held is not None and failed is not None and (
            (failed > held) is not harder or failed == held):
        more = "more" if harder else "less"
        raise InputError(f"{where}: held {held:g}, failed {failed:g}; {more} {limit} is harder, so "
                         f"what fails must be {more}")
    return Reading(limit, held, failed)


def fit(
    readings: Iterable[Reading], *, share: float = SHARE, confidence: float = CONFIDENCE
) -> tuple[Fit, ...]:
    """The limits of coupons, in the order of `LADDERS`. Raises InputError where the coupons of a
    limit say too little."""
    of: dict[str, list[tuple[float, float]]] = {name: [] for name in LADDERS}
    for reading in readings:
        of[reading.limit].append(reading.ends)
    return tuple(fit_one(name, np.array(ends), share=share, confidence=confidence)
                 for name, ends in of.items() if ends)


def fit_one(
    limit: str, ends: Floats, *, share: float = SHARE, confidence: float = CONFIDENCE
) -> Fit:
    """The limit of coupons between whose `ends` (n, 2) it lies, infinite where open. Raises
    InputError where they say too little."""
    low, high = ends.T
    closed = np.isfinite(ends).all(axis=1)
    past, before = int(np.isinf(high).sum()), int(np.isinf(low).sum())
    if not LIMITS[limit].harder:
        past, before = before, past
    n, count = len(ends), int(closed.sum())
    if n < 2:
        raise InputError(f"fitting {limit}: one coupon has no spread; print at least two, "
                         f"better {FEW}")
    if count < 2 or n - count > OPEN_SHARE * n:
        what = "held to their end" if past >= before else "failed throughout"
        raise InputError(f"fitting {limit}: {max(past, before)} of {n} ladders {what}; print one "
                         "whose levels go further" + ("" if past >= before else " down"))
    least = float((high - low)[closed].mean()) / math.sqrt(12.0)
    middles = ends[closed].mean(axis=1)
    mean, deviation = float(middles.mean()), float(middles.std(ddof=1))
    if count < n:
        mean, deviation = _likeliest(ends, mean, max(deviation, least))
        deviation *= math.sqrt(n / (n - 1))
    deviation = max(deviation, least)
    half = float(t.ppf(0.5 * (1.0 + confidence), count - 1)) * deviation / math.sqrt(count)
    narrow, wide = (deviation * math.sqrt((count - 1) / float(chi2.ppf(p, count - 1)))
                    for p in (0.5 * (1.0 + confidence), 0.5 * (1.0 - confidence)))
    k = tolerance_factor(count, share, confidence)
    return Fit(limit, count, mean, (mean - half, mean + half), deviation, (narrow, wide),
               mean - LIMITS[limit].side * k * deviation, share, confidence, past, before)


def _likeliest(ends: Floats, mean: float, deviation: float) -> tuple[float, float]:
    """Mean and deviation of the normal distribution of greatest likelihood, from a first guess."""
    def unlikely(at: Floats) -> float:
        z = (ends - (mean + at[0] * deviation)) / (deviation * math.exp(at[1]))
        # Whichever tail is near, so that no difference is lost.
        flip = np.where(z.sum(axis=1) > 0.0, -1.0, 1.0)
        z = np.sort(flip[:, None] * z, axis=1)
        return -float(np.log(np.maximum(ndtr(z[:, 1]) - ndtr(z[:, 0]), 1e-300)).sum())

    found = minimize(unlikely, np.zeros(2), method="Nelder-Mead",
                     options={"xatol": 1e-6, "fatol": 1e-9, "maxiter": 2000})
    return mean + float(found.x[0]) * deviation, deviation * math.exp(float(found.x[1]))


def words(found: Fit) -> str:
    """One limit in a sentence."""
    few = f" {found.count} coupons are few: print more." if found.small else ""
    low, high = found.mean_range
    more = "".join(f", and {many} that {what}" for many, what in (
        (found.past, "held to the end"), (found.before, "failed throughout")) if many)
    return (f"{found.limit}: {found.mean:.2f} on the mean ({low:.2f} to {high:.2f}), deviation "
            f"{found.deviation:.3f}, of {found.count} coupons{more}; "
            f"{f'{found.tolerance:.2f}' if found.tolerance > 0.0 else 'nothing'} holds for "
            f"{100.0 * (1.0 - found.share):g} % with {100.0 * found.confidence:g} % confidence."
            f"{few}")


def profile_text(fits: Sequence[Fit], base: str, name: str, machine: str, date: str) -> str:
    """A profile that differs from its base by these limits, each with where it comes from and how
    it varies. Raises InputError for one of which nothing is left that holds."""
    for found in fits:
        if found.tolerance <= 0.0:
            raise InputError(f"writing {name}: {found.count} coupons of {found.limit} leave "
                             "nothing that holds; print more, or take their lines out")
    title = f"{base} as measured on {machine}, {date}"
    lines = [f"{key} = {toml_value(text)}"
             for key, text in (("base", base), ("name", name), ("title", title))]
    for table in dict.fromkeys(LIMITS[found.limit].table for found in fits):
        lines += ["", f"[{table}]"]
        for found in (one for one in fits if LIMITS[one.limit].table == table):
            source = (f"{found.count} coupons on {machine}, {date}: "
                      f"{100.0 * (1.0 - found.share):g} % with {100.0 * found.confidence:g} % "
                      "confidence")
            varies = (f"{{ mean = {found.mean:.6g}, deviation = {found.deviation:.6g}, "
                      f"count = {found.count}, machine = {toml_value(machine)}, "
                      f"date = {toml_value(date)} }}")
            lines.append(f"{found.limit} = {{ value = {careful(found.tolerance, found.limit):g}, "
                         f'source = {toml_value(source)}, grade = "measured", '
                         f"distribution = {varies} }}")
    return "\n".join(lines) + "\n"
