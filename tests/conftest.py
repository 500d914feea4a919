"""Tests keep what they compute in a folder of their own, shared by the processes of one run."""

from __future__ import annotations

import os
import shutil
import tempfile

import pytest

_WORKER = "PYTEST_XDIST_WORKER" in os.environ
if not _WORKER:
    os.environ["WAKESIM_CACHE"] = tempfile.mkdtemp(prefix="wakesim-tests-")
    os.environ.pop("WAKESIM_CACHE_MB", None)
_FOLDER = os.environ["WAKESIM_CACHE"]


def pytest_unconfigure(config: pytest.Config) -> None:
    if not _WORKER:
        shutil.rmtree(_FOLDER, ignore_errors=True)
