"""The run that edges hold, against the same found by many points along each edge."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from soffit.findings import runs
from soffit.findings.runs import LEVEL_MM, _run_at
from soffit.part.model import Floats


def edges(seed: int, count: int) -> tuple[Floats, Floats, Floats]:
    """Edges of up to 2 mm, with runs at their ends that differ by less than their length."""
    rng = np.random.default_rng(seed)
    a = rng.uniform(-5, 5, (count, 2))
    turn, length = rng.uniform(0, 2 * np.pi, count), rng.uniform(0.05, 2.0, count)
    b = a + length[:, None] * np.column_stack([np.cos(turn), np.sin(turn)])
    start = rng.uniform(-0.12, 2.0, count)
    return a, b, np.column_stack([start, start + rng.uniform(-0.95, 0.95, count) * length])


def sampled(points: Floats, a: Floats, b: Floats, run: Floats, steps: int = 400) -> Floats:
    """Least of distance and run over points along all edges."""
    share = np.linspace(0.0, 1.0, steps + 1)[None, :]
    x = a[:, None, :] + share[..., None] * (b - a)[:, None, :]
    there = run[:, :1] + share * (run[:, 1:] - run[:, :1])
    away = np.linalg.norm(points[:, None, None, :] - x[None], axis=3)
    return np.asarray((away + there[None]).min(axis=(1, 2)))


@settings(max_examples=60, deadline=None)
@given(st.integers(0, 2**32 - 1), st.integers(1, 12))
def test_least_over_all_edges(seed: int, count: int) -> None:
    a, b, run = edges(seed, count)
    points = np.random.default_rng(seed + 1).uniform(-6, 6, (7, 2))
    found, due = _run_at(points, a, b, run), sampled(points, a, b, run)
    # Points along an edge lie up to 2/800 mm from the best one (derived).
    assert np.all(found <= due + 1e-9) and np.all(found >= due - 0.0051)


def test_of_many_the_nearest_of_each_run(monkeypatch: pytest.MonkeyPatch) -> None:
    """No more than what the runs of one level differ by, along an edge and from edge to edge."""
    a, b, run = edges(7, 60)
    points = np.random.default_rng(8).uniform(-6, 6, (40, 2))
    exact = _run_at(points, a, b, run)
    monkeypatch.setattr(runs, "MOST_PAIRS", 0)
    coarse = _run_at(points, a, b, run)
    assert np.all(coarse >= exact - 1e-9)
    assert np.median(coarse - exact) <= LEVEL_MM
