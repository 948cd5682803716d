"""Sizes of paper, mm."""

from __future__ import annotations

from typing import Literal, get_args

Paper = Literal["a3", "a4", "letter"]
PAPERS: tuple[Paper, ...] = get_args(Paper)

# Width and height upright (ISO 216; ANSI/ASME Y14.1 size A).
_SIZES: dict[Paper, tuple[float, float]] = {
    "a3": (297.0, 420.0), "a4": (210.0, 297.0), "letter": (215.9, 279.4)}


def upright(paper: Paper) -> tuple[float, float]:
    """Width and height of a page that is read like a letter; a larger sheet's text goes on A4."""
    return _SIZES["a4" if paper == "a3" else paper]


def lying(paper: Paper) -> tuple[float, float]:
    """Width and height of a page that is read like a drawing."""
    width, height = _SIZES[paper]
    return height, width
