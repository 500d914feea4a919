"""Frequencies of the air beside a road, from a short stretch of a case's simulated traffic.

The share of the along-road velocity's variance at the centre of a mount's rotor that lies at and
above a frequency: pulses, mean wakes, synthetic wake turbulence and ambient turbulence as in a
run, without the sustained drift (steady within an hour) and the mean (``measures/spectra.py``).
"""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache
from pathlib import Path

import numpy as np

from wakesim.case.load import load_case
from wakesim.case.schema import Case
from wakesim.errors import CaseError
from wakesim.measures import series
from wakesim.measures.spectra import velocity_spectrum
from wakesim.runtime import cases_path
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.scene import (
    draw_round,
    field_settings,
    prepare_scene,
    round_noise,
    scene_lines,
)
from wakesim.validation.comparison import Array, Comparison, Quantity
from wakesim.validation.quantities.inputs import condition, integer, setting

_SEGMENT_S = 120.0


def _case_path(c: Comparison) -> Path:
    """The case file: beside the reference file, or among the examples ("cases/...").

    Raises CaseError when the option is missing or no text.
    """
    name = c.options.get("case")
    if not isinstance(name, str) or not name.strip():
        raise CaseError(f"{c.path}: quantity '{c.quantity}' needs options.case = \"file.toml\"")
    beside = c.path.parent / name
    first, _, rest = name.partition("/")
    if first == "cases" and rest and not beside.exists():
        return cases_path(*rest.split("/"))
    return beside


def variance_share_above(c: Comparison) -> Array:
    """Share of the along-road velocity's variance at and above a frequency, (n,)."""
    limit = condition(c, "from_hz", 0.0, 10.0, "Hz")
    hour = integer(c, "start_hour", 8, 0, 23)
    hours = setting(c, "duration_h", 1.0, 0.1, 1.0, "h")
    frequency, density = _spectrum(_case_path(c), hour, hours)
    total = float(density.sum())
    if total == 0.0:
        raise CaseError(f"{c.path}: the air of the case does not vary; no share is defined")
    return np.array([float(density[frequency >= f].sum()) / total for f in limit])


@lru_cache(maxsize=4)
def _spectrum(path: Path, start_hour: int, duration_h: float) -> tuple[Array, Array]:
    """Frequencies and densities of u at the first mount of a case, Hz and m2/s2/Hz."""
    whole = load_case(path)
    if whole.traffic is None:
        raise CaseError(f"{path}: has no traffic; a spectrum needs it")
    settings = whole.compute.model_copy(update={"start_hour": start_hour, "duration_h": duration_h})
    dt = 1.0 / settings.sample_rate_hz
    return velocity_spectrum(_velocity(replace(whole, compute=settings)), dt, _SEGMENT_S)


def _velocity(case: Case) -> Array:
    """Along-road velocity at the centre of the first mount's rotor over one round, (n,) m/s."""
    scene = prepare_scene(case, case.mounts[0])
    settings = field_settings(case)
    samples = round(3600.0 * case.compute.duration_h * case.compute.sample_rate_hz)
    passes = draw_round(case, 0, 10.0 + 1.25 * settings.wake_memory_s)
    air = mount_air(scene, settings)
    parts = series.walk(
        scene, scene_lines(scene, settings, air.viscosity), passes, 0.0, samples,
        round_noise(scene, 0, samples), air,
    )  # fmt: skip
    return series.merge(list(parts)).u


QUANTITIES = (
    Quantity(
        "variance_share_above", "1",
        "share of the along-road velocity's variance beside a road at and above a frequency",
        ("from_hz",),
        {
            "case": "case file beside the reference file, or an example: cases/name.toml",
            "start_hour": "clock hour of the traffic, default 8",
            "duration_h": "time simulated, 0.1 to 1 h, default 1",
        },
        variance_share_above,
    ),
)  # fmt: skip
