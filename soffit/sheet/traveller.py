"""The floor traveller: one page that goes with the part from the machine to the box.

It says what a person at the machine must know and no more: which way up, how many, what the
geometry relies on, what is broken off or drilled out and how, what is measured first, and what is
dangerous. Speeds, temperatures and whatever else belongs to one machine are not on it.
"""

from __future__ import annotations

import datetime
from dataclasses import dataclass

from soffit.layers.stack import cut_layers
from soffit.part.scene import with_bodies
from soffit.plan.model import Resolution
from soffit.process.model import Process
from soffit.production.ejection import advice
from soffit.production.first_article import Check
from soffit.production.platform import Layout
from soffit.sheet import ledger, tables
from soffit.sheet.build import directions
from soffit.sheet.figure import Figure
from soffit.sheet.model import made_by, sheet_number
from soffit.sheet.places import Place, edit_number, places
from soffit.sheet.traveller_figures import below_figure, platform_figure, standing_figure
from soffit.sheet.traveller_off import off_figure
from soffit.sheet.words import sentence, short_hash

# Props with a picture of their own: a row of them (measured: a second one leaves no room for
# checks).
PICTURED = 4


@dataclass(frozen=True)
class Setting:
    """A value of the process that the geometry relies on, and why it must not differ."""

    name: str
    value: str
    unit: str
    why: str


@dataclass(frozen=True)
class Work:
    """What is done by hand after printing: `number` in the picture, `edit` in the CAD, `kind` of
    work, `how` it is done; of a prop, a `picture`."""

    number: str
    edit: str
    kind: str
    how: str
    picture: Figure | None = None


@dataclass(frozen=True)
class Traveller:
    """Everything on the page, in the words and figures that the reader sees."""

    title: str
    number: str
    made_by: str
    file: str
    revision: str
    date: str
    process: str
    quantity: int
    clean: bool
    verdict: str
    produced_hash: str
    orientation: str
    platform: str
    ejection: str
    takes: str
    figures: tuple[Figure, ...]
    settings: tuple[Setting, ...]
    works: tuple[Work, ...]
    tumbling: str
    checks: tuple[Check, ...]
    cautions: tuple[str, ...]


def build_traveller(result: Resolution, checks: tuple[Check, ...], *, title: str,
                    revision: str = "", date: datetime.date | None = None) -> Traveller:
    """The traveller of a resolution as proven on its files; `checks` are those of its first
    article, those that are optional left out."""
    process = result.after.process
    numbered = places(result)
    opened = ledger.open_rows(numbered)
    stack = cut_layers(with_bodies(result.produced, result.props), process)
    platform, found = platform_figure(stack, process)
    below = below_figure(result, numbered)
    due = tuple(check for check in checks if check.level not in ("held", "failed"))
    produced = result.after.part.source.sha256
    return Traveller(
        title=title,
        number=sheet_number(result.received.source.sha256, produced),
        made_by=made_by(),
        file=result.received.source.file,
        revision=revision,
        date=(date or datetime.date.today()).isoformat(),
        process=process.title,
        quantity=result.quantity,
        clean=result.clean and not opened,
        verdict=tables.verdict(result, len(opened)),
        produced_hash=short_hash(produced),
        orientation=directions(result.before.up),
        platform=_platform(found, process),
        ejection="" if result.ejection is None else advice(result.ejection, process),
        takes=_takes(result),
        figures=(standing_figure(result), platform, *((below,) if below is not None else ())),
        settings=_settings(result, process),
        works=_works(result, numbered),
        tumbling=_tumbling(result),
        checks=due,
        cautions=tables.CAUTIONS,
    )


def _platform(found: Layout, process: Process) -> str:
    room, count = process.platform, len(found.spots)
    if not count:
        return "It does not fit on this platform: take a larger one."
    how = "in rows" if found.how == "rows" else "nested"
    said = (f"{count} at most, {how}, {room.gap_mm.value:g} mm apart, numbered in the order in "
            "which they leave, towards the back")
    if found.held:
        said += f"; {len(found.held)} are held back by others: lift those off by hand"
    return f"{said}."


def _takes(result: Resolution) -> str:
    """Time and plastic of one part; "" where there is no estimate."""
    figures = result.estimate.get("resolved")
    if not figures:
        return ""
    return (f"One part takes about {figures['time_s'] / 60.0:.0f} min to print and "
            f"{figures['plastic_g']:.1f} g of plastic.")


def _settings(result: Resolution, process: Process) -> tuple[Setting, ...]:
    bead, filling, capability = process.bead, process.filling, process.capability
    kinds = {edit.op for edit in result.edits}
    layers = "slopes are whole layers"
    if any(edit.remedy == "membrane" for edit in result.edits):
        layers = "slopes and membranes are whole layers"
    line = "layers step out by a share of it"
    if "prop" in kinds:
        line = "walls of props are one line"
    return (
        Setting("Material", process.material.name, "", "what it spans comes from it"),
        Setting("Nozzle", f"{bead.nozzle_mm.value:g}", "mm", "the line comes from it"),
        Setting("Line", f"{bead.line_mm.value:.2f}", "mm", line),
        Setting("Layer", f"{bead.layer_mm.value:.2f}", "mm", layers),
        Setting("First layer", f"{bead.first_layer_mm.value:.2f}", "mm", "feet and edges start so"),
        Setting("Walls", f"{filling.walls.value:g}", "lines", "undersides rest on them"),
        Setting("Skins", f"{filling.skins.value:g}", "layers", "bridges are the lowest of them"),
        Setting("Infill", f"{100 * filling.infill.value:g}", "%", "mass and time were taken so"),
        Setting("Flattest slope", f"{process.angle_deg:.0f}", "°",
                "from the platform; flatter hangs"),
        Setting("Longest bridge", f"{capability.bridge_mm.value:g}", "mm", "longer sags"),
        Setting("Generated supports", "none", "", "props are part of the part"),
    )


def _works(result: Resolution, numbered: tuple[Place, ...]) -> tuple[Work, ...]:
    found: list[Work] = []
    for place in numbered:
        for k, edit in enumerate(place.edits):
            if edit.after:
                number, off = edit_number(place, k), edit.op == "prop"
                shown = off and len(found) < PICTURED
                found.append(Work(number, edit.id, "take off" if off else "drill out",
                                  sentence(edit.after),
                                  off_figure(result, number, edit) if shown else None))
    return tuple(found)


def _tumbling(result: Resolution) -> str:
    marks_mm2 = sum(edit.prop.contact_mm2 for edit in result.edits if edit.prop is not None)
    if marks_mm2 <= 0.0:
        return "Not needed: nothing but the platform touches the part."
    return (f"Only where the marks of props, {marks_mm2:.0f} mm² in all, are seen or felt; after "
            "they are off.")
