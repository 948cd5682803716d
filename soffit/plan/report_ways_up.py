"""The ways up of a part as JSON: `soffit.orient/1`."""

from __future__ import annotations

from typing import Any

from soffit.orient.measure import Orientation
from soffit.orient.result import WaysUp
from soffit.plan.report_parts import number, numbers, optional, part_json, process_json


def ways_up_json(found: WaysUp) -> dict[str, Any]:
    """The finalists, best first, those on the front, and those with a name and a reason. Directions
    are in the frame of the file, unless the part was turned before."""
    at = {id(o): k for k, o in enumerate(found.finalists)}
    return {
        "schema": "soffit.orient/1",
        "part": part_json(found.part),
        "process": process_json(found.process),
        "looked_at": len(found.search.directions),
        "load": None if found.load is None else numbers(found.load),
        "face_up": found.face_up or None,
        "cosmetic": list(found.cosmetic),
        "ways_up": [_orientation(o) for o in found.finalists],
        "front": [at[id(o)] for o in found.front],
        "named": [{"way_up": at[id(one.orientation)], "best_at": list(one.names), "why": one.why}
                  for one in found.named],
    }


def _orientation(o: Orientation) -> dict[str, Any]:
    return {
        "up": numbers(o.up),
        "origin": o.origin,
        "clean": o.clean,
        "over_air_mm2": number(o.over_air_mm2),
        "places": o.places,
        "height_mm": number(o.height_mm),
        "footprint_mm2": number(o.footprint_mm2),
        "stands": o.stands,
        "pull_mpa": optional(o.pull_mpa if o.pull_mpa < float("inf") else None),
        "plastic_mm3": number(o.plastic_mm3),
        "time_s": number(o.time_s),
        "props": o.props,
        "price": number(o.price),
        "cost": number(o.cost),
        "upright_holes": o.upright,
        "holes": o.holes,
        "strength": optional(o.strength),
        "rough_mm2": number(o.rough_mm2),
        "roughly": o.roughly,
    }
