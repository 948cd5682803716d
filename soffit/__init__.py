"""Soffit: what would print over air, and the part changed so that nothing does.

    import soffit
    part   = soffit.read("arm.step")
    review = soffit.review(part, process="pla-04")
    result = soffit.resolve(part, process="pla-04", quantity=100_000)
    result.write("out/")

Names are loaded when first used, so that `import soffit` costs nothing.
"""

from __future__ import annotations

import importlib
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from soffit.api import compare, features, place, quote, read, resolve, review, verify, ways_up
    from soffit.errors import (
        FileError,
        GeometryError,
        InputError,
        KernelCrash,
        KernelError,
        KernelTimeout,
        ProcessError,
        SelectorError,
        SoffitError,
        UnitError,
    )
    from soffit.findings.model import Finding, Review
    from soffit.orient.measure import Orientation
    from soffit.orient.result import WaysUp
    from soffit.part.features.model import Features
    from soffit.part.model import Face, Part
    from soffit.plan.compare import Comparison
    from soffit.plan.model import Resolution
    from soffit.process.load import load_process
    from soffit.process.model import Process
    from soffit.production.price import Tooled
    from soffit.production.quote import Quote
    from soffit.remedies.model import Edit
    from soffit.sheet.verified import Verified

__version__ = "0.1.0"

_HOME = {
    "read": "soffit.api",
    "place": "soffit.api",
    "features": "soffit.api",
    "review": "soffit.api",
    "resolve": "soffit.api",
    "quote": "soffit.api",
    "compare": "soffit.api",
    "ways_up": "soffit.api",
    "verify": "soffit.api",
    "load_process": "soffit.process.load",
    "Part": "soffit.part.model",
    "Face": "soffit.part.model",
    "Features": "soffit.part.features.model",
    "Process": "soffit.process.model",
    "Finding": "soffit.findings.model",
    "Review": "soffit.findings.model",
    "Orientation": "soffit.orient.measure",
    "WaysUp": "soffit.orient.result",
    "Edit": "soffit.remedies.model",
    "Resolution": "soffit.plan.model",
    "Comparison": "soffit.plan.compare",
    "Quote": "soffit.production.quote",
    "Tooled": "soffit.production.price",
    "Verified": "soffit.sheet.verified",
    "SoffitError": "soffit.errors",
    "InputError": "soffit.errors",
    "FileError": "soffit.errors",
    "UnitError": "soffit.errors",
    "ProcessError": "soffit.errors",
    "SelectorError": "soffit.errors",
    "KernelError": "soffit.errors",
    "KernelCrash": "soffit.errors",
    "KernelTimeout": "soffit.errors",
    "GeometryError": "soffit.errors",
}

__all__ = [
    "Comparison",
    "Edit",
    "Face",
    "Features",
    "FileError",
    "Finding",
    "GeometryError",
    "InputError",
    "KernelCrash",
    "KernelError",
    "KernelTimeout",
    "Orientation",
    "Part",
    "Process",
    "ProcessError",
    "Quote",
    "Resolution",
    "Review",
    "SelectorError",
    "SoffitError",
    "Tooled",
    "UnitError",
    "Verified",
    "WaysUp",
    "__version__",
    "compare",
    "features",
    "load_process",
    "place",
    "quote",
    "read",
    "resolve",
    "review",
    "verify",
    "ways_up",
]


def __getattr__(name: str) -> object:
    home = _HOME.get(name)
    if home is None:
        raise AttributeError(f"module 'soffit' has no attribute {name!r}")
    value = getattr(importlib.import_module(home), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(__all__)
