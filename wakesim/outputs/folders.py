"""Folders that results go to: can they be written, and errors in one line."""

from __future__ import annotations

import contextlib
import os
import tempfile
from collections.abc import Iterator
from pathlib import Path

from wakesim.errors import OutputError


def make_sure_writable(folder: Path) -> None:
    """Raise OutputError when the folder is a file or cannot be made; OSError when not writable."""
    if folder.exists() and not folder.is_dir():
        raise OutputError(f"{folder}: is a file, a folder is needed for the results")
    existing = folder.absolute()
    while not existing.exists():
        existing = existing.parent
    if not existing.is_dir():
        raise OutputError(f"{folder}: cannot be made, {existing} is a file")
    os.rmdir(tempfile.mkdtemp(prefix=".wakesim-", dir=existing))


@contextlib.contextmanager
def plain_errors(folder: Path) -> Iterator[None]:
    """Turn errors of the file system into one line."""
    try:
        yield
    except OSError as error:
        reason = error.strerror or " ".join(str(error).split())
        raise OutputError(f"{folder}: cannot write results: {reason}") from error
