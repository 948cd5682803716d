"""Strength and steadiness of slim break-away bodies: closed forms of the beam.

Inputs that no data sheet states are here with their source; each is an estimate that a coupon
of one's own machine should replace.
"""

from __future__ import annotations

import math

# Sideways pull of the nozzle on a slim feature, N (from memory: 0.1 to 1).
DRAG_N = 0.5

# Adhesion of the first layer to a hot platform, MPa (from memory: 0.05 to 0.5, of low worth).
ADHESION_MPA = 0.2

# Strength between layers as a share of strength within one (from memory: 0.5 to 0.7 for PLA).
LAYER_BOND = 0.5


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
