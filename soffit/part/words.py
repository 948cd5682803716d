"""Numbers of things, and what is being done, in words."""

from __future__ import annotations

# What the stages of the engine are called when shown.
STAGES = {
    "read": "reading",
    "review": "reviewing",
    "orient": "looking at ways up of",
    "rooms": "measuring the room below",
    "features": "recognising the features of",
    "resolve": "resolving",
    "compare": "comparing",
    "apply": "applying the edits to",
    "write": "writing the files of",
    "prove": "reading back the files of",
    "sheet": "drawing the sheet of",
    "unpack": "unpacking",
    "coupon": "drawing",
}


def plural(count: int, one: str, many: str | None = None) -> str:
    """A number of things: "1 post", "2 posts"; `many` where an s does not do."""
    return f"{count} {one if count == 1 else many or one + 's'}"
