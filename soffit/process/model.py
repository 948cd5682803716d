"""A process: nozzle, layers, lines, material, and what they can print over air.

Every number is a `Value`: it carries its source and a grade, so that a person who reads a
limit on the sheet can see how much it is worth.
"""

from __future__ import annotations

import math
from enum import Enum

from pydantic import BaseModel, ConfigDict, Field


class Grade(str, Enum):
    """How much a value is worth."""

    PUBLISHED = "published"
    COMMON_PRACTICE = "common practice"
    FROM_MEMORY = "from memory"
    DERIVED = "derived"
    MEASURED = "measured"
    DEMO = "demo"


class _Model(BaseModel):
    model_config = ConfigDict(extra="forbid", frozen=True)


class Distribution(_Model):
    """How a limit varies from print to print, taken as normal: `mean` and `deviation`, the standard
    deviation, in the unit of the value that has it; of `count` coupons, printed on `machine` on
    `date` (ISO 8601). A count of 0: nobody measured it."""

    mean: float
    deviation: float = Field(gt=0.0)
    count: int = Field(ge=0)
    machine: str = ""
    date: str = ""

    @property
    def measured(self) -> bool:
        """Whether it was fitted to coupons."""
        return self.count > 0


class Value(_Model):
    """One number with its source and grade; the unit is in the name of the key that holds it. A
    limit may have a `distribution`: what it was on coupons, of which the number is what can be
    relied on."""

    value: float
    source: str = Field(min_length=3)
    grade: Grade
    distribution: Distribution | None = None


class Platform(_Model):
    """Build volume, mm, and how far parts stand apart on it, mm."""

    width_mm: Value
    depth_mm: Value
    height_mm: Value
    gap_mm: Value


class Bead(_Model):
    """What one pass of the nozzle lays down. `spread_mm`: how far the first layer is pressed out
    past its outline."""

    nozzle_mm: Value
    line_mm: Value
    layer_mm: Value
    first_layer_mm: Value
    spread_mm: Value


class Motion(_Model):
    """Speeds and flow. `outer_speed_mm_s`: along the outermost wall; `corner_mm_s`: by how much the
    velocity may change at once, in a corner; `retract_s`: to stop and start the flow about a move
    that draws nothing."""

    speed_mm_s: Value
    outer_speed_mm_s: Value
    first_layer_speed_mm_s: Value
    travel_speed_mm_s: Value
    acceleration_mm_s2: Value
    corner_mm_s: Value
    retract_s: Value
    flow_limit_mm3_s: Value
    min_layer_time_s: Value


class Material(_Model):
    """Feedstock. `layer_bond`: strength between layers as a share of that within one."""

    name: str
    density_g_cm3: Value
    modulus_gpa: Value
    strength_mpa: Value
    layer_bond: Value
    poisson: Value
    glass_transition_c: Value
    expansion_ppm_k: Value
    price_per_kg: Value


class Filling(_Model):
    """What a layer is made of: `walls` lines along its outlines, `skins` solid layers above and
    below what is free, and a share of `infill` inside."""

    walls: Value
    skins: Value
    infill: Value


class Costs(_Model):
    """What a change costs beside plastic, in the currency of `material.price_per_kg`.

    `handle_s`: to take a part in hand and put it down, once where anything is done by hand;
    `break_off_s`: for each prop, `run_off_s`: for each of a row of gussets, that a blade runs
    along; `drill_s`: for each other work after printing; `peel_s_cm2`: to
    peel and clean a slicer's supports, for each cm² that they touch; `tumble_each`: to tumble a
    part that they scarred. `setup_s`: to set up a run; `redesign_h`: to change a part and agree on
    it, once. `avoid_*`: what it is worth to do without one, over and above: a bridge or a lip left
    in the part, work after printing, a prop. The rest are rates.
    """

    machine_per_h: Value
    labour_per_h: Value
    engineer_per_h: Value
    power_w: Value
    price_per_kwh: Value
    handle_s: Value
    break_off_s: Value
    run_off_s: Value
    drill_s: Value
    peel_s_cm2: Value
    tumble_each: Value
    setup_s: Value
    redesign_h: Value
    avoid_bridge: Value
    avoid_work: Value
    avoid_prop: Value


class Capability(_Model):
    """What the process can print over air.

    `angle_deg`: smallest downskin angle from the platform that holds. `overlap`: share of a
    line's width by which a layer may step out. `lip_mm`: flat reach tolerated. `bridge_mm`:
    span between two held ends. `drag_n`: how hard the nozzle pulls sideways at something slim;
    `adhesion_mpa`: how hard a first layer may be pulled at.
    """

    angle_deg: Value
    overlap: Value
    lip_mm: Value
    bridge_mm: Value
    drag_n: Value
    adhesion_mpa: Value


