"""Calibration: the model's free constants against published data, and whether to change them.

Method, split and rule of adoption: ``fitting``. Three constants of the marched wake are fitted to
all data together: mean wake of a box truck and of a motorcycle, peaks behind the 25 degree Ahmed
body (H. Lienhart and S. Becker, SAE 2003-01-0656 (2003)), turbulent energy of passages measured on
roads, and the largest gust beside a lorry, all in shared/reference. Spheroid and plane wake are not
fitted to: rows of the scorecard judge them.
"""

from __future__ import annotations

import csv
import itertools
import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from functools import cache, cached_property

import numpy as np
from numpy.polynomial import chebyshev
from numpy.typing import ArrayLike, NDArray

from wakesim import constants as empirical
from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle, catalogue
from wakesim.runtime import shared_path
from wakesim.validation.fitting import Constant, Fit, Problem, estimate, judge
from wakesim.validation.quantities.gust import line_extreme, line_pulse, pass_line
from wakesim.validation.quantities.passage import front_deficit, passage_energy
from wakesim.validation.report import rendered, wrapped
from wakesim.vehicle.passfield import net_source_m2, pass_field
from wakesim.vehicle.wake import TURBULENCE_TIME_S, AirState, WakeConstants, vehicle_wake

# 25 degree Ahmed body (Lienhart and Becker 2003); drag and nose radius: Ahmed et al. 1984, from
# memory; recirculation length derived from the same measurements.
AHMED = Vehicle(
    name="ahmed_25",
    length_m=1.044,
    width_m=0.389,
    height_m=0.338,
    clearance_m=0.050,
    frontal_area_m2=0.112,
    drag_coefficient=0.285,
)
AHMED_NOSE_M, AHMED_BODY_M, AHMED_SPEED_M_S = 0.1, 0.288, 40.0
AHMED_BUBBLE_HEIGHTS = 0.66 * AHMED_BODY_M / AHMED.height_m
AHEAD_M = 0.398

_HEIGHTS = np.linspace(0.005, 0.6, 600)  # m, where peaks behind the body are sought
_BOX_TRUCK = Vehicle(
    name="box_truck",
    length_m=10.7,
    width_m=2.5,
    height_m=3.8,
    clearance_m=0.4,
    frontal_area_m2=8.5,
    drag_coefficient=0.65,
)
_MOTORCYCLE = Vehicle(
    name="motorcycle",
    length_m=2.2,
    width_m=0.8,
    height_m=1.5,
    clearance_m=0.15,
    frontal_area_m2=0.75,
    drag_coefficient=0.80,
)
_PROBE_M, _CYCLIST = 2.0, (0.5, 0.2, 1.7)  # height; width, lower and upper edge, m; assumed
_BUSY_AIR_M = 0.025  # eddy viscosity of a busy road over the speed
_ON_ROAD = {"car": ("small_car", 28.0), "mid_size": ("panel_van", 28.0),
            "truck": ("artic_lorry_us", 26.0)}  # fmt: skip
_LEAST_HEIGHT_M, _FOLLOWED_S = 3.0, 30.0
_NOT_MIXED_BY_WIND_M = 60.0  # the box truck's third gap is where the wind has mixed it most
_LORRY, _GUST_REACH_M = "artic_lorry_eu", 15.0
_GUST = (22.35, 0.61, 0.1)  # speed m/s, clearance m, averaging s
_GUST_HEIGHT_M = 1.5
# Box in which the marched wake's constants are sought, and nodes of the interpolation in each.
KEYS = ("weak_shear_mixing", "wake_start_energy", "side_layer_energy")
_BOX = ((0.3, 6.0), (0.006, 0.06), (0.15, 1.0))
_NODES = (4, 3, 3)


def _text_table(name: str) -> list[dict[str, str]]:
    """Rows of a file in shared/reference as texts."""
    text = shared_path("reference", name).read_text(encoding="utf-8")
    return list(csv.DictReader(line for line in text.splitlines() if line and line[0] != "#"))


def table(name: str) -> dict[str, Array]:
    """Columns of numbers of a file in shared/reference."""
    rows = _text_table(name)
    return {key: np.array([float(row[key]) for row in rows]) for key in rows[0]}


def _constant(
    key: str, bounds: tuple[float, float], positive: bool = True, unlike: str = ""
) -> Constant:
    """A constant with default, symbol and range from the table of constants."""
    row = empirical.TABLE[key]
    return Constant(
        row.name, row.symbol, row.unit, row.value, bounds, row.ends, positive=positive,
        unlike=unlike,
    )  # fmt: skip


def _stations(count: int, repeats: int = 1) -> NDArray[np.int64]:
    return np.tile(np.arange(count), repeats)


