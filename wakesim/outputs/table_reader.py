"""Reading a lookup table and interpolating in it: ``wakesim.open_table("table.h5")``.

All arguments are arrays or numbers that broadcast, one for each axis of the table, by its name:

    table = wakesim.open_table("out/lookup-table/table.h5")
    table.effective_speed(height_m=2.0, clearance_m=3.5, flow_veh_h=counts, ...)

How it interpolates stands in ``wakesim.measures.interpolation``; ``interpolation_error`` holds what
that misses at random states between those of the table, as measured when the table was made.

A table of a case with [rotor] gives the rotor's mean power as well (``rotor_power``): the effective
speed put through a power curve gives 0 below the cut-in, where gusts still turn the rotor.
"""

from __future__ import annotations

import json
import math
import os
import stat
import subprocess
import sys
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from wakesim.arrays import Array
from wakesim.case.energy import BETZ
from wakesim.case.studies import MOST_STATES
from wakesim.errors import CaseError, one_line, shorten
from wakesim.folders import published
from wakesim.measures.interpolation import Axis, around, interpolate, needs, share_of_cube
from wakesim.outputs import table_file
from wakesim.outputs.netcdf import TABLE_FORMAT, states
from wakesim.quantities import AXES, STATES

if TYPE_CHECKING:
    import pandas
    import xarray

Outside = Literal["error", "flag", "clip"]

# No threads that each want memory, and no filters from plug-ins of the HDF5 library.
_CHILD_ENVIRONMENT = {
    "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1", "HDF5_PLUGIN_PRELOAD": "::",
}  # fmt: skip
LIMITS: dict[str, tuple[float, float]] = {  # what a table holds, with the values that are possible
    "effective_speed": (0.0, 200.0),
    "mean_speed": (0.0, 200.0),
    "sd_speed": (0.0, 200.0),
    "drift": (-200.0, 200.0),
    "power_density": (0.0, 1e8),
    "model_low": (0.0, 200.0),
    "model_high": (0.0, 200.0),
    "power_coefficient": (0.0, BETZ),
}
_MODES = ("error", "flag", "clip")
_SIGNATURE = b"\x89HDF\r\n\x1a\n"
# Bounds of the process that reads a file: a table of two million states takes two seconds.
_MOST_BYTES, _MEMORY_BYTES = 1_000_000_000, 600_000_000
_LEAST_CPU_S, _BYTES_A_SECOND, _CLOCK_FACTOR = 5, 10_000_000, 6