class Props(_Model):
    """What break-away props are made by. `give_lines`: by how much a tip may give to the nozzle,
    in lines. `free_mm`: what stays free between a prop and the part. `contact_mm`: widest contact
    on the part that breaks off by hand. `pull_n`: what a hand pulls off at once. `tool_mm`,
    `nose_mm`: how wide and how long the tool is that must get at one. `block_fill`: share of its
    room that the block support is filled with that they are compared with.
    """

    give_lines: Value
    free_mm: Value
    contact_mm: Value
    pull_n: Value
    tool_mm: Value
    nose_mm: Value
    block_fill: Value


class Ejection(_Model):
    """How a part leaves the platform. `edge_mm`: height over the platform of the edge that pushes
    it; `released_mpa`: how hard the cooled platform still holds a first layer against that."""

    edge_mm: Value
    released_mpa: Value


class Cycle(_Model):
    """What a machine does for each platform beside printing: `start_s` to heat up, find its place
    and prime, `cool_s` until the part lets go, `eject_s` to push it off and look."""

    start_s: Value
    cool_s: Value
    eject_s: Value


class Failure(_Model):
    """What is lost in a million: of all layers, of the places that a slicer's supports carry, and
    of props, each by itself, for what is not computed of them (see `production.risk`)."""

    layer_ppm: Value
    support_ppm: Value
    prop_ppm: Value


class Assumed(_Model):
    """What is taken of a limit whose distribution nobody measured: its standard deviation is a
    share `spread` of it, and its mean lies so many deviations beyond it as `inside` says."""

    spread: Value
    inside: Value


class Park(_Model):
    """What machines beside each other need: hours of running to a failure and of work to mend one,
    on the mean; service after so many hours of running; how many menders there are, and how many
    hours of a day and days of a week they are there."""

    fails_h: Value
    mends_h: Value
    service_every_h: Value
    service_h: Value
    menders: Value
    shift_h: Value
    days: Value


class Process(_Model):
    """One way to make a part: machine, bead, motion, material and capability."""

    name: str
    title: str
    platform: Platform
    bead: Bead
    motion: Motion
    material: Material
    filling: Filling
    costs: Costs
    capability: Capability
    props: Props
    ejection: Ejection
    cycle: Cycle
    failure: Failure
    assumed: Assumed
    park: Park

    @property
    def layer_mm(self) -> float:
        """Layer height h, mm."""
        return self.bead.layer_mm.value

    @property
    def first_layer_mm(self) -> float:
        """Height of the first layer, mm."""
        return self.bead.first_layer_mm.value

    @property
    def line_mm(self) -> float:
        """Line width w, mm."""
        return self.bead.line_mm.value

    @property
    def angle_deg(self) -> float:
        """Smallest downskin angle that holds, degrees from the platform: the smaller step of
        the angle rule and the overlap rule decides, so an overlap rule may raise it."""
        return math.degrees(math.atan2(self.layer_mm, self.step_mm))

    @property
    def step_mm(self) -> float:
        """How far a layer may step out past the one below, mm:
        min(h / tan δc, f·w) (derived)."""
        by_angle = self.layer_mm / math.tan(math.radians(self.capability.angle_deg.value))
        by_overlap = self.capability.overlap.value * self.line_mm
        return min(by_angle, by_overlap)

    def thicker(self, factor: float) -> Process:
        """This process with layers, but the first, `factor` times as thick and steps as much
        longer, so that the angle that holds is the same, and with as many fewer solid layers: for
        coarse answers, not for printing."""

        def scaled(value: Value, factor: float = factor) -> Value:
            source = f"{factor:g} times {value.value:g}: {value.source}"
            return Value(value=factor * value.value, source=source, grade=Grade.DERIVED)

        bead = self.bead.model_copy(update={"layer_mm": scaled(self.bead.layer_mm)})
        overlap = scaled(self.capability.overlap)
        capability = self.capability.model_copy(update={"overlap": overlap})
        filling = self.filling.model_copy(
            update={"skins": scaled(self.filling.skins, 1.0 / factor)})
        return self.model_copy(
            update={"bead": bead, "capability": capability, "filling": filling})

    @property
    def lip_mm(self) -> float:
        """Flat reach tolerated, mm."""
        return self.capability.lip_mm.value

    @property
    def bond_mpa(self) -> float:
        """Strength between two layers, MPa."""
        return self.material.layer_bond.value * self.material.strength_mpa.value

    @property
    def drag_n(self) -> float:
        """Sideways pull of the nozzle on something slim, N."""
        return self.capability.drag_n.value

    @property
    def give_mm(self) -> float:
        """By how much the tip of something slim may give to the nozzle, mm."""
        return self.props.give_lines.value * self.line_mm

    @property
    def bridge_mm(self) -> float:
        """Longest span between two held ends, mm."""
        return self.capability.bridge_mm.value
