from __future__ import annotations

import csv

import numpy as np
import pytest

from wakesim.air.density import (
    air_density,
    compressibility,
    geopotential_altitude,
    moist_air_density,
    standard_atmosphere,
    vapour_fraction,
)
from wakesim.runtime import shared_path


def _rows(name: str) -> list[dict[str, float]]:
    lines = [
        line
        for line in shared_path("reference", name).read_text().splitlines()
        if not line.startswith("#")
    ]
    return [{key: float(value) for key, value in row.items()} for row in csv.DictReader(lines)]


def test_moist_air_against_reference_table():
    rows = _rows("moist_air_density_checks.csv")
    assert len(rows) >= 10
    for row in rows:
        state = (row["t_C"], row["p_Pa"], row["RH"])
        assert moist_air_density(*state) == pytest.approx(row["rho_CIPM2007"], abs=6e-7)
        share = vapour_fraction(*state)
        assert share == pytest.approx(row["xv_CIPM"], abs=6e-7)
        assert compressibility(row["t_C"], row["p_Pa"], share) == pytest.approx(
            row["Z_CIPM"], abs=6e-7
        )
        assert moist_air_density(*state) == pytest.approx(row["rho_CoolProp_HumidAir"], rel=1.1e-4)
        assert moist_air_density(*state) == pytest.approx(row["rho_IEC61400_12_1"], rel=1e-3)


def test_moist_air_against_independent_equation_of_state():
    properties = pytest.importorskip("CoolProp.HumidAirProp")
    for celsius in (-10.0, 0.0, 15.0, 30.0):
        for pressure in (75e3, 104e3):
            for humidity in (0.0, 0.8, 1.0):
                if celsius < 0.0 and humidity > 0.8:
                    continue  # above saturation over ice, where that library stops
                volume = properties.HAPropsSI(
                    "Vha", "T", celsius + 273.15, "P", pressure, "R", humidity
                )
                ours = moist_air_density(celsius, pressure, humidity)
                assert ours == pytest.approx(1.0 / volume, rel=1.5e-4)


def test_damp_and_warm_air_is_lighter():
    humidity = np.linspace(0.0, 1.0, 11)
    assert np.all(np.diff(moist_air_density(20.0, 101325.0, humidity)) < 0.0)
    temperature = np.linspace(-20.0, 40.0, 13)
    assert np.all(np.diff(moist_air_density(temperature, 101325.0, 0.5)) < 0.0)


def test_standard_atmosphere_against_reference_table():
    for row in _rows("isa_checks.csv"):
        air = standard_atmosphere(row["h_geometric_m"])
        assert geopotential_altitude(row["h_geometric_m"]) == pytest.approx(
            row["H_geopotential_m"], abs=6e-3
        )
        assert air.temperature_k == pytest.approx(row["T_K"], abs=6e-5)
        assert air.pressure_pa == pytest.approx(row["p_Pa"], abs=6e-3)
        assert air.density_kg_m3 == pytest.approx(row["rho"], abs=6e-7)
        level = standard_atmosphere(row["h_geometric_m"], geopotential=True)
        assert level.temperature_k == pytest.approx(row["T_if_h_geopotential"], abs=6e-5)
        assert level.pressure_pa == pytest.approx(row["p_if_h_geopotential"], abs=6e-3)
        assert level.density_kg_m3 == pytest.approx(row["rho_if_h_geopotential"], abs=6e-7)


def test_standard_atmosphere_against_independent_library():
    ambiance = pytest.importorskip("ambiance")
    heights = np.linspace(-400.0, 9000.0, 25)
    other = ambiance.Atmosphere(heights)
    ours = standard_atmosphere(heights)
    np.testing.assert_allclose(ours.temperature_k, other.temperature, rtol=1e-6)
    np.testing.assert_allclose(ours.pressure_pa, other.pressure, rtol=1e-6)
    np.testing.assert_allclose(ours.density_kg_m3, other.density, rtol=1e-6)


def test_air_density_takes_pressure_or_altitude():
    assert air_density(15.0) == air_density(15.0, pressure_pa=101325.0)
    assert air_density(15.0) == air_density(15.0, altitude_m=0.0)
    assert air_density(15.0, relative_humidity=0.0) == pytest.approx(1.225, rel=5e-4)
    high = air_density(8.5, altitude_m=1000.0)
    assert high == pytest.approx(float(standard_atmosphere(1000.0).density_kg_m3), rel=6e-4)
    assert isinstance(high, float)


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((15.0, 101325.0, 100.0, 0.5), "not both"),
        ((80.0, None, None, 0.5), "temperature"),
        ((15.0, -1.0, None, 0.5), "pressure"),
        ((15.0, float("nan"), None, 0.5), "pressure"),
        ((15.0, None, 12000.0, 0.5), "altitude"),
        ((15.0, None, None, 1.2), "humidity"),
        ((float("nan"), None, None, 0.5), "temperature"),
    ],
)
def test_impossible_air_is_refused(arguments, words):
    with pytest.raises(ValueError, match=words):
        air_density(*arguments)
