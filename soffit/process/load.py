"""Read a process profile by name or from a file.

A profile is TOML. A file of one's own may start from another with `base = "pla-04"` and then
state only what differs; a value is replaced whole, so that a number never keeps the source of
the number that it replaced.
"""

from __future__ import annotations

import datetime
import difflib
import json
import tomllib
from pathlib import Path
from typing import Any, get_args

from pydantic import BaseModel, ValidationError
from pydantic_core import ErrorDetails

from soffit.errors import ProcessError
from soffit.process.limits import LIMITS, value_of
from soffit.process.model import Distribution, Grade, Process, Value

PROFILES = Path(__file__).parent / "profiles"

# What is allowed, from memory: wide enough for any desktop or small industrial machine, narrow
# enough to catch a wrong unit (0.2 written as 200) or a swapped key.
_RANGES: dict[str, tuple[float, float]] = {
    "platform.width_mm": (20, 2000),
    "platform.depth_mm": (20, 2000),
    "platform.height_mm": (20, 2000),
    "platform.gap_mm": (0, 200),
    "bead.nozzle_mm": (0.1, 2),
    "bead.line_mm": (0.1, 3),
    "bead.layer_mm": (0.02, 1.5),
    "bead.first_layer_mm": (0.02, 1.5),
    "motion.speed_mm_s": (1, 1000),
    "motion.outer_speed_mm_s": (1, 1000),
    "motion.first_layer_speed_mm_s": (1, 1000),
    "motion.travel_speed_mm_s": (1, 2000),
    "motion.acceleration_mm_s2": (50, 50_000),
    "motion.corner_mm_s": (0.1, 100),
    "motion.retract_s": (0, 10),
    "motion.flow_limit_mm3_s": (0.1, 200),
    "motion.min_layer_time_s": (0, 300),
    "material.density_g_cm3": (0.3, 12),
    "material.modulus_gpa": (0.001, 50),
    "material.strength_mpa": (0.1, 1000),
    "material.layer_bond": (0.05, 1),
    "material.poisson": (0, 0.5),
    "material.glass_transition_c": (-150, 400),
    "material.expansion_ppm_k": (1, 500),
    "material.price_per_kg": (0, 10_000),
    "filling.walls": (1, 20),
    "filling.skins": (0, 40),
    "filling.infill": (0, 1),
    "costs.machine_per_h": (0, 10_000),
    "costs.labour_per_h": (0, 10_000),
    "costs.engineer_per_h": (0, 10_000),
    "costs.power_w": (0, 100_000),
    "costs.price_per_kwh": (0, 100),
    "costs.handle_s": (0, 3600),
    "costs.break_off_s": (0, 3600),
    "costs.drill_s": (0, 3600),
    "costs.peel_s_cm2": (0, 3600),
    "costs.tumble_each": (0, 10_000),
    "costs.setup_s": (0, 1_000_000),
    "costs.redesign_h": (0, 10_000),
    "costs.avoid_bridge": (0, 10_000),
    "costs.avoid_work": (0, 10_000),
    "costs.avoid_prop": (0, 10_000),
    "capability.angle_deg": (20, 80),
    "capability.overlap": (0.05, 0.95),
    "capability.lip_mm": (0, 5),
    "capability.bridge_mm": (0, 100),
    "capability.drag_n": (0.01, 10),
    "capability.adhesion_mpa": (0.001, 10),
    "props.give_lines": (0.05, 2),
    "props.free_mm": (0.1, 3),
    "props.contact_mm": (0.2, 10),
    "props.pull_n": (1, 2000),
    "props.block_fill": (0.01, 1),
    "cycle.start_s": (0, 7200),
    "cycle.cool_s": (0, 7200),
    "cycle.eject_s": (0, 3600),
    "failure.layer_ppm": (0, 10_000),
    "failure.support_ppm": (0, 500_000),
    "failure.prop_ppm": (0, 500_000),
    "assumed.spread": (0.001, 1),
    "assumed.inside": (0, 10),
    "park.fails_h": (0.1, 1e9),
    "park.mends_h": (0, 1000),
    "park.service_every_h": (1, 1e9),
    "park.service_h": (0, 1000),
    "park.menders": (1, 1000),
    "park.shift_h": (0.5, 24),
    "park.days": (1, 7),
}


