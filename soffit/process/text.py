"""A process profile as TOML: in full, with the source and grade of every value."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from typing import Any

from soffit.process.model import Process


def process_toml(process: Process) -> str:
    """The whole profile, from no base: read by `load_process` it is the same process."""
    lines = []
    tables: list[str] = []
    for key, value in process.model_dump(mode="json", exclude_none=True).items():
        if isinstance(value, dict):
            tables += ["", f"[{key}]"]
            tables += [f"{name} = {toml_value(one)}" for name, one in value.items()]
        else:
            lines.append(f"{key} = {toml_value(value)}")
    return "\n".join([*lines, *tables]) + "\n"


def toml_value(value: str | bool | int | float | Mapping[str, Any] | Sequence[Any]) -> str:
    """A text, truth value, number, table or list as TOML has it, on one line."""
    if isinstance(value, str):
        # A JSON string is a TOML basic string, but for the delete character (TOML 1.0).
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        return repr(value)
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{k} = {toml_value(v)}" for k, v in value.items()) + " }"
    return "[" + ", ".join(toml_value(item) for item in value) + "]"
