"""The supervised child: `python -m soffit.cli ARGS` runs one command in this process."""

import os
import sys

from soffit.cli.status import SUPERVISOR

if __name__ == "__main__":
    from soffit.cli.run import run
    from soffit.part.tied import tie_to_parent

    supervisor = os.environ.get(SUPERVISOR)
    if supervisor is not None and not tie_to_parent(int(supervisor)):
        sys.exit(1)
    sys.exit(run(sys.argv[1:]))
