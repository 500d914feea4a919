"""Synthetic energy of a mount, and synthetic results of the studies of many states."""

from __future__ import annotations

import math
from dataclasses import replace
from types import SimpleNamespace
from typing import Any

import numpy as np
from grid_cases import map_text, pass_text, table_text, year_text
from synthetic_result import build_result, traffic_text

from wakesim.case.load import load_case_text
from wakesim.energy.bounds import Bounds, road_load
from wakesim.energy.claims import Claim, Place, check_claim
from wakesim.energy.loads import DRAG_AREA_SHARE, PassLoad
from wakesim.energy.rotor import generic_rotor

PROVENANCE = {"program": "wakesim", "seed": 20260101, "libraries": {"numpy": "2.0"}}
_WIND = SimpleNamespace(speed_m_s=2.0, angle_deg=-90.0)
CLAIM = Claim(
    power_w=1000.0, speed_m_s=5.4, power_coefficient=0.30, area_m2=2.0, daily_energy_kwh=5.0,
    count=50, section_length_m=500.0, daily_load_kwh=8.0, loads=50, traffic_speed_m_s=26.8224,
    cut_in_m_s=1.2,
)  # fmt: skip
PLACE = Place("the mount verge post", 0.56, 0.38, 1.92, 300.0, 40.0, 2.25, 1.225)


def on_the_page(result: Any) -> Any:
    """A result with a provenance and a wall time that never change."""
    return replace(result, provenance=PROVENANCE, wall_time_s=12.3)


def traffic_result() -> Any:
    """A post with a rotor and a wall mount without one."""
    found = on_the_page(build_result(traffic_text()))
    post, wall = found.mounts
    return replace(found, mounts=(replace(post, energy=energy()), wall))


def energy(**changes: Any) -> Any:
    """Energy of a rotor of 2 m2: winds, uncertainty, load, row, claim and loads."""
    rotor = generic_rotor("drag", 1.0, 2.0, cut_in_m_s=1.2, standby_w=0.05)
    kwh = 3.2
    year = SimpleNamespace(
        annual_kwh=kwh, annual_without_traffic_kwh=0.9, added_by_traffic_kwh=kwh - 0.9,
        annual_net_kwh=kwh - 0.05 * 8.76, hours=SimpleNamespace(hour=np.arange(8760) % 24),
    )  # fmt: skip
    bounds = Bounds(1.23, 345.6, 45.6, 10.0, 0.4, 0.4 / 3456.0, 0.4 / 456.0, road_load(0.4))
    names = ("mixing of far wakes", "side layer", "power coefficient")
    uncertainty = SimpleNamespace(
        samples=64, failed=2,
        speed=SimpleNamespace(p90=0.41, p50=0.562, p10=0.913),
        energy=SimpleNamespace(p90=0.0123, p50=1.08, p10=9.4),
        speed_ranking=_ranking(names, (0.61, 0.2, 0.0)),
        energy_ranking=_ranking(names, (0.3, 0.0, 0.5)),
    )  # fmt: skip
    time = np.linspace(-1.0, 3.0, 5)
    loads = tuple(
        PassLoad(name, "near 1", time, size * np.array([0, 2, -1, 0, 0.0]), size * time,
                 0.0 * time, cycles, DRAG_AREA_SHARE * rotor.area_m2)
        for name, size, cycles in (("town_car", 0.5, 4.2e6), ("long_lorry", 3.0, 312_345.0))
    )  # fmt: skip
    values = {
        "rotor": rotor,
        "density_kg_m3": 1.225,
        "power": SimpleNamespace(capture_ratio=lambda response: 1.07),
        "year": year,
        "annual_kwh": {"inertial": kwh, "quasi_steady": 2.9, "fixed_speed": 0.00071},
        "case_air_kwh": 1.9,
        "by_wind": tuple(
            SimpleNamespace(
                wind=wind, probability=share, with_traffic_w=power, without_traffic_w=alone
            )
            for wind, share, power, alone in ((_WIND, 0.4, 0.41, 0.11), (None, 0.6, 0.3, 0.0))
        ),
        "bounds": bounds,
        "coverage": SimpleNamespace(load_kwh=146.0, energy_share=0.021, load_hour_share=0.0042),
        "row_factor": 0.72,
        "row_kwh": 50 * kwh,
        "claim": check_claim(CLAIM, PLACE),
        "loads": loads,
        "gust_cycles_a_year": 1.39e7,
        "case_wind": None,
        "shaft_speed_given": False,
        "uncertainty": uncertainty,
    }
    return SimpleNamespace(**(values | changes))


def plain_energy() -> Any:
    """A measured power curve in still air, with nothing asked for beside the year."""
    rotor = generic_rotor("lift", 1.0, 2.0, cut_in_m_s=1.2)
    curve = SimpleNamespace(speed_m_s=np.arange(7.0))
    still = SimpleNamespace(wind=None, probability=1.0, with_traffic_w=0.3, without_traffic_w=0.0)
    return energy(
        rotor=replace(rotor, power_curve=curve, response="quasi_steady", standby_w=0.0),
        annual_kwh={"quasi_steady": 3.2}, by_wind=(still,), coverage=None, row_factor=None,
        row_kwh=None, claim=None, uncertainty=None, loads=(),
    )  # fmt: skip


def _ranking(names: tuple[str, ...], total: tuple[float, ...]) -> Any:
    rows = sorted(zip(names, total, total, strict=True), key=lambda row: -row[2])
    return SimpleNamespace(trusted=True, explained=0.953, ordered=lambda: rows)


def _grid(text: str, name: str, **values: Any) -> Any:
    common = {
        "case": load_case_text(text, name), "air_density_kg_m3": 1.2251, "wall_time_s": 12.3,
        "warnings": ("one synthetic warning",), "provenance": PROVENANCE, "failed": (),
    }  # fmt: skip
    return SimpleNamespace(**(common | values))


