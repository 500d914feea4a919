"""The contents of a table.h5 from anywhere, read in a process of its own: ``table_reader`` runs it.

A damaged or hostile HDF5 file can make the HDF5 library loop, crash or take all memory, and can
point to other files. So this program, which knows nothing of wakesim, checks in limited time and
memory that the file is exactly a table, follows nothing out of it, and hands its numbers over:

    python table_file.py REQUEST > OUT

REQUEST is JSON: path, format, axes (names a table may have), variables (name: lowest and highest
value), most_states, cpu_s, memory_bytes. OUT is a line of JSON (attributes, axes, variables, shape)
and then the values of axes and variables as little-endian doubles. Exit status 2 and a line on
stderr for a file that is no table; any other failure is a damaged file.
"""

from __future__ import annotations

import contextlib
import json
import os
import sys
from typing import BinaryIO

import h5py
import numpy as np

NOT_A_TABLE = 2
_DAMAGED = 3
_DOUBLE = np.dtype("<f8")
_DEFLATE, _SHUFFLE, _CHECKSUM = 1, 2, 3  # numbers of HDF5 filters
_LAYOUTS = (h5py.h5d.COMPACT, h5py.h5d.CONTIGUOUS, h5py.h5d.CHUNKED)
_MOST_ATTRIBUTES = 200
_LARGEST_AXIS_VALUE = 1e5
_LARGEST_AREA_M2 = 1e4


class NoTable(Exception):
    """Why the file is no table, in plain words."""


def main(request: dict) -> None:
    """Check the file in limited time and memory and write its numbers to stdout."""
    _limit_cpu_and_memory(request["cpu_s"], request["memory_bytes"])
    hand_over(request, sys.stdout.buffer)


def hand_over(request: dict, out: BinaryIO) -> None:
    """Check the file and write its numbers to ``out``; NoTable says what is wrong with it."""
    with h5py.File(os.fsencode(request["path"]), "r") as file:
        attributes = _attributes(file, request["format"])
        members = _members(file, {*request["axes"], *request["variables"]})
        if "effective_speed" not in members:
            raise NoTable("it holds no effective_speed")
        shape = members["effective_speed"].shape
        axes = _axis_names(members["effective_speed"], request["axes"])
        variables = [name for name in request["variables"] if name in members]
        if set(axes) | set(variables) != set(members):
            raise NoTable("its axes are not those of its values")
        _check_data(members, request["most_states"])
        if "power_coefficient" in members:
            _check_area(attributes)
        for name in variables:
            if members[name].shape != shape or _axis_names(members[name], axes) != axes:
                raise NoTable(f"{name} does not lie over the axes of effective_speed")
        head = {"attributes": attributes, "axes": axes, "variables": variables, "shape": shape}
        out.write(json.dumps(head).encode() + b"\n")
        for name, size in zip(axes, shape, strict=True):
            out.write(_axis_values(name, members[name], size).tobytes())
        for name in variables:
            out.write(_values(name, members[name], *request["variables"][name]).tobytes())
        out.flush()


def _limit_cpu_and_memory(cpu_s: int, memory_bytes: int) -> None:
    """As far as the system knows such limits; the caller's clock holds everywhere."""
    try:
        import resource
    except ImportError:
        return
    now = 0
    if os.path.exists("/proc/self/statm"):
        with open("/proc/self/statm", encoding="ascii") as file:
            now = int(file.read().split()[0]) * resource.getpagesize()
    for kind, value in (
        (resource.RLIMIT_CORE, 0),
        (resource.RLIMIT_CPU, cpu_s),
        (resource.RLIMIT_AS, now + memory_bytes),
    ):
        _, hard = resource.getrlimit(kind)
        unlimited = hard == resource.RLIM_INFINITY
        with contextlib.suppress(OSError, ValueError):  # a limit by name only
            resource.setrlimit(kind, (value if unlimited else min(value, hard), hard))


def _attributes(file: h5py.File, wanted: str) -> dict:
    """Numbers and texts of the whole table."""
    if len(file.attrs) > _MOST_ATTRIBUTES or file.attrs.get("format") != wanted:
        raise NoTable(f'its attribute "format" is not "{wanted}"')
    attributes = {name: _plain(value) for name, value in file.attrs.items()}
    for name, value in attributes.items():
        if name.startswith("interpolation_error_") and isinstance(value, str):
            raise NoTable("its interpolation error is no number")
    density = attributes.get("air_density_kg_m3", "")
    if isinstance(density, str) or not 0.1 < density < 10.0:
        raise NoTable("its attribute air_density_kg_m3 is no density of air")
    return attributes


