"""`python -m deadband` is the command `deadband`."""

import sys

from .cli import main

if __name__ == "__main__":
    sys.exit(main())