@dataclass(frozen=True, eq=False)
class LookupTable:
    """A table of states.

    ``axes`` maps each axis to its values, in the order of the dimensions; ``variables`` holds the
    arrays and ``attributes`` the provenance. What lies outside an axis is refused
    (``outside="error"``, CaseError naming axis, value and range), becomes NaN (``"flag"``; see
    ``is_outside``) or takes the value at the end of the axis (``"clip"``). An axis of one value
    may be left out. Where a state that could not be computed is needed, the answer is NaN (see
    ``is_unknown``); all other places have theirs.
    """

    path: str
    axes: dict[str, Array]
    variables: dict[str, Array] = field(repr=False)
    attributes: dict[str, Any] = field(repr=False)

    def effective_speed(self, *, outside: Outside = "error", **at: ArrayLike) -> Array:
        """Effective speed, m/s."""
        return self.value("effective_speed", outside=outside, **at)

    def mean_speed(self, *, outside: Outside = "error", **at: ArrayLike) -> Array:
        """Mean horizontal speed, m/s."""
        return self.value("mean_speed", outside=outside, **at)

    def sd_speed(self, *, outside: Outside = "error", **at: ArrayLike) -> Array:
        """Standard deviation of the horizontal speed, m/s."""
        return self.value("sd_speed", outside=outside, **at)

    def drift(self, *, outside: Outside = "error", **at: ArrayLike) -> Array:
        """Sustained drift along the road, m/s."""
        return self.value("drift", outside=outside, **at)

    def power_density(
        self, *, density_kg_m3: float | None = None, outside: Outside = "error", **at: ArrayLike
    ) -> Array:
        """Kinetic energy flux, W per m2 of swept area: half the density times the cubed speed.

        ``density_kg_m3`` defaults to that of the table.
        """
        density = self._density(density_kg_m3)
        return 0.5 * density * self.effective_speed(outside=outside, **at) ** 3

    def rotor_power(
        self, *, density_kg_m3: float | None = None, outside: Outside = "error", **at: ArrayLike
    ) -> Array:
        """Mean electrical power of the table's rotor, W, before standby use.

        Its power coefficient times half the density, the swept area and the cubed effective speed,
        each between the states. ``density_kg_m3`` defaults to that of the table. CaseError when the
        table was made without [rotor].
        """
        if "power_coefficient" not in self.variables:
            raise CaseError(f"{self.path}: the table holds no rotor: its case has no [rotor]")
        flux = self.power_density(density_kg_m3=density_kg_m3, outside=outside, **at)
        share = self.value("power_coefficient", outside=outside, **at)
        return np.asarray(share * self.rotor_area_m2 * flux)

    def model_interval(self, *, outside: Outside = "error", **at: ArrayLike) -> tuple[Array, Array]:
        """Lower and upper end of the model interval of the effective speed, m/s, which lies
        between them everywhere.

        CaseError when the table was made without (``compute.model_interval = false``).
        """
        if "model_low" not in self.variables:
            raise CaseError(f"{self.path}: the table holds no model interval")
        low = self.value("model_low", outside=outside, **at)
        return low, self.value("model_high", outside=outside, **at)

    def sampling_interval(
        self, *, outside: Outside = "error", **at: ArrayLike
    ) -> tuple[Array, Array]:
        """Both ends are the effective speed: the table is exact, nothing was drawn at random."""
        speed = self.effective_speed(outside=outside, **at)
        return speed, speed.copy()

    def value(self, variable: str, *, outside: Outside = "error", **at: ArrayLike) -> Array:
        """Any variable of the table, interpolated; the shape the arguments broadcast to."""
        if variable == "power_density":  # whatever the file holds: it goes with the cube
            return self.power_density(outside=outside, **at)
        self._values(variable)
        if outside not in _MODES:
            raise CaseError(
                f'outside = "{shorten(str(outside))}": must be one of "error", "flag", "clip"'
            )
        places = self._places(at)
        beyond = {a.name: a.outside(places[a.name]) for a in self._axes}
        if outside == "error":
            self._refuse(places, beyond)
        answer = self._between(variable, places)
        if outside == "flag":
            answer[np.broadcast_to(_any(beyond), answer.shape)] = np.nan
        return answer

    def _between(self, variable: str, places: Mapping[str, Array]) -> Array:
        """A variable between the states."""
        if variable in ("model_low", "model_high"):
            names = ("effective_speed", "model_low", "model_high")
            ends = around(self._axes, *map(self._values, names), places)
            return ends[names.index(variable)]
        values = self._values(variable)
        if variable == "power_coefficient":
            return share_of_cube(self._axes, values, self._values("effective_speed"), places)
        answer = interpolate(self._axes, values, places)
        # a cubic may overshoot; NaN stays
        return answer if variable == "drift" else np.maximum(answer, 0.0)

    def is_outside(self, **at: ArrayLike) -> NDArray[np.bool_]:
        """Where a state is outside at least one axis; the shape the arguments broadcast to."""
        places = self._places(at)
        shape = np.broadcast_shapes(*(p.shape for p in places.values()))
        mask = _any({a.name: a.outside(places[a.name]) for a in self._axes})
        return np.broadcast_to(mask, shape).copy()

    def is_unknown(self, variable: str = "effective_speed", **at: ArrayLike) -> NDArray[np.bool_]:
        """Where a state that could not be computed is needed, so that a lookup gives NaN.

        The shape the arguments broadcast to; places outside the axes count as at their ends.
        """
        marked = np.isnan(self._values(variable))
        return needs(self._axes, marked, self._places(at))

    def to_xarray(self) -> xarray.Dataset:
        """The table as a data set over its axes, as ``xarray.open_dataset`` reads the file."""
        return states(self.axes, self.variables, self.attributes).dataset()

    def to_pandas(self) -> pandas.DataFrame:
        """One row a state: axes, then variables, with their units in the names of the columns."""
        frame = self.to_xarray().to_dataframe().reset_index()
        frame["invented_data"] = self.attributes.get("invented_data") == "yes"
        return frame.rename(columns={name: STATES[name].key for name in self.variables})

    @property
    def air_density_kg_m3(self) -> float:
        """Density of the air that power densities refer to."""
        return float(self.attributes["air_density_kg_m3"])

    def _density(self, density_kg_m3: float | None) -> float:
        """A density asked for, or that of the table."""
        density = self.air_density_kg_m3 if density_kg_m3 is None else density_kg_m3
        if not (np.isfinite(density) and density > 0.0):
            raise CaseError(f"density_kg_m3 = {density}: must be greater than 0 kg/m3")
        return density

    @property
    def rotor(self) -> dict[str, Any]:
        """The rotor of the table: ``width_m`` and ``height_m`` of its swept rectangle; with [rotor]
        in the case also ``name``, ``area_m2``, ``cut_in_m_s``, ``response``, ``standby_w`` and, of
        one held at a fixed speed, ``shaft_speed_rad_s``."""
        return self._attributes_of("rotor_")

    @property
    def rotor_area_m2(self) -> float:
        """Swept area that ``rotor_power`` refers to, m2."""
        return float(self.attributes["rotor_area_m2"])

    @property
    def wind(self) -> dict[str, Any]:
        """What the wind of the states is: ``reference_height_m`` of its speed, ``profile``,
        ``roughness_m`` and ``displacement_m`` or ``exponent``, ``turbulence_intensity``.

        Empty when all states are still, or for a file that does not say.
        """
        return self._attributes_of("wind_")

    def __str__(self) -> str:
        """The axes with their ends, the wind, and the rotor of the power."""
        lines = [f"lookup table {self.path}"]
        for name, values in self.axes.items():
            lines.append(f"  {name}: {len(values)} values, {_range(name, values)}")
        wind = ", ".join(f"{key} {value}" for key, value in self.wind.items())
        lines.append(f"  wind: {wind or 'not stated'}")
        if "power_coefficient" in self.variables:
            lines.append("  rotor: " + ", ".join(f"{k} {v}" for k, v in self.rotor.items()))
        return "\n".join(lines)

    @property
    def interpolation_error(self) -> dict[str, float]:
        """Relative error of the interpolated effective speed at random states off the table.

        Keys ``states``, ``median``, ``p90`` and ``largest``, and the same with ``light_wind_``
        before them among winds of 0.5 to 2.5 m/s alone, where it misses most; empty when it was not
        measured.
        """
        errors = self._attributes_of("interpolation_error_")
        return {key: float(value) for key, value in errors.items()}

    def _attributes_of(self, head: str) -> dict[str, Any]:
        """Attributes whose names begin so, by what follows."""
        return {k.removeprefix(head): v for k, v in self.attributes.items() if k.startswith(head)}

    def _values(self, variable: str) -> Array:
        if variable not in self.variables:
            known = ", ".join(self.variables)
            shown = shorten(one_line(str(variable)))
            raise CaseError(f'{self.path}: no variable "{shown}"; it holds {known}')
        return self.variables[variable]

    @property
    def _axes(self) -> list[Axis]:
        return [Axis.of(name, values) for name, values in self.axes.items()]

    def _places(self, at: Mapping[str, ArrayLike]) -> dict[str, Array]:
        for name in at:
            if name not in self.axes:
                known = ", ".join(self.axes)
                shown = shorten(one_line(name))
                raise CaseError(f'{self.path}: no axis "{shown}"; the table has {known}')
        out = {}
        for name, values in self.axes.items():
            if name not in at and len(values) > 1:
                raise CaseError(f"{self.path}: '{name}' is missing: {_range(name, values)}")
            try:
                out[name] = np.asarray(at.get(name, values[0]), dtype=np.float64)
            except (TypeError, ValueError) as error:
                raise CaseError(f"{self.path}: {name}: must be numbers: {error}") from error
        try:
            np.broadcast_shapes(*(values.shape for values in out.values()))
        except ValueError as error:
            shapes = ", ".join(f"{name} {v.shape}" for name, v in out.items() if v.ndim)
            raise CaseError(f"{self.path}: the arrays do not broadcast: {shapes}") from error
        return out

    def _refuse(self, places: Mapping[str, Array], beyond: Mapping[str, NDArray[np.bool_]]) -> None:
        problems = []
        for name, mask in beyond.items():
            if mask.any():
                first = float(places[name][mask].reshape(-1)[0])
                unit = AXES[name].reading_unit
                count = int(mask.sum())
                more = f" (and {count - 1} more values)" if count > 1 else ""
                problems.append(
                    f"{self.path}: {name} = {first:g} {unit}".rstrip()
                    + f"{more}: outside the table, {_range(name, self.axes[name])}"
                )
        if problems:
            raise CaseError(problems)


