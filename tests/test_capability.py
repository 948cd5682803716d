"""Fits of coupons against tables and against simulated coupons of known limits."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from scipy.stats import norm

from soffit.cli.run import run
from soffit.errors import InputError
from soffit.process.load import load_process
from soffit.production.capability import (
    Reading,
    fit,
    fit_one,
    profile_text,
    read_results,
    words,
)
from soffit.production.tails import failing_ppm, process_capability, tolerance_factor, z_range


def level(*values: float) -> np.ndarray:
    """Coupons whose limits are known."""
    return np.column_stack([values, values])


@pytest.mark.parametrize(("n", "share", "confidence", "due"), [
    (43, 0.10, 0.99, 1.8752),  # NIST/SEMATECH e-Handbook 7.2.6.3, its worked example
    (10, 0.10, 0.95, 2.355),  # Natrella, Handbook 91, table A-7 (from memory)
    (10, 0.01, 0.95, 3.981),
    (30, 0.01, 0.95, 3.064),
])
def test_tolerance_factors_of_the_tables(
    n: int, share: float, confidence: float, due: float
) -> None:
    assert tolerance_factor(n, share, confidence) == pytest.approx(due, abs=2e-3)


@pytest.mark.parametrize(("z", "ppm"), [
    # NIST/SEMATECH e-Handbook 1.3.6.7.1, area under the normal curve from 0 to z: 0.00000, 0.34134,
    # 0.47725, 0.49865, 0.49997 (its table ends at 4.09); 4.5 and 6: from memory, 3.4 and 0.001.
    (0.0, 500_000.0), (1.0, 158_660.0), (2.0, 22_750.0), (3.0, 1_350.0), (4.0, 30.0),
    (4.5, 3.4), (6.0, 0.001), (-3.0, 998_650.0)])
def test_tails_of_the_normal_table(z: float, ppm: float) -> None:
    assert failing_ppm(np.array(z)) == pytest.approx(ppm, abs=max(5e-4, 5.0 if ppm > 5 else 0.05))


@pytest.mark.parametrize(("cpk", "ppm"), [
    # NIST/SEMATECH e-Handbook 6.1.6: rejects of Cp 1.00, 1.33, 1.66, 2.00 with both limits, 0.27 %,
    # 64 ppm, 0.6 ppm, 2 in a thousand million; of one limit half of that.
    (1.0, 1350.0), (4 / 3, 32.0), (5 / 3, 0.3), (2.0, 0.001)])
def test_rejects_of_process_capabilities(cpk: float, ppm: float) -> None:
    assert process_capability(3.0 * cpk) == pytest.approx(cpk)
    assert failing_ppm(np.array(3.0 * cpk)) == pytest.approx(ppm, rel=0.05)


def test_the_range_of_a_distance_is_the_tolerance_factor_the_other_way_round() -> None:
    """Where a sample said k of 99 % with 95 % confidence, the true distance is that of 99 % or
    more with 95 %, the lower end of a range that is sure to 90 %."""
    for n in (3, 10, 43):
        low, high = z_range(tolerance_factor(n, 0.01, 0.95), n)
        assert low == pytest.approx(norm.ppf(0.99), abs=1e-4)
        assert high > tolerance_factor(n, 0.01, 0.95)
    # Large samples: z ± 1.645 √(1/n + z²/2n) (Hahn & Meeker, Statistical Intervals, from memory).
    low, high = z_range(3.0, 10_000)
    assert (low, high) == pytest.approx(
        (3 - 1.645 * math.sqrt(5.5e-4), 3 + 1.645 * math.sqrt(5.5e-4)), abs=2e-3)


def test_the_range_of_a_distance_holds_in_simulation() -> None:
    """4,000 samples of 8: the true distance of 3 lies in nine of ten (three deviations: 1.4 %)."""
    random = np.random.default_rng(2)
    sample = random.normal(0.0, 1.0, (4000, 8))
    z = (3.0 + sample.mean(axis=1)) / sample.std(axis=1, ddof=1)
    ends = np.array([z_range(one, 8) for one in z.tolist()])
    assert abs(((ends[:, 0] <= 3.0) & (ends[:, 1] >= 3.0)).mean() - 0.9) <= 0.0142


def test_mean_and_deviation_by_hand() -> None:
    """1, 2, 3: mean 2, deviation 1; t(0.975; 2) = 4.3027, χ²(0.975; 2) = 7.3778, (0.025) 0.0506."""
    found = fit_one("bridge_mm", level(1.0, 2.0, 3.0))
    assert (found.mean, found.deviation) == pytest.approx((2.0, 1.0))
    assert found.mean_range == pytest.approx((2 - 4.3027 / math.sqrt(3), 2 + 4.3027 / math.sqrt(3)),
                                             abs=1e-4)
    assert found.deviation_range == pytest.approx(
        (math.sqrt(2 / 7.3778), math.sqrt(2 / 0.050636)), abs=1e-3)
    assert found.small and "3 coupons are few" in words(found)


def test_coupons_that_fell_between_the_same_levels_vary_as_the_step_does() -> None:
    """A step of 1, evenly spread: 1/√12."""
    found = fit_one("bridge_mm", np.array([[18.0, 19.0]] * 5))
    assert (found.mean, found.deviation) == pytest.approx((18.5, 1.0 / math.sqrt(12.0)))


def ladder(true: np.ndarray, step: float, limit: str) -> list[Reading]:
    """What is read off coupons whose limits are these."""
    low = np.floor(true / step) * step
    pairs = zip(low.tolist(), (low + step).tolist(), strict=True)
    return [Reading(limit, a, b) if limit != "angle_deg" else Reading(limit, b, a)
            for a, b in pairs]


@pytest.mark.parametrize(("limit", "mean", "deviation", "step"), [
    ("bridge_mm", 18.0, 2.0, 0.5), ("lip_mm", 1.0, 0.15, 0.1), ("angle_deg", 40.0, 3.0, 1.0)])
@pytest.mark.parametrize("count", [8, 25])
def test_a_thousand_repetitions_keep_the_confidence(
    limit: str, mean: float, deviation: float, step: float, count: int
) -> None:
    """The limit that 99 % of coupons are to be beyond is beyond it in at least 95 % of fits, and
    the mean lies in its interval in as many; of 1,000 repetitions three deviations are 21."""
    random = np.random.default_rng(5)
    beyond = within = 0
    side = 1 if limit == "angle_deg" else -1
    due = mean + side * float(norm.ppf(0.99)) * deviation
    for _ in range(1000):
        (found,) = fit(ladder(random.normal(mean, deviation, count), step, limit))
        beyond += side * (found.tolerance - due) >= 0.0
        within += found.mean_range[0] <= mean <= found.mean_range[1]
    assert beyond >= 950 - 21
    assert abs(within - 950) <= 21


@pytest.mark.parametrize(("limit", "side"), [("bridge_mm", 1), ("angle_deg", -1)])
@pytest.mark.parametrize(("least", "most", "sure"), [
    (-9.0, 0.5, 0.95), (-0.5, 9.0, 0.92), (-1.0, 1.0, 0.94)])
def test_ladders_without_an_end_are_fitted_too(
    limit: str, side: int, least: float, most: float, sure: float
) -> None:
    """A third of 12 ladders held to their end, failed throughout, or either: of 150 repetitions the
    mean and the deviation come out, and the limit that is to hold with 95 % confidence does with as
    many as `capability` states, less three deviations."""
    random = np.random.default_rng(8)
    found = []
    for _ in range(150):
        true = random.normal(0.0, 1.0, 12)
        low = np.floor(true / 0.25) * 0.25
        ends = np.column_stack([low, low + 0.25])
        ends[true >= most] = (most, np.inf)
        ends[true < least] = (-np.inf, least)
        ends = 40.0 + 4.0 * (ends if side > 0 else -ends[:, ::-1])
        found.append(fit_one(limit, ends))
    assert np.mean([f.mean for f in found]) == pytest.approx(40.0, abs=0.35)
    assert np.mean([f.deviation for f in found]) == pytest.approx(4.0, abs=0.3)
    due = 40.0 - side * 4.0 * float(norm.ppf(0.99))
    holds = np.mean([side * (due - f.tolerance) >= 0.0 for f in found])
    assert holds >= sure - 3.0 * math.sqrt(sure * (1.0 - sure) / 150)
    open_ = [f.past if least < -5 else f.before for f in found if abs(least) != abs(most)]
    assert not open_ or 0.2 < np.mean(open_) / 12 < 0.45
    assert all(f.count + f.past + f.before == 12 for f in found)


def test_likelihood_of_open_ladders_by_hand() -> None:
    """With half of many coupons past the mean, the rest say what the whole does: of a normal cut at
    its mean, in fine steps, mean and deviation come back (derived: Φ is what is fitted)."""
    levels = norm.ppf(np.arange(1, 101) / 200)
    closed = np.column_stack([levels[:-1], levels[1:]])
    ends = np.vstack([[-np.inf, levels[0]], closed, [[levels[-1], np.inf]] * 100])
    found = fit_one("lip_mm", 10.0 + ends)
    assert found.mean == pytest.approx(10.0, abs=1e-4)
    assert found.deviation == pytest.approx(math.sqrt(200 / 199), rel=1e-4)
    assert found.past == 100 and "100 that held to the end" in words(found)


def test_results_are_read_and_written_into_a_profile(tmp_path: Path) -> None:
    file = tmp_path / "results.csv"
    rows = ["date,limit,held,failed,note", *(f"2026-11-30,bridge_mm,{h},{h + 1},fine"
                                             for h in (18, 19, 20, 18, 19, 21, 18, 19, 20, 20)),
            "", "2026-11-30,lip_mm,0.9,1.0,", "2026-11-30,lip_mm,1.0,1.1,"]
    file.write_text("\n".join(rows), encoding="utf-8-sig")
    found = fit(read_results(file))
    assert [f.limit for f in found] == ["lip_mm", "bridge_mm"]
    assert found[1].count == 10 and not found[1].small and found[0].small
    profile = tmp_path / "mine.toml"
    profile.write_text(profile_text(found[1:], "pla-04", "mine", 'nr "7" ☺\x7f', "2026-11-30"))
    mine = load_process(str(profile))
    assert mine.bridge_mm == pytest.approx(found[1].tolerance, abs=0.05)
    assert mine.capability.bridge_mm.grade.value == "measured"
    varies = mine.capability.bridge_mm.distribution
    assert varies is not None and varies.measured
    assert (varies.mean, varies.deviation) == pytest.approx(
        (found[1].mean, found[1].deviation), rel=1e-5)
    assert (varies.count, varies.date) == (10, "2026-11-30")
    assert '10 coupons on nr "7" ☺\x7f' in mine.capability.bridge_mm.source


@pytest.mark.parametrize(("line", "said"), [
    ("lip_mm,1.0,0.9", "more lip_mm is harder"),
    ("angle_deg,40,45", "less angle_deg is harder"),
    ("lip_mm,,", "neither held nor failed"),
    ("lip_mm,1.0,\nlip_mm,1.0,\nlip_mm,0.8,1.0", "2 of 3 ladders held to their end"),
    ("angle_deg,,60\nangle_deg,,60", "2 of 2 ladders failed throughout"),
    ("lip_mm,one,2", "held is 'one'"),
    ("lip_mm,-1,2", "held is '-1'"),
    ("gap_mm,1,2", "limit 'gap_mm'; allowed"),
    ("lip_mm,0.9,1.0", "one coupon has no spread"),
])
def test_what_makes_no_sense_is_said(tmp_path: Path, line: str, said: str) -> None:
    file = tmp_path / "results.csv"
    file.write_text(f"limit,held,failed\n{line}\n")
    with pytest.raises(InputError, match=said):
        fit(read_results(file))


def test_by_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file, out = tmp_path / "results.csv", tmp_path / "mine.toml"
    file.write_text("limit,held,failed\n" + "".join(f"lip_mm,{v},{v + 0.1:.1f}\n" for v in (
        0.9, 1.0, 1.1, 1.0, 0.9, 1.0, 1.1, 1.2, 1.0, 0.9)))
    given = ["capability", "fit", str(file), "--machine", "number 7", "--date", "2026-11-30"]
    assert run([*given, "--out", str(out)]) == 0
    assert "lip_mm: 1.06 on the mean" in capsys.readouterr().out
    (found,) = fit(read_results(file))
    assert load_process(str(out)).lip_mm == pytest.approx(found.tolerance, abs=5e-3)
    kept = out.read_bytes()
    assert run([*given, "--out", str(out)]) == 2 and out.read_bytes() == kept
    assert "it is there already" in capsys.readouterr().err
    few = tmp_path / "few.csv"
    few.write_text("limit,held,failed\ngive_lines,0.6,0.8\ngive_lines,0.8,1.0\n")
    assert run(["capability", "fit", str(few), "--out", str(tmp_path / "few.toml")]) == 2
    told = capsys.readouterr()
    assert "nothing holds for 99 %" in told.out and "print more, or take their" in told.err
    # Limits that no profile may have are said, and nothing is left behind.
    file.write_text("limit,held,failed\n" + "".join(f"lip_mm,{v},{v + 1}\n" for v in (90, 91, 92)))
    bad = tmp_path / "bad.toml"
    assert run([*given, "--out", str(bad)]) == 2 and not bad.exists()
    assert "capability.lip_mm is" in capsys.readouterr().err
    assert run([*given[:-1], "yesterday"]) == 2
    assert "'yesterday' is no date" in capsys.readouterr().err
    file.write_text("limit,held,failed\n")
    assert run(given) == 2 and "there are no coupons" in capsys.readouterr().err


def test_files_that_are_no_results(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="give a CSV file"):
        read_results(tmp_path / "none.csv")
    file = tmp_path / "other.csv"
    file.write_text("limit,held\nlip_mm,1\n")
    with pytest.raises(InputError, match="no column 'failed'"):
        read_results(file)
