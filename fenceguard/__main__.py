"""Entry point of `python -m fenceguard`."""

import sys

from fenceguard.cli import main

if __name__ == "__main__":
    sys.exit(main())