def available() -> list[str]:
    """Names of the profiles that come with Soffit, sorted."""
    return sorted(file.stem for file in PROFILES.glob("*.toml"))


def load_process(name_or_path: str | Path | Process) -> Process:
    """The process of this name or in this TOML file; a `Process` is returned as it is.

    Raises ProcessError if there is no such profile, or a value in it is missing or not allowed.
    """
    if isinstance(name_or_path, Process):
        return name_or_path
    file = _find(str(name_or_path), Path())
    data = _read(file, ())
    data.setdefault("name", file.stem)
    data.setdefault("title", data["name"])
    # A profile that starts from no other and was written before there was this table.
    data.setdefault("assumed", _read(PROFILES / "pla-04.toml", ())["assumed"])
    try:
        # By way of JSON, so that strict mode still takes the words of an enumeration.
        process = Process.model_validate_json(json.dumps(data, default=str), strict=True)
    except ValidationError as error:
        raise ProcessError(f"reading process {file}: {_say(error.errors()[0])}") from None
    _check(process, file)
    return process


def _find(name: str, beside: Path) -> Path:
    if name in available():
        return PROFILES / f"{name}.toml"
    if name.endswith(".toml") or "/" in name or "\\" in name:
        return beside / name
    near = difflib.get_close_matches(name.lower(), available(), n=1, cutoff=0.4)
    hint = f"; did you mean {near[0]}?" if near else ""
    raise ProcessError(
        f"choosing a process: there is no profile {name!r}{hint} "
        f"(profiles: {', '.join(available())}; or give a .toml file)"
    )


def _read(file: Path, above: tuple[Path, ...]) -> dict[str, Any]:
    """The tables of a profile with those of its bases filled in."""
    try:
        data = tomllib.loads(file.read_text(encoding="utf-8"))
    except OSError as error:
        reason = error.strerror or type(error).__name__
        raise ProcessError(
            f"reading process {file}: {reason}; check the path, or name one of "
            f"{', '.join(available())}"
        ) from None
    except UnicodeDecodeError:
        raise ProcessError(f"reading process {file}: not UTF-8 text; save it as UTF-8") from None
    except tomllib.TOMLDecodeError as error:
        raise ProcessError(f"reading process {file}: not valid TOML: {error}") from None
    base = data.pop("base", None)
    if base is None:
        return data
    if not isinstance(base, str):
        raise ProcessError(f"reading process {file}: base is {base!r}; allowed: a profile's name")
    seen = (*above, file.resolve())
    under = _find(base, file.parent)
    if under.resolve() in seen:
        raise ProcessError(f"reading process {file}: base {base!r} leads back to the file itself")
    merged = _read(under, seen)
    # A profile that differs from its base must not go by its base's name.
    merged.pop("name", None)
    merged.pop("title", None)
    for key, table in data.items():
        old = merged.get(key)
        if isinstance(old, dict) and isinstance(table, dict):
            merged[key] = {**old, **table}
        else:
            merged[key] = table
    return merged


