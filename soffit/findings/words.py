"""Numbers, angles and limits in words, the same in every message."""

from __future__ import annotations


def mm(value: float) -> str:
    """A length with one decimal, or two below 1 mm."""
    return f"{value:.2f} mm" if value < 1.0 else f"{value:.1f} mm"


def angle(from_platform_deg: float) -> str:
    """Both ways in which people measure an overhang."""
    down = min(max(from_platform_deg, 0.0), 90.0)
    return f"{down:.0f}° from the platform, {90 - down:.0f}° from vertical"


def within(measure_mm: float, limit_mm: float) -> bool:
    """Whether a measure meets its limit; a micrometre over is rounding (derived: ten grids
    of the polygon kernel, as the message shows two decimals at most)."""
    return measure_mm <= limit_mm + 1e-3
