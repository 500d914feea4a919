"""Guesses at what the user meant: nearest names, and keys that differ only in their unit."""

from __future__ import annotations

from collections.abc import Iterable

from wakesim.errors import closest as closest

# Suffix of a key: unit as shown. Longest first, so that `_m2_s` is not read as `_s`.
UNITS: dict[str, str] = {
    "_kg_m2": "kg m²",
    "_m2_s": "m²/s",
    "_veh_h": "veh/h",
    "_veh": "veh",
    "_m_s": "m/s",
    "_kmh": "km/h",
    "_mph": "mph",
    "_deg": "deg",
    "_pa": "Pa",
    "_hz": "Hz",
    "_kwh": "kWh",
    "_rpm": "rev/min",
    "_w": "W",
    "_m2": "m²",
    "_m": "m",
    "_s": "s",
    "_h": "h",
    "_c": "°C",
}

# Suffixes people write, and the one that is accepted for the same unit or quantity.
_OTHER_SUFFIXES: dict[str, str] = {
    "_km_h": "_kmh",
    "_kmph": "_kmh",
    "_kph": "_kmh",
    "_mps": "_m_s",
    "_ms": "_m_s",
    "_mi_h": "_mph",
    "_miles_h": "_mph",
    "_metres": "_m",
    "_meters": "_m",
    "_metre": "_m",
    "_meter": "_m",
    "_mm": "_m",
    "_cm": "_m",
    "_ft": "_m",
    "_in": "_m",
    "_km": "_m",
    "_degrees": "_deg",
    "_rad": "_deg",
    "_hpa": "_pa",
    "_kpa": "_pa",
    "_mbar": "_pa",
    "_bar": "_pa",
    "_celsius": "_c",
    "_degc": "_c",
    "_deg_c": "_c",
    "_k": "_c",
    "_f": "_c",
    "_sec": "_s",
    "_seconds": "_s",
    "_min": "_s",
    "_minutes": "_s",
    "_hours": "_h",
    "_hrs": "_h",
    "_veh_hour": "_veh_h",
    "_vph": "_veh_h",
    "_sqm": "_m2",
    "_kw": "_w",
    "_watt": "_w",
    "_watts": "_w",
    "_wh": "_kwh",
    "_kgm2": "_kg_m2",
}


def split_unit(key: str) -> tuple[str, str]:
    """A key as (stem, accepted unit suffix); the suffix is empty when the key has none."""
    for suffix in UNITS:
        if key.endswith(suffix) and len(key) > len(suffix):
            return key.removesuffix(suffix), suffix
    return key, ""


def unit_of(key: str) -> str:
    """The unit a key carries, as shown to the user; empty for a pure number."""
    return UNITS.get(split_unit(key)[1], "")


def _spelled(key: str) -> tuple[str, str]:
    """(stem, accepted suffix) of a key that may carry an unusual unit suffix."""
    low = key.casefold().replace("-", "_").replace(" ", "_")
    for suffix in sorted(_OTHER_SUFFIXES, key=len, reverse=True):
        if low.endswith(suffix) and len(low) > len(suffix):
            return low.removesuffix(suffix), _OTHER_SUFFIXES[suffix]
    return split_unit(low)


def suggest_key(word: str, known: Iterable[str]) -> list[str]:
    """Keys the user may have meant, best guess first; several when only the unit is missing."""
    names = list(known)
    stem, suffix = _spelled(word)
    if stem + suffix in names:
        return [stem + suffix]
    same_stem = [name for name in names if split_unit(name)[0] == stem]
    if same_stem:
        return same_stem
    near = closest(word, names)
    if near:
        return [near]
    stems = {split_unit(name)[0]: name for name in names}
    near_stem = closest(stem, stems, cutoff=0.75)
    return [stems[near_stem]] if near_stem else []