def _road_deficits(constants: WakeConstants) -> list[float]:
    truck, motorcycle = vehicle_wake(_BOX_TRUCK, constants), vehicle_wake(_MOTORCYCLE, constants)
    found = []
    for row in _road_rows():
        gap = float(row["gap_m"])
        if row["vehicle"] == "box_truck":
            found.append(float(truck.velocity(gap, 0.0, _PROBE_M)))
        else:
            found.append(front_deficit(motorcycle, gap, *_CYCLIST, by_drag=True))
    return found


def _road_rows() -> list[dict[str, str]]:
    rows = _text_table("road_wake_deficit.csv")
    return [row for row in rows if float(row["gap_m"]) < _NOT_MIXED_BY_WIND_M]


def _ahmed_peaks(constants: WakeConstants, x: Array) -> list[float]:
    """Peak deficits, then roots of the peak turbulent energy, at ``x`` (n,)."""
    own = replace(constants, bubble_length_heights=AHMED_BUBBLE_HEIGHTS)
    u, k = vehicle_wake(AHMED, own).both(x[:, None], 0.0, _HEIGHTS)
    return [*u.max(axis=1), *np.sqrt(k.max(axis=1))]


def _beyond_bubble() -> tuple[Array, Array, Array]:
    """x (n,) m behind the Ahmed body beyond its bubble, deficit and energy of the peaks there."""
    data = table("ahmed25_wake_peaks.csv")
    x = AHMED_BODY_M * data["x_over_H"]
    far = x > AHMED_BUBBLE_HEIGHTS * AHMED.height_m
    return x[far], data["peak_deficit_over_U0"][far], data["peak_tke_over_U0sq"][far]


def _on_road(kind: str) -> tuple[Array, Array]:
    """Heights (n,) m from 3 m up and measured energy of a passage (n,) of a class."""
    rows = [
        (float(row["height_m"]), float(row["value"]))
        for row in _text_table("on_road_tke.csv")
        if row["class"] == kind
        and row["quantity"].startswith(("energy", "c "))
        and float(row["height_m"]) >= _LEAST_HEIGHT_M
    ]
    height, energy = np.array(rows).T
    return height, energy


def _rms_over_heights(energy: ArrayLike) -> float:
    """Root of the geometric mean of energies: one figure for heights of one fitted curve."""
    return math.exp(0.5 * float(np.mean(np.log(energy))))


def _passages(constants: WakeConstants) -> list[float]:
    """For each class the root of the turbulent energy of a passage over the lane's axis."""
    found = []
    for kind, (name, speed) in _ON_ROAD.items():
        vehicle = catalogue()[name]
        wake = vehicle_wake(vehicle, constants, AirState(_BUSY_AIR_M))
        energy = [
            passage_energy(
                wake, speed, 0.0, z, -vehicle.length_m if z > vehicle.height_m else 0.0,
                _FOLLOWED_S * speed,
            )
            for z in _on_road(kind)[0]
        ]  # fmt: skip
        found.append(_rms_over_heights(energy))
    return found


@cache
def _gust_line() -> tuple[Array, float, Array]:
    """Points, step and pulse beside a lorry; the constants do not change them."""
    speed, clearance, averaging = _GUST
    field = pass_field(catalogue()[_LORRY])
    points, step = pass_line(field.vehicle, speed, clearance, _GUST_HEIGHT_M, averaging)
    points = points[points[:, 0] > -field.vehicle.length_m - _GUST_REACH_M]
    return points, step, line_pulse(field, points)


def _gust(constants: WakeConstants) -> float:
    """Mean plus two standard deviations of the largest air speed of a pass over its speed: what
    the largest of some forty passes is expected to be."""
    lorry = catalogue()[_LORRY]
    points, step, pulse = _gust_line()
    u, k = vehicle_wake(lorry, constants).both(
        -points[:, 0] - lorry.length_m, points[:, 1], points[:, 2]
    )
    speed, _, averaging = _GUST
    found = line_extreme(pulse, u, k, speed, step, averaging, TURBULENCE_TIME_S)
    return (found.mean_m_s + 2.0 * found.sd_m_s) / speed


def marched_values(constants: WakeConstants) -> Array:
    """Computed values (n,) of the joint fit, in the order of its data."""
    peaks = _ahmed_peaks(constants, _beyond_bubble()[0])
    return np.array([_gust(constants), *_road_deficits(constants), *peaks, *_passages(constants)])


@dataclass(frozen=True)
class MarchedData:
    """Data of the joint fit: ``measured`` (n,), ``station`` (n,), and its sets as slices."""

    measured: Array
    station: NDArray[np.int64]
    sets: dict[str, slice]