def _any(masks: Mapping[str, NDArray[np.bool_]]) -> NDArray[np.bool_]:
    out = np.zeros((), dtype=bool)
    for mask in masks.values():
        out = out | mask
    return out


def _range(name: str, values: Array) -> str:
    unit = AXES[name].reading_unit
    if len(values) == 1:
        return f"which holds {values[0]:g} {unit}".strip() + " only"
    return f"{values[0]:g} to {values[-1]:g} {unit}".strip()


def open_table(path: str | os.PathLike[str]) -> LookupTable:
    """The lookup table in a file written by a lookup-table study.

    The file may come from anyone: a process of its own (``table_file``) checks that it is exactly
    such a table, with limits on time and memory, and nothing outside it is followed.
    Raises CaseError when there is no such file or it is no such table.
    """
    path = published(os.fsdecode(path))
    name = one_line(os.fsdecode(path))
    try:
        kind = os.stat(path).st_mode
        size = os.path.getsize(path)
    except (OSError, ValueError) as error:
        missing = isinstance(error, FileNotFoundError | ValueError)
        raise CaseError(f"{name}: {'no such file' if missing else error.strerror}") from error
    if stat.S_ISDIR(kind):
        raise CaseError(f"{name}: is a folder; name the table.h5 in it")
    if not stat.S_ISREG(kind):
        raise CaseError(f"{name}: is no regular file")
    if size > _MOST_BYTES:
        raise CaseError(f"{name}: larger than {_MOST_BYTES // 1_000_000} MB; is no lookup table")
    if not _has_signature(name, path):
        raise CaseError(f"{name}: cannot be read as a table: it is no HDF5 file")
    return _table(name, _contents(name, path, size))


