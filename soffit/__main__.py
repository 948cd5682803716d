"""`python -m soffit` is `soffit`."""

from soffit.cli.entry import main

if __name__ == "__main__":
    main()
