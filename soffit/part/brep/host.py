"""The kernel process, started by `soffit.part.kernel`."""

from __future__ import annotations

import sys

from OCP.Message import Message

from soffit.part.serve import serve


def main(arguments: list[str]) -> int:
    """Serve calls until the input closes. `arguments`: as of `serve`."""
    # The kernel announces each file it reads or writes; nobody is there to read that.
    Message.DefaultMessenger_s().ChangePrinters().Clear()
    return serve(arguments, "the B-rep kernel")


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
