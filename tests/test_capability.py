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
    failing_ppm,
    fit,
    fit_one,
    process_capability,
    profile_text,
    read_results,
    tolerance_factor,
    words,
)


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


def test_tails_of_the_normal_table() -> None:
    """1.645 deviations: 5 %; 3: 1350 ppm; Cpk 1.0 is three deviations."""
    found = fit_one("lip_mm", np.array([0.9, 1.1]))
    deviation = found.deviation
    assert failing_ppm(found, 1.0 - 1.645 * deviation) == pytest.approx(50_000, rel=2e-3)
    assert failing_ppm(found, 1.0 - 3 * deviation) == pytest.approx(1349.9, rel=1e-3)
    assert process_capability(found, 1.0 - 3 * deviation) == pytest.approx(1.0)
    flat = fit_one("angle_deg", np.array([40.0, 44.0]))
    assert failing_ppm(flat, 42.0 + 3 * flat.deviation) == pytest.approx(1349.9, rel=1e-3)
    assert process_capability(flat, 42.0 + 6 * flat.deviation) == pytest.approx(2.0)
    same = fit_one("lip_mm", np.array([1.0, 1.0]))
    assert (failing_ppm(same, 0.9), failing_ppm(same, 1.1)) == (0.0, 1e6)
    assert process_capability(same, 0.9) == math.inf


def test_mean_and_deviation_by_hand() -> None:
    """1, 2, 3: mean 2, deviation 1; t(0.975; 2) = 4.3027, χ²(0.975; 2) = 7.3778, (0.025) 0.0506."""
    found = fit_one("bridge_mm", np.array([1.0, 2.0, 3.0]))
    assert (found.mean, found.deviation) == pytest.approx((2.0, 1.0))
    assert found.mean_range == pytest.approx((2 - 4.3027 / math.sqrt(3), 2 + 4.3027 / math.sqrt(3)),
                                             abs=1e-4)
    assert found.deviation_range == pytest.approx(
        (math.sqrt(2 / 7.3778), math.sqrt(2 / 0.050636)), abs=1e-3)
    assert found.small and "3 coupons are few" in words(found)


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
    assert '10 coupons on nr "7" ☺\x7f' in mine.capability.bridge_mm.source


@pytest.mark.parametrize(("line", "said"), [
    ("lip_mm,1.0,0.9", "more lip_mm is harder"),
    ("angle_deg,40,45", "less angle_deg is harder"),
    ("lip_mm,,0.9", "held is empty"),
    ("lip_mm,1.0,", "failed is empty"),
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
