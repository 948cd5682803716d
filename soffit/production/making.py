"""How a stack of layers is made: what is drawn, what it takes of plastic, and how long.

Plastic is that of `layers.plastic`, which counts what is filled; moves are those of `layers.paths`,
and their time is that of `process.pace`. A move that draws goes no faster than the flow of its bead
allows. About each move that draws nothing the flow stops and starts. A layer takes no less than its
least time (derived).
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from soffit.layers.paths import OUTER, TRAVEL, Paths, paths_of
from soffit.layers.plastic import layers_mm3
from soffit.layers.stack import LayerStack
from soffit.part.model import Floats
from soffit.process.model import Process
from soffit.process.pace import times_s


@dataclass(frozen=True)
class Making:
    """What a part takes on the machine, layer by layer: plastic, (n,) mm³, how long the nozzle
    moves, (n,) s, and the length of each kind of move, (n,) mm."""

    plastic_mm3: Floats
    moving_s: Floats
    length_mm: dict[str, Floats]
    least_s: float

    @property
    def time_s(self) -> Floats:
        """Time of each layer, (n,) s."""
        return self.time_of(1)

    def time_of(self, parts: int) -> Floats:
        """Time of each layer of so many parts side by side, (n,) s, without the ways between them.
        A layer of which nothing is drawn takes none."""
        return np.where(self.moving_s > 0.0, np.maximum(parts * self.moving_s, self.least_s), 0.0)

    def supported(self, supports_mm3: Floats, process: Process) -> Making:
        """The same with supports of so much plastic in each layer, drawn at the flow of the process
        with neither corners nor travel, which is less than they take."""
        more = supports_mm3 / _flow_mm3_s(process)
        return replace(self, plastic_mm3=self.plastic_mm3 + supports_mm3,
                       moving_s=self.moving_s + more)


def making(stack: LayerStack, process: Process) -> Making:
    """What a stack takes to make."""
    paths = paths_of(stack, process)
    return Making(layers_mm3(stack, process), moving_s(paths, process), paths.lengths_mm(),
                  process.motion.min_layer_time_s.value)


def moving_s(paths: Paths, process: Process) -> Floats:
    """How long the nozzle moves in each layer, (layers,) s, however short that is."""
    motion = process.motion
    travels = paths.kind == TRAVEL
    most = np.where(paths.kind == OUTER, motion.outer_speed_mm_s.value, motion.speed_mm_s.value)
    most = np.minimum(most, motion.flow_limit_mm3_s.value / (process.line_mm * process.layer_mm))
    slow = min(motion.first_layer_speed_mm_s.value, motion.flow_limit_mm3_s.value
               / (process.line_mm * process.first_layer_mm))
    most = np.where(paths.layer == 0, np.minimum(most, slow), most)
    most = np.where(travels, motion.travel_speed_mm_s.value, most)
    stops = np.ones(len(travels), dtype=bool)
    stops[1:] = travels[1:] | travels[:-1]
    times = times_s(paths.start, paths.end, most, stops,
                    acceleration_mm_s2=motion.acceleration_mm_s2.value,
                    corner_mm_s=motion.corner_mm_s.value)
    times = times + np.where(travels, motion.retract_s.value, 0.0)
    return paths.by_layer(times)


def full_cycle_s(made: Making, parts: int, process: Process) -> float:
    """Share of one part in the time of a platform of so many, s."""
    return cycle_s(float(made.time_of(parts).sum()), process) / parts


def cycle_s(printing_s: float, process: Process) -> float:
    """Time of a platform on the machine, from its start to that of the next, s."""
    cycle = process.cycle
    return cycle.start_s.value + printing_s + cycle.cool_s.value + cycle.eject_s.value


def _flow_mm3_s(process: Process) -> float:
    motion = process.motion
    return min(motion.flow_limit_mm3_s.value,
               motion.speed_mm_s.value * process.line_mm * process.layer_mm)
