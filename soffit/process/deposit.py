"""How much plastic a pass lays down, and how fast."""

from __future__ import annotations

import math

from soffit.process.model import Process


def bead_area_mm2(line_mm: float, layer_mm: float) -> float:
    """Cross-section of one laid line, mm²: a rectangle with round ends (derived)."""
    return (line_mm - layer_mm) * layer_mm + math.pi * layer_mm**2 / 4.0


def flow_mm3_s(process: Process, speed_mm_s: float) -> float:
    """Plastic laid down per second at a speed, mm³/s, within the flow limit."""
    bead = bead_area_mm2(process.line_mm, process.layer_mm)
    return min(process.motion.flow_limit_mm3_s.value, bead * speed_mm_s)
