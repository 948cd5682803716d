"""The supervised child: `python -m soffit.cli ARGS` runs one command in this process."""

import sys

if __name__ == "__main__":
    from soffit.cli.run import run

    sys.exit(run(sys.argv[1:]))
