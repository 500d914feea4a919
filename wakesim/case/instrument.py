"""[instrument]: the anemometer that a record comes from, and where it hangs."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any, Literal

from pydantic import Field

from wakesim.case.messages import Problem
from wakesim.case.tables import Table, given

Kind = Literal["sonic", "cup", "vane_cup", "hot_wire", "other"]
_TURNING = ("cup", "vane_cup")


class Instrument(Table):
    """What an anemometer and its logger do to the air's velocity.

    ``averaging_s``: each logged value is the mean over so long.
    ``time_marks``: which moment of that its time stamp is.
    ``response_time_s``: first-order answer in time.
    ``distance_constant_m``: first-order answer in the length of air that passed, in place of it.
    ``vane_distance_constant_m``: for the vane; by default the same.
    ``path_length_m``: of a sonic anemometer.
    ``starting_speed_m_s``: below it cups stand.
    ``resolution_m_s``: step of the logged values.
    ``noise_m_s``: standard deviation of the noise on each logged value.
    ``height_m``: where the instrument hangs; by default as the mount.
    ``offset_m``: where the instrument hangs; by default as the mount.
    """

    kind: Kind = Field(description='"sonic", "cup", "vane_cup", "hot_wire" or "other"')
    averaging_s: float = Field(default=0.0, ge=0, le=3600)
    time_marks: Literal["start", "middle", "end"] = "end"
    response_time_s: float | None = Field(default=None, ge=0, le=60)
    distance_constant_m: float | None = Field(default=None, gt=0, le=50)
    vane_distance_constant_m: float | None = Field(default=None, gt=0, le=50)
    path_length_m: float = Field(default=0.0, ge=0, le=2)
    starting_speed_m_s: float = Field(default=0.0, ge=0, le=5)
    resolution_m_s: float = Field(default=0.0, ge=0, le=1)
    noise_m_s: float = Field(default=0.0, ge=0, le=1)
    height_m: float | None = Field(default=None, gt=0, le=50)
    offset_m: float | None = Field(default=None, ge=-200, le=200)

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """Keys of other kinds of instrument, and what turning ones need."""
        kind = raw.get("kind")
        inertia = given(raw, "response_time_s", "distance_constant_m")
        if len(inertia) == 2:
            text = "give response_time_s or distance_constant_m, not both"
            yield Problem(("distance_constant_m",), text, raw["distance_constant_m"])
        if kind in _TURNING and not inertia:
            text = (
                "'distance_constant_m' is missing (in m; a cup's data sheet states it, 2 to 5 m "
                "are usual): without it the cups would count as infinitely quick"
            )
            yield Problem((), text, missing=(("distance_constant_m",), ("response_time_s",)))
        for key, kinds in (
            ("path_length_m", ("sonic",)),
            ("starting_speed_m_s", _TURNING),
            ("vane_distance_constant_m", ("vane_cup",)),
        ):
            if kind is not None and kind not in kinds and key in raw:
                only = " or ".join(f'"{name}"' for name in kinds)
                yield Problem((key,), f"only for kind = {only}", raw[key])
