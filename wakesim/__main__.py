"""Entry point of ``wakesim`` and ``python -m wakesim``."""

import sys

from wakesim.cli import main

if __name__ == "__main__":
    sys.exit(main())
