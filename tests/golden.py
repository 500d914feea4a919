"""Golden pages: a text made from a synthetic result, compared as a whole with a kept file.

``WAKESIM_GOLDEN=write pytest FILE`` rewrites the kept files of the tests in FILE; look at their
difference before committing them.
"""

from __future__ import annotations

import os
from pathlib import Path


def compare(text: str, kept: Path) -> None:
    """Assert that ``text`` is that of the file ``kept``, white space aside; or write it there.

    A page is kept with one tag or sentence a line where the template has it so.
    """
    lines = [line.rstrip() for line in text.strip().splitlines()]
    if os.environ.get("WAKESIM_GOLDEN") == "write":
        kept.parent.mkdir(exist_ok=True)
        kept.write_text("\n".join(lines) + "\n", encoding="utf-8")
    found = [" ".join(line.split()) for line in lines if line.strip()]
    wanted = [" ".join(line.split()) for line in kept.read_text(encoding="utf-8").splitlines()]
    assert found == [line for line in wanted if line]
