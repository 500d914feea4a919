"""Functions that sweeps of the tests compute; workers import them by name."""

from __future__ import annotations

import os
import signal
import time
from pathlib import Path
from typing import Any

import numpy as np


def square(payload: dict[str, Any]) -> dict[str, Any]:
    x = payload["x"]
    return {"square": x * x, "powers": x ** np.arange(4.0)}


def itself(payload: dict[str, Any]) -> dict[str, Any]:
    return {"square": payload["x"]}


def slow_square(payload: dict[str, Any]) -> dict[str, Any]:
    """A point that leaves a mark when it is computed and takes its time."""
    with (Path(payload["marks"]) / f"{payload['x']}").open("a") as file:
        file.write("x")
    time.sleep(payload["pause_s"])
    return square(payload)


def waits(payload: dict[str, Any]) -> dict[str, Any]:
    """Says by whom it is computed, and takes longer than any test."""
    (Path(payload["marks"]) / f"{os.getpid()}.pid").touch()
    time.sleep(600.0)
    return square(payload)


def fails_at_three(payload: dict[str, Any]) -> dict[str, Any]:
    if payload["x"] == 3.0:
        raise ValueError("three is not possible\nat all")
    return square(payload)


def kills_its_worker(payload: dict[str, Any]) -> dict[str, Any]:
    if payload["x"] == 3.0:
        os.kill(os.getpid(), signal.SIGKILL)
    return square(payload)


def dies_once(payload: dict[str, Any]) -> dict[str, Any]:
    """Kills its worker the first time it meets the fatal point."""
    mark = Path(payload["marks"]) / "died"
    if payload["x"] == 3.0 and not mark.exists():
        mark.touch()
        os.kill(os.getpid(), signal.SIGKILL)
    return square(payload)


def interrupts(payload: dict[str, Any]) -> dict[str, Any]:
    if payload["x"] == 3.0:
        raise KeyboardInterrupt
    return square(payload)
