"""How a release is issued: on which paper, of which revision, for whom."""

from __future__ import annotations

import unicodedata
from dataclasses import dataclass

from soffit.errors import InputError
from soffit.sheet.paper import Paper

# Longer than what a title block holds, which leaves out the middle (own choice).
MOST = 200


@dataclass(frozen=True)
class Issue:
    """What nobody can tell from the part: `paper` of the change sheet (the floor traveller is on
    Letter or A4), `revision` of the part and whom it is `prepared_for` ("" not stated).

    Raises InputError for a text that is no single line of at most 200 characters.
    """

    paper: Paper = "a3"
    revision: str = ""
    prepared_for: str = ""

    def __post_init__(self) -> None:
        for what, text in (("revision", self.revision), ("prepared for", self.prepared_for)):
            if len(text) > MOST or any(unicodedata.category(c)[0] == "C" or c in "\u2028\u2029"
                                       for c in text):
                shown = text if len(text) <= 40 else text[:39] + "…"
                raise InputError(f"issuing a sheet: {what} is {shown!r}; give one line of at most "
                                 f"{MOST} characters")


UNSTATED = Issue()
