"""A vertical-axis rotor: what the air gives its shaft, and what is left at the terminals.

With the swept area A = width x height, the radius R = width/2 and the tip speed ratio
lambda = omega R/v the shaft gets P = C_p(lambda) 1/2 rho A v^3, so the torque is

    Q = 1/2 rho A R v^2 C_q(lambda),   C_q = C_p/lambda,

and C_q(0) is the slope of C_p there. The generator takes Q_g = k omega^2 with
k = 1/2 rho A R^3 C_p,max/lambda_best^3, which holds the best tip speed ratio in a steady wind, up
to its rated power. Power coefficients above 16/27 are refused (Betz 1920).
"""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import ArrayLike

from wakesim import constants
from wakesim.arrays import Array
from wakesim.energy.bounds import BETZ
from wakesim.errors import CaseError
from wakesim.runtime import shared_path

RESPONSES = ("inertial", "quasi_steady", "fixed_speed")


@dataclass(frozen=True)
class CoefficientCurve:
    """C_p over the tip speed ratio, straight between the points, from rest to running free.

    Raises ValueError unless the ratios start at 0 and rise, C_p is 0 at both ends, and
    0 <= C_p <= 16/27.
    """

    tip_speed_ratio: Array
    power_coefficient: Array

    def __post_init__(self) -> None:
        ratio = np.asarray(self.tip_speed_ratio, dtype=np.float64)
        power = np.asarray(self.power_coefficient, dtype=np.float64)
        if ratio.ndim != 1 or ratio.size < 3 or ratio.shape != power.shape:
            raise ValueError("at least three pairs of tip speed ratio and C_p are needed")
        if ratio[0] != 0.0 or not np.all(np.diff(ratio) > 0.0) or not np.isfinite(ratio[-1]):
            raise ValueError("tip speed ratios must start at 0 and rise")
        if power[0] != 0.0 or power[-1] != 0.0 or not np.all((power >= 0.0) & (power <= BETZ)):
            raise ValueError("C_p must be 0 at both ends and from 0 to 16/27 (Betz) between")
        if not power.max() > 0.0:
            raise ValueError("C_p must be above 0 somewhere")
        object.__setattr__(self, "tip_speed_ratio", ratio)
        object.__setattr__(self, "power_coefficient", power)

    @property
    def best(self) -> tuple[float, float]:
        """(tip speed ratio, C_p) at the maximum."""
        k = int(np.argmax(self.power_coefficient))
        return float(self.tip_speed_ratio[k]), float(self.power_coefficient[k])

    def scaled(self, best_power_coefficient: float) -> CoefficientCurve:
        """The same shape with another maximum."""
        return CoefficientCurve(
            self.tip_speed_ratio, self.power_coefficient * best_power_coefficient / self.best[1]
        )


@dataclass(frozen=True)
class PowerCurve:
    """Measured output over speed, straight between the points, zero outside (IEC 61400-12-1).

    Such a curve holds for means of ten minutes; taking it at every instant leaves the inertia out.
    """

    speed_m_s: Array
    power_w: Array
    density_kg_m3: float = 1.225

    def scaled(self, factor: float, area_m2: float) -> PowerCurve:
        """The output times a factor, but never above the bound of Betz."""
        speed = np.asarray(self.speed_m_s, dtype=np.float64)
        most = BETZ * 0.5 * self.density_kg_m3 * area_m2 * speed**3
        return replace(self, power_w=np.minimum(factor * np.asarray(self.power_w), most))

    def power(self, speed_m_s: ArrayLike, density_kg_m3: float | None = None) -> Array:
        """Output, W; the speed is first corrected to the curve's density, v (rho/rho_ref)^(1/3)."""
        speed = np.asarray(speed_m_s, dtype=np.float64)
        if density_kg_m3 is not None:
            speed = speed * (density_kg_m3 / self.density_kg_m3) ** (1.0 / 3.0)
        return np.interp(speed, self.speed_m_s, self.power_w, left=0.0, right=0.0)