def _say(error: ErrorDetails) -> str:
    """One error of the validator in our words: key, value, what is allowed."""
    loc = tuple(str(step) for step in error["loc"])
    key = ".".join(loc)
    kind = error["type"]
    if kind == "extra_forbidden":
        known = _known(loc[:-1])
        near = difflib.get_close_matches(loc[-1], known, n=1, cutoff=0.0)
        return f"unknown key {key}; did you mean {'.'.join((*loc[:-1], *near))}?"
    if kind == "missing":
        return f"{key} is missing; add it, or start from a profile with base = \"pla-04\""
    if kind == "enum":
        grades = ", ".join(grade.value for grade in Grade)
        return f"{key} is {error['input']!r}; allowed: {grades}"
    if kind == "model_type":
        if loc[-1] == "distribution":
            return (f"{key} is {error['input']!r}; write {{ mean = …, deviation = …, count = …, "
                    'machine = "…", date = "…" }')
        if _model(loc) is Value:
            return (
                f"{key} is {error['input']!r}; write "
                f'{{ value = …, source = "…", grade = "measured" }}'
            )
        return f"{key} is {error['input']!r}; allowed: a table [{key}]"
    allowed = {
        "float_type": "a number",
        "string_type": "a text",
        "string_too_short": "where the value comes from, at least 3 characters",
        "int_type": "a whole number",
        "greater_than": "a number above 0",
        "greater_than_equal": "a number that is not negative",
    }.get(kind, error["msg"])
    return f"{key} is {error['input']!r}; allowed: {allowed}"


def _model(loc: tuple[str, ...]) -> type[BaseModel] | None:
    model: type[BaseModel] = Process
    for step in loc:
        field = model.model_fields.get(step)
        inner = field.annotation if field else None
        # Of what may be left out, what it is where it is there.
        inner = next((one for one in get_args(inner) if one is not type(None)), inner)
        if not (isinstance(inner, type) and issubclass(inner, BaseModel)):
            return None
        model = inner
    return model


def _known(loc: tuple[str, ...]) -> list[str]:
    model = _model(loc)
    return list(model.model_fields) if model else []


def _wrong(found: Distribution, value: float, side: float) -> str:
    """What is wrong about the distribution of a limit; "" if nothing is. `value`: that of the
    profile, negative where less is harder."""
    if found.count == 1:
        return "count is 1; allowed: 0 where nobody measured it, or at least 2"
    if value > side * found.mean:
        return (f"mean is {found.mean:g}; allowed: one that the value {abs(value):g} lies inside "
                "of, or half of all prints fail at it")
    if found.measured and not found.machine:
        return 'machine is ""; allowed: what printed the coupons'
    if not found.measured:
        return ""
    try:
        datetime.date.fromisoformat(found.date)
    except ValueError:
        return f"date is {found.date!r}; allowed: one such as 2026-11-30"
    return ""


def _check(process: Process, file: Path) -> None:
    for key, (low, high) in _RANGES.items():
        table, name = key.split(".")
        value = getattr(getattr(process, table), name).value
        if not low <= value <= high:
            raise ProcessError(
                f"reading process {file}: {key} is {value:g}; allowed: {low:g} to {high:g}"
            )
    for name, limit in LIMITS.items():
        found = value_of(process, name)
        if found.distribution is not None:
            wrong = _wrong(found.distribution, limit.side * found.value, limit.side)
            if wrong:
                raise ProcessError(
                    f"reading process {file}: {limit.table}.{name}.distribution.{wrong}")
    nozzle = process.bead.nozzle_mm.value
    for key, value in (
        ("layer_mm", process.layer_mm),
        ("first_layer_mm", process.first_layer_mm),
    ):
        if value >= nozzle:
            raise ProcessError(
                f"reading process {file}: bead.{key} is {value:g}; "
                f"allowed: less than the nozzle, {nozzle:g}"
            )
        if value >= process.line_mm:
            raise ProcessError(
                f"reading process {file}: bead.{key} is {value:g}; "
                f"allowed: less than the line width, {process.line_mm:g}"
            )
    if not 0.5 * nozzle <= process.line_mm <= 2.5 * nozzle:  # from memory
        raise ProcessError(
            f"reading process {file}: bead.line_mm is {process.line_mm:g}; "
            f"allowed: {0.5 * nozzle:g} to {2.5 * nozzle:g} for a nozzle of {nozzle:g}"
        )
