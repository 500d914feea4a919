"""An HDF5 file that netCDF-4 programs open as it is.

The rules kept here: every axis of every dataset is a dimension scale; link order is tracked; no
HDF5 bool, no complex; text is variable-length UTF-8; a dimension without values of its own carries
the netCDF marker name; every variable has ``units`` and ``long_name``.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from types import TracebackType
from typing import Any

import h5py
import numpy as np

_NO_VARIABLE = "This is a netCDF dimension but not a netCDF variable.{:10d}"
_CHUNK = 65536
_COMPRESS_FROM = 1024


class NetcdfWriter:
    """Collects dimensions and variables and writes them as a new file at the end of ``with``.

    The file is built in memory and written in one go: the HDF5 library can crash the program when
    a write fails half-way, a plain write raises OSError.
    """

    def __init__(self, path: Path) -> None:
        self._path = path
        self._file = h5py.File(
            path.name, "w", driver="core", backing_store=False, track_order=True, block_size=2**22
        )
        self._dimids: dict[str, int] = {}

    def __enter__(self) -> NetcdfWriter:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        with self._file as file:
            if kind is None:
                file.flush()
                self._path.write_bytes(file.id.get_file_image())

    def attributes(self, values: dict[str, Any]) -> None:
        """Global attributes: text, integers, floats or 1-d arrays of them."""
        for name, value in values.items():
            self._file.attrs[name] = value

    def dimension(self, name: str, size: int) -> None:
        """A dimension without values of its own."""
        data = self._file.create_dataset(name, shape=(size,), dtype=">f4")
        data.make_scale(_NO_VARIABLE.format(size))
        self._number(name, data)

    def coordinate(
        self, name: str, values: Any, *, units: str, long_name: str, **attributes: Any
    ) -> None:
        """A dimension with values, shape (n,): numbers or text."""
        data = self._create(name, values)
        data.make_scale(name)
        self._number(name, data)
        self._describe(data, units, long_name, attributes)

    def variable(
        self,
        name: str,
        dimensions: Sequence[str],
        values: Any,
        *,
        units: str,
        long_name: str,
        **attributes: Any,
    ) -> None:
        """A variable over dimensions made before; NaN marks missing values of floats."""
        data = self._create(name, values)
        for axis, dimension in enumerate(dimensions):
            data.dims[axis].attach_scale(self._file[dimension])
        self._describe(data, units, long_name, attributes)

    def _number(self, name: str, data: h5py.Dataset) -> None:
        self._dimids[name] = len(self._dimids)
        data.attrs["_Netcdf4Dimid"] = np.int32(self._dimids[name])

    def _create(self, name: str, values: Any) -> h5py.Dataset:
        array = np.asarray(values)
        if array.dtype.kind in "OU":
            text = np.array(array, dtype=object)
            return self._file.create_dataset(name, data=text, dtype=h5py.string_dtype("utf-8"))
        if array.dtype.kind == "b":
            data = self._file.create_dataset(name, data=array.astype(np.int8))
            data.attrs["dtype"] = "bool"
            return data
        options: dict[str, Any] = {}
        if array.size >= _COMPRESS_FROM:
            options = {"chunks": _chunk(array.shape), "compression": "gzip", "compression_opts": 4}
            options["shuffle"] = True
        if array.dtype.kind == "f":
            options["fillvalue"] = np.nan
        data = self._file.create_dataset(name, data=array, **options)
        if array.dtype.kind == "f" and np.isnan(array).any():
            data.attrs["_FillValue"] = np.array([np.nan], dtype=array.dtype)
        return data

    def _describe(
        self, data: h5py.Dataset, units: str, long_name: str, attributes: dict[str, Any]
    ) -> None:
        data.attrs["units"] = units
        data.attrs["long_name"] = long_name
        for name, value in attributes.items():
            data.attrs[name] = value


def _chunk(shape: tuple[int, ...]) -> tuple[int, ...]:
    """Whole last axes as far as they fit into one chunk, the axes before them in slices of one."""
    chunk, room = [], _CHUNK
    for size in reversed(shape):
        chunk.append(max(1, min(size, room)))
        room //= chunk[-1]
    return tuple(reversed(chunk))
