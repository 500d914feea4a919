"""[year]: measured or stated hours of a year, and what becomes of their energy."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import Field, Strict

from wakesim import constants
from wakesim.case.messages import Problem
from wakesim.case.tables import SHARE_TOLERANCE, Fraction, Line, Table, given
from wakesim.errors import CaseError
from wakesim.time_zones import zone


class WindSector(Table):
    """One sector of a wind rose; sectors are equally wide and given in order.

    ``from_deg``: its middle, where the wind comes from, clockwise from north.
    ``share``: of all hours.
    ``mean_speed_m_s``: of its hours, at the height of the winds.
    ``shape``: of its Weibull distribution; 2 is Rayleigh's.
    """

    from_deg: float = Field(ge=0, lt=360)
    share: Fraction
    mean_speed_m_s: float = Field(gt=0.05, le=25)
    shape: float = Field(default=2.0, ge=1, le=4)


class YearTable(Table):
    """[year]: counts and winds of every hour, as measured or as stated.

    Height and profile of the winds are those of [air.wind], or 10 m over open land without it.

    ``counts``: CSV file of hourly counts (time, carriageway, class, flow_veh_h), relative to the
      case file; without it the flows of the case, and day types of [energy], in the calendar of
      energy.year.
    ``winds``: CSV file of hourly winds (time, wind_speed_m_s, wind_from_deg); of the same year as
      the counts, or of several years from which hours are drawn.
    ``sectors``: a wind rose in place of the record. Hours are drawn from it.
    ``time_zone``: of the road's clock, and of times in the files without an offset.
    ``road_heading_deg``: compass direction of +x, which winds need.
    ``verge``: side of the road on which y is positive, seen along +x: "left" where traffic keeps
      left.
    ``turbulence_intensity``: of hours whose wind has none measured.
    ``most_missing_share``: of the hours of a record that may be filled in.
    ``tolerance``: what interpolation between computed hours may miss of their effective speed, rms
      by their energy; 0 computes every hour.
    ``years``: number of years drawn for P10, P50 and P90; 0: none.
    ``availability``: share of the time that the rotor is in order.
    ``losses``: share of the output lost between rotor and use, beside its efficiencies.
    """

    counts: Line | None = None
    winds: Line | None = None
    sectors: Annotated[tuple[WindSector, ...], Strict(False), Field(max_length=72)] = ()
    time_zone: Line = "UTC"
    road_heading_deg: float | None = Field(default=None, ge=0, le=360)
    verge: Literal["left", "right"] = "left"
    turbulence_intensity: Fraction = constants.YEAR_TURBULENCE_INTENSITY.value
    most_missing_share: float = Field(default=0.1, ge=0, le=0.5)
    tolerance: float = Field(default=0.02, ge=0, le=0.2)
    years: int = Field(default=64, ge=0, le=1024)
    availability: float = Field(default=1.0, gt=0, le=1)
    losses: float = Field(default=0.0, ge=0, lt=1)

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """One source of winds, and the heading of the road that they need."""
        both = given(raw, "winds", "sectors")
        if len(both) == 2:
            yield Problem(("sectors",), "give winds or sectors, not both")
        if both and "road_heading_deg" not in raw:
            text = "needs the compass direction of +x: road_heading_deg"
            yield Problem((both[0],), text, missing=(("road_heading_deg",),))

    def rules(self) -> Iterator[Problem]:
        """A time zone that exists; sectors that cover the compass evenly and sum to one."""
        try:
            zone(self.time_zone)
        except CaseError as error:
            yield Problem(("time_zone",), str(error))
        if not self.sectors:
            return
        total = sum(sector.share for sector in self.sectors)
        if abs(total - 1.0) > SHARE_TOLERANCE:
            text = f"the shares sum to {total:g}: must be 1 (calms belong to their sectors)"
            yield Problem(("sectors",), text)
        width = 360.0 / len(self.sectors)
        first = self.sectors[0].from_deg
        for k, sector in enumerate(self.sectors):
            if abs((sector.from_deg - first - k * width + 180.0) % 360.0 - 180.0) > 0.5:
                text = (
                    f"must be {(first + k * width) % 360.0:g}: the {len(self.sectors)} sectors are "
                    f"{width:g} degrees wide and in order"
                )
                yield Problem(("sectors", k, "from_deg"), text, sector.from_deg)

    def beside(self, case_path: str, name: str) -> Path:
        """The path of one of its files."""
        return Path(case_path).parent / name