@cache
def marched_data() -> MarchedData:
    """The measured values of the joint fit. The gust comes first, so that it trains: nothing else
    shows the side layer."""
    road = _road_rows()
    trucks = sum(row["vehicle"] == "box_truck" for row in road)
    x, deficit, energy = _beyond_bubble()
    parts = {
        "gust beside a lorry": [float(_text_table("lorry_side_air.csv")[0]["value"])],
        "wake of a box truck": [float(row["deficit_over_V"]) for row in road[:trucks]],
        "wake of a motorcycle": [float(row["deficit_over_V"]) for row in road[trucks:]],
        "peak deficit behind the Ahmed body": list(deficit),
        "peak turbulence behind the Ahmed body": list(np.sqrt(energy)),
        "turbulence over roads": [_rms_over_heights(_on_road(kind)[1]) for kind in _ON_ROAD],
    }
    first = 1 + len(road)
    ahmed = first + np.arange(x.size)
    station = [*range(first), *ahmed, *ahmed, *(first + x.size + np.arange(len(_ON_ROAD)))]
    ends = np.cumsum([len(part) for part in parts.values()])
    sets = {
        name: slice(int(end) - len(part), int(end))
        for (name, part), end in zip(parts.items(), ends, strict=True)
    }
    return MarchedData(
        np.array([value for part in parts.values() for value in part]),
        np.array(station, dtype=np.int64),
        sets,
    )


def _chebyshev(count: int) -> Array:
    return -np.cos(np.pi * (np.arange(count) + 0.5) / count)


class Interpolated:
    """A positive function (p,) -> (n,) interpolated by polynomials in logarithms over a box.

    Marching takes a quarter of a second for one set of constants and a fit asks for hundreds, so
    it is done once at Chebyshev nodes. Outside the box the values are those at its edge.
    """

    def __init__(
        self,
        function: Callable[[Array], Array],
        box: Sequence[tuple[float, float]],
        nodes: Sequence[int],
    ) -> None:
        self._function, self._box, self._nodes = function, np.log(np.array(box)), tuple(nodes)

    @cached_property
    def _table(self) -> Array:
        """Coefficients (*nodes, n), computed when first asked for."""
        axes = [_chebyshev(n) for n in self._nodes]
        values = np.array(
            [
                np.log(self._function(np.exp(self._from_unit(np.array(place)))))
                for place in itertools.product(*axes)
            ]
        )
        found = values.reshape(*self._nodes, -1)
        for axis, node in enumerate(axes):
            inverse = np.linalg.inv(chebyshev.chebvander(node, node.size - 1))
            found = np.moveaxis(np.tensordot(inverse, found, axes=(1, axis)), 0, axis)
        return found

    def _from_unit(self, place: Array) -> Array:
        low, high = self._box.T
        return np.asarray(low + 0.5 * (place + 1.0) * (high - low))

    def __call__(self, values: Array) -> Array:
        """Values (n,) at constants (p,)."""
        low, high = self._box.T
        unit = np.clip(2.0 * (np.log(values) - low) / (high - low) - 1.0, -1.0, 1.0)
        found = self._table
        for u in unit:
            found = np.tensordot(chebyshev.chebvander(u, len(found) - 1)[0], found, axes=1)
        return np.exp(found)


def _at(values: Array) -> WakeConstants:
    """Constants of the marched wake with values (p,) of ``KEYS``, on the coarse grid."""
    moved = dict(zip(KEYS, map(float, values), strict=True))
    return replace(WakeConstants(coarse=True), **moved)


@cache
def marched_problem() -> Problem:
    """The marched wake: mixing of far wakes, energy at its start and energy of the side layer."""
    data = marched_data()
    return Problem(
        name="marched wake",
        data="gust beside a lorry, wakes of box truck and motorcycle, peaks behind the Ahmed body "
        "beyond its bubble, turbulence over roads from 3 m up, in this order",
        constants=tuple(_constant(key, box) for key, box in zip(KEYS, _BOX, strict=True)),
        measured=data.measured,
        station=data.station,
        predict=Interpolated(lambda v: marched_values(_at(v)), _BOX, _NODES),
        note="Turbulent energies are compared as rms values, so that all data count about alike. "
        "The defaults were chosen by hand with all of these data in view, the held-out ones too: "
        "for the default the held-out part is no blind test, for the fit it is. Drag areas of "
        "truck and motorcycle, vehicles and speeds over the roads are assumed. The gust is the "
        "largest of many passes of six vehicles; mean plus two standard deviations of the maxima "
        "stands for it. It is one number and trains, so that the side layer is judged by nothing. "
        "Marched on the coarse grid.",
    )


