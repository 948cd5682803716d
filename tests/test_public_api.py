"""The public names are pinned, and importing them costs nothing."""

from __future__ import annotations

import subprocess
import sys

import pytest

import soffit
from soffit import errors

NAMES = {
    "read", "place", "features", "review", "resolve", "compare", "ways_up", "quote",
    "load_process", "Quote", "Tooled", "verify", "Verified",
    "Part", "Face", "Features", "Process", "Finding", "Review", "Edit", "Resolution", "Comparison",
    "Orientation", "WaysUp",
    "SoffitError", "InputError", "FileError", "UnitError", "ProcessError", "SelectorError",
    "KernelError", "KernelCrash", "KernelTimeout", "GeometryError",
    "__version__",
}  # fmt: skip
HEAVY = ("numpy", "pydantic", "manifold3d", "shapely", "scipy", "trimesh", "OCP", "rich", "typer")


def test_public_names_are_these_and_all_exist() -> None:
    assert set(soffit.__all__) == NAMES == set(dir(soffit))
    for name in NAMES:
        assert getattr(soffit, name) is getattr(soffit, name)
    with pytest.raises(AttributeError, match="has no attribute 'slice'"):
        soffit.slice  # noqa: B018


def test_every_error_is_public() -> None:
    tree = {
        name
        for name, value in vars(errors).items()
        if isinstance(value, type) and issubclass(value, errors.SoffitError)
    }
    assert tree <= NAMES
    assert {name for name in NAMES if name.endswith(("Error", "Crash", "Timeout"))} == tree


def loaded(code: str) -> set[str]:
    """Heavy modules in memory after this code ran in a fresh interpreter."""
    show = f"import sys; {code}; print(*[m for m in {HEAVY!r} if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", show], capture_output=True, text=True, check=True)
    return set(done.stdout.split())


def test_import_loads_nothing_heavy() -> None:
    assert loaded("import soffit") == set()
    assert loaded("import soffit.cli.entry, soffit.cli.supervisor") == set()


def test_help_loads_no_engine() -> None:
    help_ = "from soffit.cli.run import run; run(['--help']); print()"
    show = loaded(help_ + "; print('heavy:', end=' ')")
    assert not show & {"numpy", "manifold3d", "shapely", "scipy", "trimesh", "OCP", "rich"}


def test_kernel_is_not_loaded_by_the_public_names() -> None:
    assert "OCP" not in loaded("import soffit; [getattr(soffit, n) for n in soffit.__all__]")
