"""How much plastic a pass lays down, and how fast."""

from __future__ import annotations

import math

import numpy as np

from soffit.part.model import Floats
from soffit.process.model import Process


def bead_area_mm2(line_mm: float, layer_mm: float) -> float:
    """Cross-section of one laid line, mm²: a rectangle with round ends (derived)."""
    return (line_mm - layer_mm) * layer_mm + math.pi * layer_mm**2 / 4.0


def flow_mm3_s(process: Process, speed_mm_s: float) -> float:
    """Plastic laid down per second at a speed, mm³/s, within the flow limit."""
    bead = bead_area_mm2(process.line_mm, process.layer_mm)
    return min(process.motion.flow_limit_mm3_s.value, bead * speed_mm_s)


def print_time_s(plastic_mm3: Floats, process: Process) -> float:
    """Time to lay down layers of so much plastic (n,) mm³ each, s: that of a layer is its plastic
    over the flow, at least the least time of a layer (derived; the first at its own speed).
    Left out: travel, acceleration, heating."""
    if not len(plastic_mm3):
        return 0.0
    flow = np.full(len(plastic_mm3), flow_mm3_s(process, process.motion.speed_mm_s.value))
    flow[0] = flow_mm3_s(process, process.motion.first_layer_speed_mm_s.value)
    least = process.motion.min_layer_time_s.value
    return float(np.maximum(plastic_mm3 / flow, least).sum())