def tail_problem() -> Problem:
    """Mean velocity ahead of the Ahmed body: net source of the open tail, and the tunnel's speed.

    The field is linear in the net source, so two panel solutions give it for any factor.
    """
    data = table("ahmed25_ahead_of_nose.csv")
    height = data["z_m"]
    points = np.column_stack([np.full(height.size, AHEAD_M), np.zeros(height.size), height])
    chosen = WakeConstants(bubble_length_heights=AHMED_BUBBLE_HEIGHTS)
    none, one = (
        pass_field(
            AHMED, constants=chosen, nose_radius_m=AHMED_NOSE_M, net_source_factor=factor
        ).displacement(points)
        for factor in (0.0, 1.0)
    )

    def predict(values: Array) -> Array:
        field = none + values[0] * (one - none)
        speed = values[1] * AHMED_SPEED_M_S
        return speed * np.concatenate([1.0 - field[:, 0], field[:, 2]])

    tunnel = Constant(
        "tunnel speed over its nominal value", "–", "1", 1.0, (0.9, 1.1), nuisance=True
    )
    source = net_source_m2(AHMED.drag_coefficient, AHMED.frontal_area_m2)
    return Problem(
        name="open tail",
        data="mean velocity 0.398 m ahead of the 25° Ahmed body, U and W at 8 heights",
        constants=(
            _constant("net_source_factor", (-60.0, 60.0), positive=False),
            tunnel,
        ),
        measured=np.concatenate([data["U_m_s"], data["W_m_s"]]),
        station=_stations(height.size, 2),
        predict=predict,
        relative=False,
        unit="m/s",
        note=f"The net source ({source:.3f} m² here) is felt ahead of the nose almost as a change "
        "of the tunnel's speed, which is fitted along: these data hardly see it. Data beside and "
        "behind the body would.",
    )


@cache
def problems() -> tuple[Problem, ...]:
    """All calibrations, in the order of the report."""
    return marched_problem(), tail_problem()


# --- fits and their section of the report -------------------------------------------------------


@cache
def calibrate() -> tuple[Fit, ...]:
    """All fits: one entry for each constant of each problem, in the order of the report.

    Takes about 15 s of processor time at the first call. Nothing is changed by it.
    """
    return tuple(fit for problem in problems() for fit in judge(problem))


@dataclass(frozen=True)
class LeftOut:
    """One data set judged by constants (p,) that were fitted to all the others."""

    name: str
    count: int
    fitted: NDArray[np.float64]
    rms_default: float
    rms_fitted: float


@cache
def leave_sets_out() -> tuple[LeftOut, ...]:
    """The joint fit without each data set in turn."""
    problem = problems()[0]
    found = []
    for name, rows in marched_data().sets.items():
        use = np.ones(problem.measured.size, dtype=bool)
        use[rows] = False
        fitted = estimate(problem, use).values
        default, moved = (
            math.sqrt(float(np.mean(problem.residuals(v)[rows] ** 2)))
            for v in (problem.defaults, fitted)
        )
        found.append(LeftOut(name, rows.stop - rows.start, fitted, default, moved))
    return tuple(found)


def _number(value: float, digits: int = 3) -> str:
    if not math.isfinite(value) or abs(value) >= 1e4:
        return "unbounded"
    text = f"{value:.{digits}g}"
    if "e" in text:
        return str(np.format_float_positional(value, digits, fractional=False, trim="-"))
    return text


def _pair(ends: tuple[float, float]) -> str:
    low, high = ends
    if not (math.isfinite(low) and math.isfinite(high) and high < 1e4):
        return "not fixed"
    return f"{_number(low, 2)} to {_number(high, 2)}"


def _cells(fit: Fit) -> list[str]:
    problem, constant = fit.problem, fit.constant
    unit = f" {problem.unit}" if problem.unit else ""
    symbol = "" if constant.symbol == "–" else f" {constant.symbol}"
    rms = (fit.training_rms, fit.held_out_rms_default, fit.held_out_rms_fitted)
    return [
        problem.name,
        f"{constant.name}{symbol}",
        _number(constant.default),
        _number(fit.fitted),
        _pair(fit.interval),
        _pair(fit.jackknife),
        _number(fit.fitted_to_all),
        *(_number(value, 2) + unit for value in rms),
        f"{_number(fit.set_gain.value, 2)} ± {_number(fit.set_gain.uncertainty, 2)}",
        "new default" if fit.adopt else "keep the default",
    ]


def report_lines() -> list[str]:
    """The calibration section of the report as Markdown lines, without its heading."""
    fits = calibrate()
    left_out = [
        [one.name, str(one.count), *map(_number, one.fitted), _number(one.rms_default, 2),
         _number(one.rms_fitted, 2)]
        for one in leave_sets_out()
    ]  # fmt: skip
    return rendered(
        "calibration",
        fits=fits,
        fit_rows=[_cells(fit) for fit in fits],
        marched=[f"{c.name} {c.symbol}" for c in marched_problem().constants],
        left_out=left_out,
        wrapped=wrapped,
    ).splitlines()
