"""Data sets from rows of ``wakesim.quantities``, and as HDF5 files that netCDF-4 programs open.

The rules of such files: every axis of every variable is a dimension scale, one without values
carries the marker of netCDF; links are kept in order; text is UTF-8 of variable length; no complex
and no HDF5 bool; every variable has ``units`` and ``long_name``. A file is built in memory and
written in one go: the HDF5 library can crash the program when a write fails half-way, a plain write
raises OSError. Equal data sets give equal bytes.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.quantities import AXES, COORDINATES, GROUPS, STATES, Quantity

if TYPE_CHECKING:
    import xarray

TABLE_FORMAT = "wakesim lookup table 1"  # what the attribute "format" of a lookup table says
_CHUNK = 65536
_COMPRESS_FROM = 1024


class Collected:
    """Coordinates and variables on their way into a data set."""

    def __init__(self, attributes: Mapping[str, Any]) -> None:
        self._attributes = attributes
        self._labels: dict[str, Sequence[Any]] = {}  # of each dimension
        self._variables: dict[str, tuple[Any, ...]] = {}
        self._beside: list[str] = []  # coordinates that are no dimension

    def dimension(self, name: str, size: int) -> None:
        """A dimension without values of its own."""
        self._labels[name] = range(size)

    def coordinate(
        self, name: str, values: Sequence[Any], quantity: Quantity | None = None
    ) -> None:
        """A dimension with values (n,); ``quantity`` when it is not in COORDINATES."""
        self._labels[name] = list(values)
        self._put(name, (name,), np.asarray(values), quantity or COORDINATES[name])

    def group(
        self,
        name: str,
        items: Iterable[Any],
        shared: Any = None,
        single: bool = False,
        **attributes: Mapping[str, Any],
    ) -> None:
        """All variables of a group.

        ``items`` holds the record of each mount, or a mapping of records by the labels of the
        dimensions that follow ``mount``; None where a mount has none. Variables that do not depend
        on the mount are read from ``shared``. ``single``: floats in single precision;
        ``attributes``: further attributes of a variable.
        """
        items = list(items)
        for q in GROUPS[name].rows:
            if not q.name:
                continue
            if q.dims[:1] == ("mount",):
                values = np.array([self._block(q.of, item, q.dims[1:]) for item in items])
            else:
                values = np.asarray(self._block(q.of, shared, q.dims))
            if single and values.dtype.kind == "f":
                values = values.astype(np.float32)
            self._put(q.name, q.dims, values, q, attributes.get(q.name, {}))

    def beside(self, *names: str) -> None:
        """Make variables coordinates that are no dimension of their own."""
        self._beside += names

    def variable(
        self, q: Quantity, dims: Sequence[str], values: Any, name: str = "", **attributes: Any
    ) -> None:
        """A variable over dimensions made before."""
        self._put(name or q.name, tuple(dims), np.asarray(values), q, attributes)

    def dataset(self) -> xarray.Dataset:
        """What was collected."""
        import xarray

        made = xarray.Dataset(self._variables, attrs=dict(self._attributes))
        return made.set_coords(self._beside)

    def _put(
        self,
        name: str,
        dims: tuple[str, ...],
        values: np.ndarray,
        q: Quantity,
        extra: Mapping[str, Any] | None = None,
    ) -> None:
        values = _stored(values)
        fixed = {"standard_name": q.standard, "cell_methods": q.method}
        attributes = {"units": q.units, "long_name": q.meaning}
        attributes |= {key: text for key, text in fixed.items() if text} | dict(extra or {})
        self._variables[name] = (dims, values, attributes)

    def _block(self, get: Callable[[Any], Any], item: Any, dims: tuple[str, ...]) -> Any:
        """Values over ``dims``, NaN where there is none; mappings go by the labels."""
        if isinstance(item, Mapping):
            labels = self._labels[dims[0]]
            return np.array([self._block(get, item.get(label), dims[1:]) for label in labels])
        value = None if item is None else get(item)
        if isinstance(value, Mapping):
            return self._block(lambda leaf: leaf, value, dims)
        shape = tuple(len(self._labels[d]) for d in dims)
        if not shape:
            return math.nan if value is None else value
        if value is not None and np.shape(value) == shape:
            return np.asarray(value)
        block = np.full(shape, np.nan)
        if value is not None:
            block[tuple(slice(size) for size in np.shape(value))] = value
        return block


def _stored(values: np.ndarray) -> np.ndarray:
    """As netCDF holds it: text as objects, whole numbers and flags small."""
    if values.dtype.kind in "US":
        return values.astype(object)
    if values.dtype.kind == "b":
        return values.astype(np.int8)
    if values.dtype == np.int64:
        return values.astype(np.int32)
    return values


def states(
    axes: Mapping[str, Sequence[float]], variables: Mapping[str, Any], attributes: Mapping[str, Any]
) -> xarray.Dataset:
    """The data set of a lookup table: ``variables`` over ``axes`` in their order."""
    data = Collected(attributes)
    for name, values in axes.items():
        data.coordinate(name, np.array(values, float), AXES[name])
    for name, values in variables.items():
        data.variable(STATES[name], list(axes), values)
    return data.dataset()


def write(data: xarray.Dataset, path: Path) -> None:
    """Write ``data``; raises OSError when the file cannot be written."""
    encoding = {str(name): _encoding(values) for name, values in data.variables.items()}
    image = data.to_netcdf(engine="h5netcdf", encoding=encoding)
    path.write_bytes(image)


def _encoding(values: xarray.Variable) -> dict[str, Any]:
    """Long numbers packed, in chunks; a fill value only where something is missing."""
    encoding: dict[str, Any] = {}
    if values.dtype.kind not in "iuf":
        return encoding
    if values.dtype.kind == "f":
        missing = bool(np.isnan(values.values).any())
        encoding["_FillValue"] = values.dtype.type(np.nan) if missing else None
    if values.size >= _COMPRESS_FROM:
        encoding |= {
            "zlib": True,
            "complevel": 4,
            "shuffle": True,
            "chunksizes": _chunk(values.shape),
        }
    return encoding


def _chunk(shape: tuple[int, ...]) -> tuple[int, ...]:
    """Whole last axes as far as they fit into one chunk, the axes before them in slices of one."""
    chunk, room = [], _CHUNK
    for size in reversed(shape):
        chunk.append(max(1, min(size, room)))
        room //= chunk[-1]
    return tuple(reversed(chunk))