def _check_area(attributes: dict) -> None:
    area = attributes.get("rotor_area_m2", "")
    if isinstance(area, str) or not 0.0 < area < _LARGEST_AREA_M2:
        raise NoTable("its attribute rotor_area_m2 is no swept area")


def _plain(value: object) -> str | int | float:
    if isinstance(value, np.ndarray) and value.size == 1:  # other writers know no scalars
        value = value.reshape(-1)[0]
    if isinstance(value, bytes):
        value = value.decode("utf-8")
    if isinstance(value, str):
        return value
    if isinstance(value, np.integer | np.floating):
        return value.item()
    raise NoTable("it has an attribute that is neither text nor number")


def _members(file: h5py.File, known: set[str]) -> dict[str, h5py.Dataset]:
    """Everything in the file: data sets of known names, inside this file."""
    if len(file) > len(known):
        raise NoTable("it holds more than a table does")
    out = {}
    for name in file:
        if name not in known:
            raise NoTable("it holds something that no table has")
        if type(file.get(name, getlink=True)) is not h5py.HardLink:
            raise NoTable(f"{name} is a link")
        if file.get(name, getclass=True) is not h5py.Dataset:
            raise NoTable(f"{name} is no array")
        out[name] = file[name]
    return out


def _axis_names(data: h5py.Dataset, known: list[str]) -> list[str]:
    """Names of the axes of an array, one a dimension, each once."""
    names = []
    for dimension in data.dims:
        if len(dimension) != 1:
            raise NoTable("a dimension has no axis, or several")
        name = (dimension[0].name or "").removeprefix("/")
        if name not in known or name in names:
            raise NoTable("a dimension has no axis of a table")
        names.append(name)
    return names


def _check_data(members: dict[str, h5py.Dataset], most: int) -> None:
    """Plain arrays of doubles, stored in this file, of a size a table can have."""
    for name, data in members.items():
        if data.dtype != _DOUBLE:
            raise NoTable(f"{name} does not hold numbers of double precision")
        shape = data.shape
        if not shape or min(shape) < 1 or data.maxshape != shape or data.size > most:
            raise NoTable(f"{name} has a size that no table has")
        stored = data.id.get_create_plist()
        if stored.get_layout() not in _LAYOUTS or stored.get_external_count():
            raise NoTable(f"{name} is stored outside the file")
        filters = {stored.get_filter(i)[0] for i in range(stored.get_nfilters())}
        if not filters <= {_DEFLATE, _SHUFFLE, _CHECKSUM}:
            raise NoTable(f"{name} is packed in a way that no table is")
        if data.chunks and any(c > n for c, n in zip(data.chunks, shape, strict=True)):
            raise NoTable(f"{name} is stored in pieces larger than itself")


def _axis_values(name: str, data: h5py.Dataset, size: int) -> np.ndarray:
    if data.shape != (size,):
        raise NoTable(f"the axis {name} does not have a value for each state")
    values = np.asarray(data[:], dtype=_DOUBLE)
    if not (np.isfinite(values).all() and np.abs(values).max() <= _LARGEST_AXIS_VALUE):
        raise NoTable(f"the axis {name} holds values that no axis has")
    if not np.all(np.diff(values) > 0.0):
        raise NoTable(f"the values of the axis {name} do not rise")
    return values


def _values(name: str, data: h5py.Dataset, low: float, high: float) -> np.ndarray:
    """NaN stands where a state could not be computed."""
    values = np.asarray(data[...], dtype=_DOUBLE)
    if not np.all(np.isnan(values) | ((values >= low) & (values <= high))):
        raise NoTable(f"{name} holds values outside {low:g} to {high:g}")
    return values


if __name__ == "__main__":
    try:
        main(json.loads(sys.argv[1]))
    except NoTable as problem:
        print(problem, file=sys.stderr)
        sys.exit(NOT_A_TABLE)
    except Exception:  # whatever the library makes of damaged bytes
        os._exit(_DAMAGED)
