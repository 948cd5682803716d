"""Numbers and words as the sheet has them."""

from __future__ import annotations

import re

THIN = "\u202f"
MINUS = "\u2212"


def sentence(text: str) -> str:
    """First letter large, no full stop: a cell of a table."""
    text = text.strip().rstrip(".")
    return text[:1].upper() + text[1:]


def number(value: float, decimals: int, signed: bool = False) -> str:
    """A number with a narrow space between thousands and a true minus."""
    text = f"{abs(value):,.{decimals}f}".replace(",", THIN)
    if float(f"{abs(value):.{decimals}f}") == 0.0:
        return text
    return (MINUS if value < 0 else "+" if signed else "") + text


def parts_word(quantity: int) -> str:
    """ "part" or "parts"."""
    return "part" if quantity == 1 else "parts"


def thin(text: str) -> str:
    """Text with narrow spaces between thousands."""
    return re.sub(r"(?<=\d),(?=\d{3})", THIN, text)


def short_hash(sha256: str) -> str:
    """The first figures of a SHA-256, as a person compares them."""
    return " ".join(sha256[k:k + 4] for k in range(0, 12, 4))