def map_result() -> Any:
    """A map whose best place moves under one constant."""
    offset, height = np.array([1.4, 2.0, 3.0]), np.array([1.5, 2.0])
    speed = np.array([[1.234, 1.1, np.nan], [1.0, 0.9, 0.8]])

    def variant(name: str, step: float, y: float, z: float) -> Any:
        return SimpleNamespace(
            parameter=name, setting="× 2", effective_speed_m_s=1.234 + step, change_m_s=step,
            best_offset_m=y, best_height_m=z,
        )  # fmt: skip

    return _grid(
        map_text(), "map.toml", hour=8, offset_m=offset, height_m=height,
        variables={"effective_speed": speed, "mean_speed": 0.8 * speed,
                   "power_density": 0.6 * speed**3, "captured_power_density": 0.3 * speed**3},
        kind=np.array([["roadside", "roadside", "overhead"]] * 2), power_coefficient=0.5,
        power_coefficient_origin="stated", best=(0, 0),
        best_by_kind={"roadside": (0, 0), "overhead": (1, 2)},
        best_model_interval_m_s=(0.9, 1.7), mount_values={"effective_speed": 1.05},
        variants=(variant("side layer", 0.0, 1.4, 1.5), variant("drag", -0.02, 2.0, 1.5)),
        headways=SimpleNamespace(
            exact_m_s=1.234, independent_m_s=1.2,
            simulated=(("exponential", 1.24, 1.21, 1.27), ("cowan_m3", 1.3, 1.28, 1.33)),
        ),
        failed=("place 3 could not be computed",),
    )  # fmt: skip


def table_result() -> Any:
    """A lookup table with a model interval and a check of its interpolation."""
    return _grid(
        table_text(), "table.toml", hour=8,
        axes={"offset_m": (1.2, 2.5), "height_m": (1.2, 1.6, 2.0), "flow_veh_h": (600.0,)},
        variables={"effective_speed": np.array([0.456, 1.234, np.nan]),
                   "power_coefficient": np.array([0.0123, 0.0987, np.nan])},
        distinct_states=5,
        interpolation=SimpleNamespace(states=40, median=0.0012, p90=0.0123, largest=0.0567),
        interpolation_light_wind=SimpleNamespace(
            states=40, median=0.0045, p90=0.0456, largest=0.123
        ),
        rotor=generic_rotor("drag", 0.6, 1.5), shaft_speed_rad_s=None,
        interval_states=4, interval_check=(0.012, 0.034), interval_parts=("side layer", "drag"),
        added={"height_m": (1.6,)},
    )  # fmt: skip


def pass_table_result() -> Any:
    """A table of single passes."""
    return _grid(
        pass_text(), "passes.toml", classes=("small_car", "artic_lorry_eu"),
        speed_m_s=(15.0, 25.0), clearance_m=(1.0, 2.0, 3.0), height_m=(1.0,),
    )  # fmt: skip


SECTORS = "[{ from_deg = 0, share = 1.0, mean_speed_m_s = 3.0 }]"


class _Hours(SimpleNamespace):
    def __len__(self) -> int:
        return len(self.month)


def year_result() -> Any:
    """A year of two hours at two mounts: one with everything, one with nothing left."""
    text = year_text(sectors=SECTORS, road_heading_deg=0)
    case = load_case_text(text, "year.toml")
    hours = _Hours(
        time_utc=np.array(["2027-01-01T00", "2027-01-01T01"], dtype="datetime64[s]"),
        month=np.array([1, 1]), vehicles=1.234e6, wind_speed_m_s=np.array([1.0, 2.0]),
        flow_filled=np.array([True, False]), winds=SimpleNamespace(filled=np.array([False, False])),
        holidays=(),
    )  # fmt: skip
    spread = {"together": (2.0, 3.0, 5.0), "winds": (2.5, 3.0, 4.0), "rotor": (2.9, 3.0, 3.3)}
    percentiles = {
        cause: SimpleNamespace(p90=low, p50=middle, p10=high)
        for cause, (low, middle, high) in spread.items()
    }
    month = SimpleNamespace(month=1, load_kwh=4.0, met_kwh=1.5, load_hours=2, unserved_hours=1)
    post = SimpleNamespace(
        mount=case.mounts[0], mean_effective_speed_m_s=1.234, model_interval_m_s=(1.0, 1.5),
        annual_kwh=3.21, annual_without_traffic_kwh=2.1, added_by_traffic_kwh=1.11,
        annual_net_kwh=2.5, percentiles=percentiles, load=(month,), unserved_hours=1,
        row_kwh=50.0, row_factor=0.4, with_traffic_w=np.array([2.0, 1.0]),
        without_traffic_w=np.array([1.0, 1.5]), net_w=np.array([1.5, 0.5]),
        monthly_kwh=lambda power: np.append(1e-3 * power.sum(), np.zeros(11)),
        missed={"hours": 32, "median": 0.004, "p90": 0.021, "largest": 0.123},
    )  # fmt: skip
    nothing_left = {
        "mount": case.mounts[0].model_copy(update={"name": "shaded"}),
        "annual_net_kwh": -0.4, "added_by_traffic_kwh": -0.2, "percentiles": {}, "load": (),
        "row_kwh": None, "row_factor": None, "model_interval_m_s": (math.nan, math.nan),
    }  # fmt: skip
    other = SimpleNamespace(**(vars(post) | nothing_left))
    return _grid(
        text, "year.toml", hours=hours, posts=(post, other), computed_hours=1,
        stretch_hours=(0,), model_parts=("side layer", "drag"),
    )  # fmt: skip
