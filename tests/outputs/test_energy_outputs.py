"""The energy in result.h5, tables, summary, words and figures: what was computed, said plainly."""

from __future__ import annotations

import csv
import json
from dataclasses import replace

import numpy as np
import pytest
from energy_case import computed

from wakesim.energy.samples import yield_parameters
from wakesim.energy.uncertainty import YieldUncertainty, percentiles, ranking, sample
from wakesim.measures.results import ModelVariant
from wakesim.outputs import dataset, netcdf
from wakesim.outputs.figures import drawings
from wakesim.outputs.figures.style import house_style
from wakesim.outputs.summary import energy_summary
from wakesim.outputs.tables import tables, write_table
from wakesim.results import Result


def uncertainty(scale: float) -> YieldUncertainty:
    """Percentiles and rankings of a plain formula of the inputs."""
    case = computed().case
    parameters = yield_parameters(case, case.mounts[0])
    place, values = sample(parameters, 256, seed=1)
    speed = 0.5 + values[:, 0] + 0.2 * values[:, 4]
    outputs = np.column_stack([speed, scale * speed**3])
    return YieldUncertainty(
        parameters, 256, 0, percentiles(outputs[:, 0]), percentiles(outputs[:, 1]),
        ranking(parameters, place, outputs[:, 0]), ranking(parameters, place, outputs[:, 1]),
        values, outputs,
    )  # fmt: skip


@pytest.fixture(scope="module")
def result() -> Result:
    """The computed case with an uncertain yield and both light crosswinds tried."""
    found = computed()
    mount = found.mounts[0]
    assert mount.energy is not None
    assert mount.statistics is not None
    variants = (
        ModelVariant("light crosswind", "0.5 m/s towards −y", 0.4, -0.32, False),
        ModelVariant("light crosswind", "0.5 m/s towards +y", 0.9, 0.18, False),
    )
    mount = replace(
        mount,
        energy=replace(mount.energy, uncertainty=uncertainty(0.1)),
        statistics=replace(mount.statistics, variants=variants),
    )
    return replace(found, mounts=(mount,))


def test_xarray_and_netcdf_read_the_energy(result: Result, tmp_path) -> None:
    import netCDF4
    import xarray

    path = tmp_path / "result.h5"
    netcdf.write(dataset.collected(result), path)
    energy = result.mounts[0].energy
    with xarray.open_dataset(path) as data:
        power = data["electrical_power"].sel(mount="m", response="inertial")
        assert power.dims == ("weekday_hour",)
        assert np.array_equal(power, energy.power.electrical_w["inertial"])
        assert float(data["monthly_energy"].sum()) == pytest.approx(energy.year.annual_kwh)
        annual = data["annual_energy"].sel(response="quasi_steady").item()
        assert annual == energy.annual_kwh["quasi_steady"]
        assert data["year_wind_share"].sum() == pytest.approx(1.0)
        p50 = data["annual_energy_percentile"].sel(exceedance=50.0).item()
        assert p50 == energy.uncertainty.energy.p50
        total = (
            data["effective_speed_total_index"].sel(uncertain_input="mixing of far wakes").item()
        )
        assert total == energy.uncertainty.speed_ranking.total[0]
        for name in data.variables:
            assert data[name].attrs["long_name"], name
    with netCDF4.Dataset(path) as data:
        assert data["electrical_power"].units == "W"


def test_tables_hold_hours_months_winds_loads_and_samples(result: Result, tmp_path) -> None:
    energy = result.mounts[0].energy
    found = {}
    for name, table in tables(result).items():
        if name.startswith(("energy", "mount", "yield")):
            write_table(result, table, tmp_path / name)
            lines = (tmp_path / name).read_text(encoding="utf-8").splitlines()
            rows = list(csv.reader(lines))
            found[name] = [dict(zip(rows[0], row, strict=True)) for row in rows[1:]]
    hours = found["energy-hours.csv"]
    assert [int(row["hour"]) for row in hours] == list(range(24))
    mean = np.mean([float(row["inertial_w"]) for row in hours])
    assert mean == pytest.approx(energy.power.mean_w, rel=1e-4)
    months = found["energy-months.csv"]
    total = sum(float(row["with_traffic_kwh"]) for row in months)
    assert total == pytest.approx(energy.year.annual_kwh, rel=1e-4)
    assert len(found["energy-winds.csv"]) == 2
    assert len(found["mount-loads.csv"]) == 1
    assert len(found["yield-samples.csv"]) == 256
    assert "mixing_of_far_wakes" in found["yield-samples.csv"][0]


def test_the_summary_is_plain_json(result: Result) -> None:
    record = json.loads(json.dumps(energy_summary(result.mounts[0].energy), allow_nan=False))
    energy = result.mounts[0].energy
    assert record["annual_kwh"] == energy.year.annual_kwh
    assert record["mean_daily_kwh"] == pytest.approx(energy.year.annual_kwh / 365)
    assert record["rotor"]["rated_power_w"] is None
    assert record["bounds"]["drag_power_w_m"] == energy.bounds.drag_power_w_m
    assert record["uncertainty"]["annual_kwh"]["p50"] == energy.uncertainty.energy.p50
    shares = [row["total"] for row in record["uncertainty"]["effective_speed_ranking"]["inputs"]]
    assert shares == sorted(shares, reverse=True)
    assert energy_summary(None) is None


def test_every_figure_of_the_energy_is_drawn(result: Result) -> None:
    with house_style():
        found = {d.kind: d for d in drawings(result)}
    for kind in ("energy", "yield-uncertainty", "capture", "loads"):
        assert found[kind].caption
        assert found[kind].figure.axes
    upper = found["yield-uncertainty"].figure.axes[0]
    assert upper.get_xlabel() == "effective speed (m/s)"
    assert len(upper.lines) == 4  # the distribution, three marks