@dataclass(frozen=True)
class Rotor:
    """A rotor with its generator; SI units.

    ``rated_power_w`` is the most the generator takes from the shaft, ``inertia_kg_m2`` that of all
    that turns. Electrical power is shaft power taken by the generator times both efficiencies;
    ``standby_w`` is what the electronics draw all the time. ``cut_in_m_s`` and ``cut_out_m_s``
    bound the responses without inertia. ``response`` is the one of ``RESPONSES`` that a yield is
    counted with; a ``power_curve`` (electrical output) holds no torque, so with it only the
    quasi-steady one is possible. ``shaft_speed_rad_s`` is that of the fixed-speed response. Raises
    ValueError for figures outside their ranges.
    """

    name: str
    width_m: float
    height_m: float
    curve: CoefficientCurve
    rated_power_w: float = math.inf
    cut_in_m_s: float = constants.CUT_IN_M_S.value
    cut_out_m_s: float = math.inf
    inertia_kg_m2: float | None = None
    generator_efficiency: float = constants.GENERATOR_EFFICIENCY.value
    converter_efficiency: float = constants.CONVERTER_EFFICIENCY.value
    standby_w: float = 0.0
    power_coefficient_range: tuple[float, float] | None = None
    power_curve: PowerCurve | None = None
    response: str = "inertial"
    shaft_speed_rad_s: float | None = None
    source: str = ""

    def __post_init__(self) -> None:
        for name in ("width_m", "height_m", "rated_power_w"):
            if not getattr(self, name) > 0.0:
                raise ValueError(f"{name} must be above 0")
        for name in ("generator_efficiency", "converter_efficiency"):
            if not 0.0 < getattr(self, name) <= 1.0:
                raise ValueError(f"{name} must be above 0 and at most 1")
        if not (0.0 <= self.cut_in_m_s < self.cut_out_m_s):
            raise ValueError("cut_in_m_s must be at least 0 and below cut_out_m_s")
        if not self.standby_w >= 0.0:
            raise ValueError("standby_w must be at least 0")
        if self.inertia_kg_m2 is not None and not self.inertia_kg_m2 > 0.0:
            raise ValueError("inertia_kg_m2 must be above 0")
        if self.shaft_speed_rad_s is not None and not self.shaft_speed_rad_s > 0.0:
            raise ValueError("shaft_speed_rad_s must be above 0")
        if self.response not in RESPONSES:
            raise ValueError(f"response must be one of {', '.join(RESPONSES)}")
        if self.power_curve is not None and self.response != "quasi_steady":
            raise ValueError("a power curve needs the quasi-steady response")

    @property
    def area_m2(self) -> float:
        """Swept rectangle, m2."""
        return self.width_m * self.height_m

    @property
    def radius_m(self) -> float:
        """Half the width, m."""
        return 0.5 * self.width_m

    @cached_property
    def inertia(self) -> float:
        """Moment of inertia, kg m2; by default a rim of 4 kg for each m2 swept (assumed)."""
        if self.inertia_kg_m2 is not None:
            return self.inertia_kg_m2
        return constants.RIM_DENSITY_KG_M2.value * self.area_m2 * self.radius_m**2

    @property
    def conversion(self) -> float:
        """Electrical over shaft power, 0..1."""
        return self.generator_efficiency * self.converter_efficiency

    def tracking_gain(self, density_kg_m3: float) -> float:
        """k of the generator law Q = k omega^2, N m s2."""
        ratio, best = self.curve.best
        return 0.5 * density_kg_m3 * self.area_m2 * self.radius_m**3 * best / ratio**3

    def time_constant_s(self, speed_m_s: float, density_kg_m3: float) -> float:
        """Time constant of the rotor at its best point, J omega^2/(3 P), s.

        From the equation of motion linearised there: dC_p/d lambda = 0, so the aerodynamic torque
        falls as P/omega^2 and the generator's rises as 2 P/omega^2 for each rad/s.
        """
        ratio, best = self.curve.best
        omega = ratio * speed_m_s / self.radius_m
        power = best * 0.5 * density_kg_m3 * self.area_m2 * speed_m_s**3
        return self.inertia * omega**2 / (3.0 * power)

    def quasi_steady_shaft_power(self, speed_m_s: ArrayLike, density_kg_m3: float) -> Array:
        """Shaft power, W, of a rotor that is at its best tip speed ratio at every instant."""
        speed = np.asarray(speed_m_s, dtype=np.float64)
        if self.power_curve is not None:
            return self.power_curve.power(speed, density_kg_m3) / self.conversion
        power = self.curve.best[1] * 0.5 * density_kg_m3 * self.area_m2 * speed**3
        running = (speed >= self.cut_in_m_s) & (speed <= self.cut_out_m_s)
        return np.where(running, np.minimum(power, self.rated_power_w), 0.0)


def rotor_types() -> dict[str, dict[str, object]]:
    """The generic rotor types of shared/rotors.toml, as read."""
    with shared_path("rotors.toml").open("rb") as file:
        return tomllib.load(file)


def generic_rotor(kind: str, width_m: float, height_m: float, **options: object) -> Rotor:
    """A rotor of a generic type, "drag", "lift" or "hybrid"; options as of ``Rotor``.

    ``best_power_coefficient`` scales the type's curve. Raises CaseError for an unknown type.
    """
    types = rotor_types()
    if kind not in types:
        raise CaseError(f'rotor type "{kind}": must be one of {", ".join(types)}')
    table = types[kind]
    curve = CoefficientCurve(
        np.array(table["tip_speed_ratio"]), np.array(table["power_coefficient"])
    )
    best = options.pop("best_power_coefficient", None)
    if best is not None:
        curve = curve.scaled(float(best))  # type: ignore[arg-type]
    low, high = table["power_coefficient_range"]  # type: ignore[misc]
    return Rotor(
        name=str(table["label"]),
        width_m=width_m,
        height_m=height_m,
        curve=curve,
        power_coefficient_range=(float(low), float(high)),
        source=str(table["source"]),
        **options,  # type: ignore[arg-type]
    )
