"""What a run needs from its surroundings: shared data, kernel cache, provenance."""

from __future__ import annotations

import contextlib
import ctypes
import hashlib
import os
import platform
import sys
import tempfile
from datetime import UTC, datetime
from importlib import metadata
from pathlib import Path
from typing import Any

_PACKAGE = Path(__file__).resolve().parent
_LARGE_BYTES = 1 << 20  # of memory that goes back as soon as it is not needed
_M_ARENA_MAX, _M_MMAP_THRESHOLD = -8, -3  # of mallopt(3)


def version() -> str:
    """Version of the installed distribution ("0+unknown" in a bare source tree)."""
    try:
        return metadata.version("wakesim")
    except metadata.PackageNotFoundError:
        return "0+unknown"


def _carried(folder: str) -> Path:
    """A data folder: beside the package in a checkout, inside it in an installed wheel."""
    installed = _PACKAGE / f"_{folder}"
    return installed if installed.is_dir() else _PACKAGE.parent / folder


def shared_path(*parts: str) -> Path:
    """Path of a file in the shared data folder (vehicle catalogue, profiles, references)."""
    return _carried("shared").joinpath(*parts)


def cases_path(*parts: str) -> Path:
    """Path of an example case."""
    return _carried("cases").joinpath(*parts)


def validation_path(*parts: str) -> Path:
    """Path of a comparison with published data."""
    return _carried("validation").joinpath(*parts)


def is_checkout() -> bool:
    """Whether the data folders stand beside the package, as in a source tree."""
    return _carried("validation").parent == _PACKAGE.parent


def cache_folder() -> Path:
    """The user's folder for what can be computed again; it need not exist."""
    named = os.environ.get("XDG_CACHE_HOME")
    if not named and os.name == "nt":
        named = os.environ.get("LOCALAPPDATA")
    return Path(named or os.path.expanduser("~/.cache")) / "wakesim"


def prepare_kernel_cache() -> None:
    """Give numba a writable, per-user cache when the package folder is read-only.

    The cache holds pickled code, so it is never placed in a folder others may write to. Call
    before the first numba import.
    """
    if "NUMBA_CACHE_DIR" in os.environ or os.access(_PACKAGE, os.W_OK):
        return
    folder = cache_folder() / "kernels"
    try:
        folder.mkdir(parents=True, exist_ok=True, mode=0o700)
        usable = os.access(folder, os.W_OK)
    except OSError:
        usable = False
    os.environ["NUMBA_CACHE_DIR"] = str(folder) if usable else tempfile.mkdtemp(prefix="wakesim-")


def share_memory_between_threads() -> None:
    """Let all threads take memory from two arenas of the C library, where it is GNU's.

    Threads that march wakes come and go; with an arena each, what one gave back no other used, and
    a day of traffic took 130 MB more (and a little longer). Large arrays are given back to the
    system at once: 50 MB less.
    """
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            library = ctypes.CDLL(None)
            library.mallopt(_M_ARENA_MAX, 2)
            library.mallopt(_M_MMAP_THRESHOLD, _LARGE_BYTES)


def give_back_memory() -> None:
    """Return what is free to the system, where the C library is GNU's."""
    if sys.platform == "linux":
        with contextlib.suppress(OSError, AttributeError):
            ctypes.CDLL(None).malloc_trim(0)


def sha256(text: str) -> str:
    """Hex digest of a text, the same on every machine."""
    return hashlib.sha256(text.encode()).hexdigest()


def provenance(case_text: str, seed: int) -> dict[str, Any]:
    """Where a result comes from: versions, inputs, seed and time, all plain JSON values."""
    libraries = {}
    for name in ("numpy", "scipy", "numba", "h5py", "pydantic", "matplotlib"):
        try:
            libraries[name] = metadata.version(name)
        except metadata.PackageNotFoundError:
            libraries[name] = "absent"
    return {
        "program": "wakesim",
        "version": version(),
        "case_text": case_text,
        "case_sha256": sha256(case_text),
        "seed": seed,
        "created_utc": datetime.now(UTC).isoformat(timespec="seconds"),
        "python": platform.python_version(),
        "platform": f"{sys.platform}-{platform.machine()}",
        "libraries": libraries,
    }
