"""Commented cases to start from: the example case of each kind."""

from __future__ import annotations

from wakesim.runtime import cases_path

# kind: (example case, what it shows)
KINDS: dict[str, tuple[str, str]] = {
    "single-pass": ("single-pass.toml", "one vehicle at a time past a roadside post"),
    "post": ("expressway-post.toml", "a day of traffic past a roadside post"),
    "overhead": ("overhead-bridge.toml", "a rotor above a lane, under a bridge"),
    "reservation": ("central-reservation.toml", "a rotor between two carriageways"),
    "wall": ("wall-face.toml", "a rotor in front of a wall, light wind along the road"),
    "energy": ("energy-yield.toml", "a year's energy of a rotor, with bounds and a claim check"),
    "year": ("year.toml", "a year of measured counts and winds, hour by hour"),
    "map": ("mounting-map.toml", "the best place over height and offset"),
    "table": ("lookup-table.toml", "a table of many states to interpolate in"),
    "pass-table": ("single-pass-table.toml", "single passes over class, speed and clearance"),
}
# What a case reads beside it, by names relative to it.
RECORDS: dict[str, tuple[str, ...]] = {"year": ("year/counts.csv", "year/winds.csv")}
_HEAD = "# What each key means, its unit, range and default, and all other keys: wakesim keys"


def starter_text(kind: str) -> str:
    """The text of the starter case; ``kind`` is one of KINDS (KeyError otherwise)."""
    return f"{_HEAD}\n{cases_path(KINDS[kind][0]).read_text(encoding='utf-8')}"


def starter_files(kind: str) -> dict[str, bytes]:
    """What the starter case reads, by names relative to the case (KeyError for another kind)."""
    name = KINDS[kind][0]
    return {
        file: cases_path(name).parent.joinpath(file).read_bytes() for file in RECORDS.get(kind, ())
    }
