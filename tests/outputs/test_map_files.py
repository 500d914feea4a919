"""A mounting map from case to files: what other programs and the reader get."""

from __future__ import annotations

import json

import numpy as np
import pytest
from grid_cases import map_text

import wakesim
from wakesim.case.load import load_case_text
from wakesim.energy.bounds import BETZ
from wakesim.outputs.figures.mounting_map import skyline
from wakesim.results import REASONS


@pytest.fixture(scope="module")
def result():
    text = map_text(turbulence='1.0\nwake_law = "couple"')  # quick: no wake is marched
    return wakesim.run(load_case_text(text, "map.toml"), workers=1)


@pytest.fixture(scope="module")
def folder(result, tmp_path_factory):
    place = tmp_path_factory.mktemp("map") / "out"
    result.save(place)
    return place


def test_values_stand_at_the_free_places_and_only_there(result):
    free = result.reason == 0
    for values in result.variables.values():
        assert np.array_equal(np.isfinite(values), free)
    speed, density = result.variables["effective_speed"], result.air_density_kg_m3
    power = result.variables["power_density"]
    assert power[free] == pytest.approx(0.5 * density * speed[free] ** 3)
    captured = result.variables["captured_power_density"]
    assert captured[free] == pytest.approx(BETZ * power[free])
    assert result.power_coefficient_origin.startswith("Betz limit 16/27: a bound")
    assert np.all(result.variables["mean_speed"][free] < speed[free])


def test_the_best_place_is_the_fastest_of_the_mounts_own_kind(result):
    """The mount is a post; it stands between two carriageways, so no roadside place is free."""
    speed = np.where(
        result.kind == result.kind[result.best], result.variables["effective_speed"], 0
    )
    assert speed[result.best] == np.nanmax(speed)
    assert set(result.best_by_kind) <= {"roadside", "central_reservation", "overhead"}
    offsets, curve, low, high = result.set_back
    assert result.offset_m[result.best[1]] in offsets
    assert curve.max() == pytest.approx(speed[result.best])
    assert np.isnan(low).all()  # compute.model_interval = false
    assert np.isnan(high).all()


def test_the_best_place_simulated_agrees(result):
    """The exact value against the Monte Carlo series with the same headways."""
    ((model, simulated, low, high),) = result.headways.simulated
    assert model == "exponential"
    assert low < simulated < high
    assert result.headways.exact_m_s == pytest.approx(simulated, rel=0.06)
    assert result.headways.independent_m_s == result.headways.exact_m_s


def test_xarray_reads_the_map(result, folder):
    import xarray

    with xarray.open_dataset(folder / "map.h5") as data:
        assert data.equals(result.to_xarray())
        assert data["effective_speed"].dims == ("height_m", "offset_m")
        assert np.array_equal(
            data["effective_speed"].values, result.variables["effective_speed"], equal_nan=True
        )
        reason = data["reason"]
        assert np.array_equal(reason.values, result.reason)
        assert reason.attrs["flag_values"].tolist() == list(REASONS)
        assert len(reason.attrs["flag_meanings"].split()) == len(REASONS)
        assert data.attrs["best_offset_m"] == result.offset_m[result.best[1]]


def test_summary_names_the_best_place(result, folder):
    data = json.loads((folder / "summary.json").read_text(encoding="utf-8"))
    i, j = result.best
    assert data["best"]["offset_m"] == result.offset_m[j]
    assert data["best"]["effective_speed_m_s"] == result.variables["effective_speed"][i, j]
    assert data["best"]["model_interval_m_s"] == [None, None]
    assert sum(data["places"].values()) == result.reason.size
    assert data["hour"] == 8
    assert data["headways"]["simulated"][0]["model"] == "exponential"
    names = set(data["files"])
    assert {"map.h5", "map.csv", "figures/map.svg", "figures/set-back.png"} <= names
    assert all((folder / name).is_file() for name in names)


def test_a_skyline_is_the_upper_edge():
    y, height = skyline([(0.0, 2.0, 1.0), (1.0, 3.0, 4.0), (5.0, 6.0, 2.0)])
    assert y.tolist() == [0.0, 1.0, 2.0, 3.0, 5.0, 6.0]
    assert height.tolist() == [1.0, 4.0, 4.0, 0.0, 2.0, 0.0]
