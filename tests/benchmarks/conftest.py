"""Times are those of computing: nothing is read from disk."""

import os

os.environ["WAKESIM_CACHE"] = "off"
