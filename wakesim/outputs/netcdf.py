"""Data sets from rows of ``wakesim.quantities``, and as HDF5 files that netCDF-4 programs open.

The rules of such files: every axis of every variable is a dimension scale, one without values
carries the marker of netCDF; links are kept in order; text is UTF-8 of variable length; no complex
and no HDF5 bool; every variable has ``units`` and ``long_name``, every float that is no coordinate
a ``_FillValue``. CF-1.11 is followed but for names of mounts, lanes and classes: a string variable
with the name of its dimension, so that xarray selects by it. A file is built in memory and written
in one go: the HDF5 library can crash the program when a write fails half-way, a plain write raises
OSError. Equal data sets give equal bytes.
"""

from __future__ import annotations

import io
import math
import zlib
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from itertools import product
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from wakesim.quantities import AXES, COORDINATES, GROUPS, STATES, Quantity

if TYPE_CHECKING:
    import h5py
    import xarray

TABLE_FORMAT = "wakesim lookup table 1"  # what the attribute "format" of a lookup table says
_CHUNK = 65536
_COMPRESS_FROM = 1024
_DEFLATE = 1  # more takes longer and packs what looks like noise hardly better
_NO_VARIABLE = "This is a netCDF dimension but not a netCDF variable."


@dataclass(frozen=True)
class Variable:
    """A variable whose values are made when they are asked for, so that not all are held at once.

    ``attributes`` without those that the form of a file adds.
    """

    dims: tuple[str, ...]
    make: Callable[[], Any]
    attributes: Mapping[str, Any]

    def values(self) -> np.ndarray:
        """Values over ``dims`` as netCDF holds them."""
        return _stored(np.asarray(self.make()))


class Collected:
    """Coordinates and variables, by name, on their way into a data set or file."""

    def __init__(self, attributes: Mapping[str, Any]) -> None:
        self.attributes = attributes
        self.variables: dict[str, Variable] = {}
        self._labels: dict[str, Sequence[Any] | np.ndarray] = {}  # of each dimension
        self._beside: list[str] = []  # coordinates that are no dimension

    @property
    def sizes(self) -> dict[str, int]:
        """The size of every dimension, in the order in which they were made."""
        return {name: len(labels) for name, labels in self._labels.items()}

    def dimension(self, name: str, size: int) -> None:
        """A dimension without values of its own."""
        self._labels[name] = range(size)

    def coordinate(
        self, name: str, values: Sequence[Any] | np.ndarray, quantity: Quantity | None = None
    ) -> None:
        """A dimension with values (n,); ``quantity`` when it is not in COORDINATES."""
        self._labels[name] = values
        self._put(name, (name,), lambda: values, quantity or COORDINATES[name])

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
                make: Callable[[], Any] = partial(self._of_mounts, q, items)
            else:
                make = partial(self._block, q.of, shared, q.dims)
            make = partial(_single, make) if single else make
            self._put(q.name, q.dims, make, q, attributes.get(q.name, {}))

    def beside(self, *names: str) -> None:
        """Make variables coordinates that are no dimension of their own."""
        self._beside += names

    def coordinates(self, name: str) -> str:
        """Names of the coordinates beside its dimensions that a variable lies over."""
        dims = set(self.variables[name].dims)
        beside = sorted(key for key in self._beside if set(self.variables[key].dims) <= dims)
        return "" if name in self._beside else " ".join(beside)

    def variable(
        self, q: Quantity, dims: Sequence[str], values: Any, name: str = "", **attributes: Any
    ) -> None:
        """A variable over dimensions made before."""
        self._put(name or q.name, tuple(dims), lambda: values, q, attributes)

    def linked(self, variable: Variable) -> dict[str, Any]:
        """The attributes of a variable; ``ancillary_variables`` names those that there are."""
        attributes = dict(variable.attributes)
        names = attributes.pop("ancillary_variables", "").split()
        if known := [name for name in names if name in self.variables]:
            attributes["ancillary_variables"] = " ".join(known)
        return attributes

    def dataset(self) -> xarray.Dataset:
        """What was collected."""
        import xarray

        variables = {
            name: (v.dims, v.values(), self.linked(v)) for name, v in self.variables.items()
        }
        made = xarray.Dataset(variables, attrs=dict(self.attributes))
        return made.set_coords(self._beside)

    def _put(
        self,
        name: str,
        dims: tuple[str, ...],
        make: Callable[[], Any],
        q: Quantity,
        extra: Mapping[str, Any] | None = None,
    ) -> None:
        prefix = name.removesuffix(q.name) if q.name else ""
        fixed = {
            "standard_name": q.standard,
            "positive": "up" if q.standard == "height" else "",
            "cell_methods": q.method,
            "comment": q.comment,
            "ancillary_variables": " ".join(prefix + other for other in q.ancillary.split()),
        }
        attributes = {"units": q.units, "long_name": q.meaning}
        attributes |= {key: text for key, text in fixed.items() if text} | dict(extra or {})
        self.variables[name] = Variable(dims, make, attributes)

    def _of_mounts(self, q: Quantity, items: Sequence[Any]) -> np.ndarray:
        """Values of every mount; a single mount's are not copied."""
        blocks = [self._block(q.of, item, q.dims[1:]) for item in items]
        return np.asarray(blocks[0])[None] if len(blocks) == 1 else np.array(blocks)

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


