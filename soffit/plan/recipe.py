"""The recipe: what was decided, in the frame of the customer's file, as TOML."""

from __future__ import annotations

import json

import numpy as np

from soffit.part.model import Floats
from soffit.plan.model import Resolution

SCHEMA = "soffit.recipe/1"


def recipe_toml(result: Resolution) -> str:
    """Part, process, way up, protected faces and every edit with its place, as TOML text."""
    source = result.received.source
    back = np.linalg.inv(result.received.placement)
    lines = [
        f"schema = {_text(SCHEMA)}",
        "",
        "[part]",
        f"file = {_text(source.file)}",
        f"sha256 = {_text(source.sha256)}",
        f"unit = {_text(source.unit)}",
        "",
        "[process]",
        f"name = {_text(result.before.process.name)}",
        f"up = {_numbers(result.before.up)}",
        f"quantity = {result.quantity}",
    ]
    for face in result.protected:
        lines += ["", "[[protect]]", f"selector = {_text(face.selector)}", f"face = {face.face}"]
    for edit in result.edits:
        at = back[:3, :3] @ np.asarray(edit.at_mm) + back[:3, 3]
        lines += [
            "",
            "[[edit]]",
            f"id = {_text(edit.id)}",
            f"finding = {_text(edit.finding)}",
            f"remedy = {_text(edit.remedy)}",
            f"op = {_text(edit.op)}",
            f"at_mm = {_numbers(at)}",
            f"faces = [{', '.join(str(f) for f in edit.faces)}]",
            f"volume_mm3 = {_number(edit.volume_mm3)}",
            f"why = {_text(edit.why)}",
        ]
        if edit.after:
            lines.append(f"after = {_text(edit.after)}")
    return "\n".join(lines) + "\n"


def _text(value: str) -> str:
    # A JSON string is a TOML basic string, but for the delete character (TOML 1.0).
    return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")


def _number(value: float) -> str:
    return repr(round(float(value), 6) + 0.0)


def _numbers(values: Floats | tuple[float, ...]) -> str:
    return "[" + ", ".join(_number(v) for v in values) + "]"
