"""Strength and steadiness of slim break-away bodies: closed forms of the beam.

Their inputs are in the profile of the process, each with its source; those that no data sheet
states are estimates that a coupon of one's own machine should replace.
"""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np
import shapely

from soffit.part.model import Floats

# Moments that differ by less than this share belong to an outline without a length: rounding
# decides which of its axes is called weak (derived).
ROUND_SHARE = 1e-3


def second_moment_box(length_mm: float, width_mm: float, wall_mm: float) -> float:
    """Second moment of area of a hollow rectangle about the axis along its length, mm⁴.

    (L W³ − (L − 2t)(W − 2t)³) / 12, derived; with walls that meet it is the full rectangle.
    """
    inner_length = max(0.0, length_mm - 2.0 * wall_mm)
    inner_width = max(0.0, width_mm - 2.0 * wall_mm)
    return float(length_mm * width_mm**3 - inner_length * inner_width**3) / 12.0


def tip_deflection_mm(
    force_n: float, height_mm: float, modulus_mpa: float, moment_mm4: float
) -> float:
    """F H³ / (3 E I): a post fixed below and free above (Roark; Timoshenko & Gere)."""
    return force_n * height_mm**3 / (3.0 * modulus_mpa * moment_mm4)


def buckling_n(height_mm: float, modulus_mpa: float, moment_mm4: float) -> float:
    """π² E I / (4 H²): Euler's load of a post fixed below and free above (Timoshenko & Gere)."""
    return float(math.pi**2 * modulus_mpa * moment_mm4 / (4.0 * height_mm**2))


def peel_mpa(force_n: float, height_mm: float, width_mm: float, moment_mm4: float) -> float:
    """F H (W/2) / I: pull at the edge of a foot of width W by a force on the tip (derived)."""
    return force_n * height_mm * 0.5 * width_mm / moment_mm4


def pull_off_n(strength_mpa: float, width_mm: float, length_mm: float) -> float:
    """Force that tears a contact straight off: strength times area (derived)."""
    return strength_mpa * width_mm * length_mm


def snap_moment_nmm(strength_mpa: float, width_mm: float, length_mm: float) -> float:
    """Moment that snaps a contact over its narrow way: σ L w² / 6 (derived, beam in bending)."""
    return strength_mpa * length_mm * width_mm**2 / 6.0


def contact_width_mm(moment_nmm: float, length_mm: float, strength_mpa: float) -> float:
    """Width of a contact of this length that a moment just does not snap: √(6 M / (σ L))."""
    return math.sqrt(6.0 * moment_nmm / (strength_mpa * length_mm))


def contact_diameter_mm(moment_nmm: float, strength_mpa: float) -> float:
    """Diameter of a round contact that a moment just does not snap: (32 M / (π σ))^⅓ (Roark)."""
    return float((32.0 * moment_nmm / (math.pi * strength_mpa)) ** (1.0 / 3.0))


def second_moments(rings: Sequence[Floats]) -> tuple[float, float, float, Floats]:
    """Area (mm²), least and greatest second moment of area (mm⁴) and centroid (2,) of a plan
    region; outer rings counter-clockwise, holes clockwise (Green's theorem; derived)."""
    area, (xx, yy, xy), centre = _moments(rings)
    mean, half = 0.5 * (xx + yy), math.hypot(0.5 * (xx - yy), xy)
    return area, mean - half, mean + half, centre


def _moments(rings: Sequence[Floats]) -> tuple[float, tuple[float, float, float], Floats]:
    """Area, ∫x², ∫y² and ∫xy about the centroid, and the centroid (2,)."""
    area, first, second = 0.0, np.zeros(2), np.zeros(3)
    origin = rings[0].mean(axis=0) if len(rings) else np.zeros(2)
    for ring in rings:
        a = ring - origin
        b = np.roll(a, -1, axis=0)
        cross = a[:, 0] * b[:, 1] - a[:, 1] * b[:, 0]
        area += 0.5 * float(cross.sum())
        first += (cross[:, None] * (a + b)).sum(axis=0) / 6.0
        square = (a * a + a * b + b * b) * cross[:, None]
        mixed = cross * (a[:, 0] * b[:, 1] + 2 * a[:, 0] * a[:, 1]
                         + 2 * b[:, 0] * b[:, 1] + b[:, 0] * a[:, 1])
        second += np.array([*(square.sum(axis=0) / 12.0), mixed.sum() / 24.0])
    if area <= 0.0:
        return 0.0, (0.0, 0.0, 0.0), origin
    centre = first / area
    xx, yy = second[:2] - area * centre**2
    xy = second[2] - area * centre[0] * centre[1]
    return area, (float(xx), float(yy), float(xy)), origin + centre


def least_second_moment(rings: Sequence[Floats]) -> float:
    """Least second moment of area of a plan region, mm⁴; 0 for an empty one."""
    return second_moments(rings)[1]


def peel_of(rings: Sequence[Floats], force_n: float, height_mm: float) -> float:
    """Pull at the edge of a foot of this outline by a force on the tip, taken about its weak
    axis: F H c / I, MPa; infinite for no foot (derived)."""
    _, (xx, yy, xy), centre = _moments(rings)
    mean, half = 0.5 * (xx + yy), math.hypot(0.5 * (xx - yy), xy)
    if mean - half <= 0.0:
        return math.inf
    points = np.concatenate(list(rings)) - centre
    if half < ROUND_SHARE * mean:
        # Alike about every axis: half the least width counts, however the outline is turned.
        box = shapely.minimum_rotated_rectangle(shapely.MultiPoint(points))
        corners = shapely.get_coordinates(box)
        far = 0.5 * float(np.linalg.norm(np.diff(corners[:3], axis=0), axis=1).min())
    else:
        # The weak axis lies along the outline's length: c is the half width across it.
        turn = 0.5 * math.atan2(2.0 * xy, xx - yy)
        far = float(np.abs(points @ [-math.sin(turn), math.cos(turn)]).max())
    return force_n * height_mm * far / (mean - half)
