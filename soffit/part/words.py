"""Numbers of things in words."""

from __future__ import annotations


def plural(count: int, one: str, many: str | None = None) -> str:
    """A number of things: "1 post", "2 posts"; `many` where an s does not do."""
    return f"{count} {one if count == 1 else many or one + 's'}"