def _single(make: Callable[[], Any]) -> np.ndarray:
    """Floats in single precision."""
    values = np.asarray(make())
    return values.astype(np.float32) if values.dtype.kind == "f" else values


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
) -> Collected:
    """What a lookup table holds: ``variables`` over ``axes`` in their order."""
    data = Collected(attributes)
    for name, values in axes.items():
        data.coordinate(name, np.array(values, float), AXES[name])
    for name, values in variables.items():
        data.variable(STATES[name], list(axes), values)
    return data


def write(data: Collected, path: Path) -> None:
    """Write what was collected; raises OSError when the file cannot be written."""
    import h5py

    image = io.BytesIO()
    with h5py.File(image, "w", track_order=True) as file:
        _attach(file, {"_NCProperties": np.bytes_(f"version=2,h5py={h5py.__version__}")})
        _attach(file, data.attributes)
        scales = {name: _scale(file, data, name, k) for k, name in enumerate(data.sizes)}
        numbers = {name: k for k, name in enumerate(scales)}
        for name, variable in data.variables.items():
            made = scales[name] if name in scales else _variable(file, data, name)
            if variable.dims:
                places = np.array([numbers[dim] for dim in variable.dims], np.int32)
                _attach(made, {"_Netcdf4Coordinates": places, "_Netcdf4Dimid": places[0]})
            if name not in scales:
                if beside := data.coordinates(name):
                    made.attrs["coordinates"] = beside
                for axis, dim in enumerate(variable.dims):
                    made.dims[axis].attach_scale(scales[dim])
    path.write_bytes(image.getbuffer())


def _scale(file: h5py.File, data: Collected, name: str, number: int) -> h5py.Dataset:
    """The dimension scale of a dimension, with its values where it has any."""
    if name in data.variables:
        made = _variable(file, data, name)
        made.make_scale(name)
    else:
        made = file.create_dataset(name, (data.sizes[name],), ">f4", track_order=True)
        made.make_scale(f"{_NO_VARIABLE}{data.sizes[name]:10}")
        made.attrs["_Netcdf4Dimid"] = np.int32(number)
    return made


def _variable(file: h5py.File, data: Collected, name: str) -> h5py.Dataset:
    """A variable: long numbers packed, in chunks; a fill value where something may be missing."""
    import h5py

    values = data.variables[name].values()
    how: dict[str, Any] = {"track_order": True}
    if values.dtype.kind == "O":
        how["dtype"] = h5py.string_dtype()
    elif values.dtype.kind == "f" and name not in data.sizes:
        how["fillvalue"] = values.dtype.type(np.nan)
    if values.dtype.kind in "iuf" and values.size >= _COMPRESS_FROM:
        how |= {"compression": _DEFLATE, "shuffle": True, "chunks": _chunk(values.shape)}
    if "chunks" in how and values.dtype == np.float32:
        made = file.create_dataset(name, values.shape, values.dtype, **how)
        for place, packed in _packed(values, how["chunks"]):
            made.id.write_direct_chunk(place, packed)
    else:
        made = file.create_dataset(name, data=values, **how)
    if "fillvalue" in how:
        _attach(made, {"_FillValue": how["fillvalue"]})
    _attach(made, data.linked(data.variables[name]))
    return made


def _packed(values: np.ndarray, chunk: tuple[int, ...]) -> Iterator[tuple[tuple[int, ...], bytes]]:
    """Where each chunk of a long series begins, and its bytes, shuffled and deflated.

    What looks like noise has runs of equal bytes, in the exponents, but hardly anything else to
    find; looking for runs alone takes half the time of HDF5's own filter and packs no worse.
    """
    for place in product(*(range(0, n, c) for n, c in zip(values.shape, chunk, strict=True))):
        part = values[tuple(slice(a, a + c) for a, c in zip(place, chunk, strict=True))]
        whole = np.zeros(chunk, values.dtype)  # HDF5 stores chunks at the edge in full
        whole[tuple(map(slice, part.shape))] = part
        shuffled = whole.reshape(-1, 1).view(np.uint8).T.tobytes()
        packer = zlib.compressobj(_DEFLATE, strategy=zlib.Z_RLE)
        yield place, packer.compress(shuffled) + packer.flush()


def _attach(holder: h5py.File | h5py.Dataset, attributes: Mapping[str, Any]) -> None:
    """Attributes as netCDF has them: numbers as arrays of one, except its own."""
    for name, value in attributes.items():
        text = isinstance(value, str | bytes)
        own = name.startswith("_Netcdf4")
        holder.attrs[name] = value if text or own else np.atleast_1d(value)


def _chunk(shape: tuple[int, ...]) -> tuple[int, ...]:
    """Whole last axes as far as they fit into one chunk, the axes before them in slices of one."""
    chunk, room = [], _CHUNK
    for size in reversed(shape):
        chunk.append(max(1, min(size, room)))
        room //= chunk[-1]
    return tuple(reversed(chunk))