def _has_signature(name: str, path: str | os.PathLike[str]) -> bool:
    try:
        with open(path, "rb") as file:
            return file.read(len(_SIGNATURE)) == _SIGNATURE
    except OSError as error:
        raise CaseError(f"{name}: cannot be read as a table: {error.strerror}") from error


def _request(path: str | os.PathLike[str], size: int) -> dict[str, Any]:
    """What the reading process is asked for."""
    return {
        "path": os.fsdecode(path), "format": TABLE_FORMAT, "axes": list(AXES),
        "variables": LIMITS, "most_states": MOST_STATES,
        "cpu_s": _LEAST_CPU_S + size // _BYTES_A_SECOND, "memory_bytes": _MEMORY_BYTES,
    }  # fmt: skip


def _contents(name: str, path: str | os.PathLike[str], size: int) -> bytes:
    """What the reading process hands over; CaseError for anything but success."""
    request = _request(path, size)
    try:
        done = subprocess.run(
            [sys.executable, "-P", table_file.__file__, json.dumps(request)],
            stdin=subprocess.DEVNULL, capture_output=True,
            timeout=_CLOCK_FACTOR * request["cpu_s"], env=os.environ | _CHILD_ENVIRONMENT,
        )  # fmt: skip
    except subprocess.TimeoutExpired as error:
        raise CaseError(f"{name}: cannot be read as a table: reading takes too long") from error
    except OSError as error:
        raise CaseError(f"{name}: the process that reads it does not start: {error}") from error
    if done.returncode == table_file.NOT_A_TABLE:
        reason = shorten(one_line(done.stderr.decode("utf-8", "replace").strip()), 200)
        raise CaseError(f"{name}: is no lookup table of this program: {reason}")
    if done.returncode != 0:
        raise CaseError(f"{name}: cannot be read as a table: the file is damaged")
    return done.stdout


def _table(name: str, data: bytes) -> LookupTable:
    head, _, rest = data.partition(b"\n")
    header = json.loads(head)
    numbers = np.frombuffer(rest, dtype="<f8").astype(np.float64)
    shape = tuple(header["shape"])
    ends = np.cumsum([*shape, *[math.prod(shape)] * len(header["variables"])])
    parts = np.split(numbers, ends[:-1])
    axes = dict(zip(header["axes"], parts, strict=False))
    variables = {
        variable: part.reshape(shape)
        for variable, part in zip(header["variables"], parts[len(axes) :], strict=True)
    }
    return LookupTable(name, axes, variables, header["attributes"])
