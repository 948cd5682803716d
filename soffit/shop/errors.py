"""What a call to the desk can be refused with: a status of HTTP and one line."""

from __future__ import annotations

from soffit.errors import InputError


class Refused(InputError):
    """A call that is not carried out; `status` is that of HTTP, RFC 9110."""

    def __init__(self, status: int, message: str) -> None:
        super().__init__(message)
        self.status = status


def not_found(what: str) -> Refused:
    """There is no such thing."""
    return Refused(404, f"there is no such {what}; look at the list again")


def wrong(message: str) -> Refused:
    """A value that is not allowed."""
    return Refused(400, message)


def not_now(message: str) -> Refused:
    """Something that does not fit the state of the job."""
    return Refused(409, message)
