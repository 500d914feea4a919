"""Density of moist air, and the standard atmosphere that gives the pressure at an altitude.

Sources: A. Picard, R. S. Davis, M. Gläser, K. Fujii, "Revised formula for the density of moist
air (CIPM-2007)", Metrologia 45 (2008) 149-155; ISO 2533:1975 "Standard atmosphere".
"""

from __future__ import annotations

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.case.air import Air

# CIPM-2007, Picard et al. 2008, for a carbon dioxide mole fraction of 400 parts in a million.
GAS_CONSTANT_J_MOL_K = 8.314472
DRY_AIR_KG_MOL = 28.96546e-3
WATER_KG_MOL = 18.01528e-3
ZERO_CELSIUS_K = 273.15

# ISO 2533:1975, troposphere.
SEA_LEVEL_PRESSURE_PA = 101325.0
SEA_LEVEL_TEMPERATURE_K = 288.15
LAPSE_K_M = -6.5e-3
GRAVITY_M_S2 = 9.80665
DRY_AIR_J_KG_K = 287.05287
EARTH_RADIUS_M = 6356766.0
_LOWEST_M, _HIGHEST_M = -2000.0, 11000.0


class StandardAir(NamedTuple):
    """State of the standard atmosphere at one altitude."""

    temperature_k: Array
    pressure_pa: Array
    density_kg_m3: Array


def saturation_pressure(temperature_c: ArrayLike) -> Array:
    """Saturation pressure of water vapour over liquid water, Pa (Picard et al. 2008)."""
    kelvin = np.asarray(temperature_c, dtype=np.float64) + ZERO_CELSIUS_K
    exponent = 1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    return np.exp(exponent)


def vapour_fraction(
    temperature_c: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike
) -> Array:
    """Mole fraction of water vapour, with the enhancement factor (Picard et al. 2008)."""
    celsius = np.asarray(temperature_c, dtype=np.float64)
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * celsius**2
    humidity = np.asarray(relative_humidity, dtype=np.float64)
    return humidity * enhancement * saturation_pressure(celsius) / pressure


def compressibility(
    temperature_c: ArrayLike, pressure_pa: ArrayLike, vapour_share: ArrayLike
) -> Array:
    """Compressibility factor Z of moist air (Picard et al. 2008)."""
    t = np.asarray(temperature_c, dtype=np.float64)
    x = np.asarray(vapour_share, dtype=np.float64)
    ratio = np.asarray(pressure_pa, dtype=np.float64) / (t + ZERO_CELSIUS_K)
    first = (
        1.58123e-6
        - 2.9331e-8 * t
        + 1.1043e-10 * t**2
        + (5.707e-6 - 2.051e-8 * t) * x
        + (1.9898e-4 - 2.376e-6 * t) * x**2
    )
    return 1.0 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * x**2)


def moist_air_density(
    temperature_c: ArrayLike, pressure_pa: ArrayLike, relative_humidity: ArrayLike
) -> Array:
    """Density of moist air, kg/m3; inputs in °C, Pa and 0..1 broadcast against each other.

    CIPM-2007 equation of state. Its stated range is 15 to 27 °C and 60 to 110 kPa, where its
    relative uncertainty is 2.2e-5 (from memory); between -10 and 30 °C it stays within 1.1e-4 of a
    multi-parameter equation of state, far below what matters here. Below 0 °C the humidity is
    taken relative to liquid water.

    Raises ValueError for a temperature outside -60..60 °C, a pressure that is not positive, or a
    humidity outside 0..1.
    """
    celsius = np.asarray(temperature_c, dtype=np.float64)
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    humidity = np.asarray(relative_humidity, dtype=np.float64)
    if not np.all((celsius >= -60.0) & (celsius <= 60.0)):
        raise ValueError("temperature must be from -60 °C to 60 °C")
    if not np.all((pressure > 0.0) & np.isfinite(pressure)):
        raise ValueError("pressure must be greater than 0 Pa")
    if not np.all((humidity >= 0.0) & (humidity <= 1.0)):
        raise ValueError("relative humidity must be from 0 to 1")
    x = vapour_fraction(celsius, pressure, humidity)
    z = compressibility(celsius, pressure, x)
    kelvin = celsius + ZERO_CELSIUS_K
    dry = pressure * DRY_AIR_KG_MOL / (z * GAS_CONSTANT_J_MOL_K * kelvin)
    return dry * (1.0 - x * (1.0 - WATER_KG_MOL / DRY_AIR_KG_MOL))


def geopotential_altitude(altitude_m: ArrayLike) -> Array:
    """Geopotential altitude H = r h / (r + h) of a geometric altitude h, m (ISO 2533)."""
    height = np.asarray(altitude_m, dtype=np.float64)
    return EARTH_RADIUS_M * height / (EARTH_RADIUS_M + height)


def standard_atmosphere(altitude_m: ArrayLike, *, geopotential: bool = False) -> StandardAir:
    """Temperature, pressure and density of the standard atmosphere (ISO 2533, troposphere).

    ``altitude_m`` is geometric (above sea level) unless ``geopotential`` is set. Raises ValueError
    outside -2000..11000 m.
    """
    height = np.asarray(altitude_m, dtype=np.float64)
    level = height if geopotential else geopotential_altitude(height)
    if not np.all((level >= _LOWEST_M) & (level <= _HIGHEST_M)):
        raise ValueError(f"altitude must be from {_LOWEST_M:g} m to {_HIGHEST_M:g} m")
    temperature = SEA_LEVEL_TEMPERATURE_K + LAPSE_K_M * level
    power = -GRAVITY_M_S2 / (LAPSE_K_M * DRY_AIR_J_KG_K)
    pressure = SEA_LEVEL_PRESSURE_PA * (temperature / SEA_LEVEL_TEMPERATURE_K) ** power
    return StandardAir(temperature, pressure, pressure / (DRY_AIR_J_KG_K * temperature))


def air_density(
    temperature_c: float,
    pressure_pa: float | None = None,
    altitude_m: float | None = None,
    relative_humidity: float = 0.0,
) -> float:
    """Density at a mount, kg/m3, from temperature (°C), humidity (0..1) and pressure or altitude.

    With ``altitude_m`` (geometric, m) the pressure is that of the standard atmosphere; with
    neither, the standard pressure at sea level. Raises ValueError when both are given or a value
    is out of range.
    """
    if pressure_pa is not None and altitude_m is not None:
        raise ValueError("give the pressure or the altitude, not both")
    if pressure_pa is None:
        pressure_pa = float(standard_atmosphere(altitude_m or 0.0).pressure_pa)
    if not math.isfinite(pressure_pa):
        raise ValueError("pressure must be a number")
    return float(moist_air_density(temperature_c, pressure_pa, relative_humidity))


def density_of(air: Air) -> float:
    """Density of a case's air, kg/m3."""
    return air_density(air.temperature_c, air.pressure_pa, air.altitude_m, air.relative_humidity)
