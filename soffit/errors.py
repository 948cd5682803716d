"""Everything that Soffit raises on purpose.

    SoffitError
    ├── InputError          the file, option or selector given is wrong: exit 2
    │   ├── FileError       a file cannot be read as a part
    │   ├── UnitError       a mesh file whose unit nobody stated
    │   ├── ProcessError    a process profile is missing or invalid
    │   └── SelectorError   a face selector names no face, or names it ambiguously
    ├── KernelError         the B-rep kernel failed on one operation
    │   ├── KernelCrash     its process died
    │   └── KernelTimeout   it did not answer within its time limit
    └── GeometryError       an edit gave an invalid solid, or broke the volume balance

Each message is one line that says what was being done, to what, and what to do next.
"""

from __future__ import annotations


class SoffitError(Exception):
    """Root of all errors raised on purpose."""


class InputError(SoffitError):
    """What the user gave is wrong. The command ends with exit code 2."""


class FileError(InputError):
    """A file cannot be read as a part. `kind` is the `file/*` kind that explains it."""

    def __init__(self, message: str, kind: str = "file/unreadable") -> None:
        super().__init__(message)
        self.kind = kind


class UnitError(InputError):
    """A mesh file without a unit was given and none was stated."""


class ProcessError(InputError):
    """A process profile is missing, or a value in it is not allowed."""


class SelectorError(InputError):
    """A face selector names no face of the part, or cannot be parsed."""


class KernelError(SoffitError):
    """The B-rep kernel could not carry out one operation."""


class KernelCrash(KernelError):
    """The process that runs the B-rep kernel died."""


class KernelTimeout(KernelError):
    """The B-rep kernel did not answer within its time limit and was stopped."""


class GeometryError(SoffitError):
    """An edit gave an invalid solid or broke the volume balance; it was not applied."""
