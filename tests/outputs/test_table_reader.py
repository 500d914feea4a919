"""open_table against files from strangers: damaged, hostile, or with states that failed."""

from __future__ import annotations

import io
import os
import re
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path

import h5py
import numpy as np
import pytest
from scipy.interpolate import CubicHermiteSpline

import wakesim
from wakesim.errors import CaseError
from wakesim.outputs import table_file, table_reader
from wakesim.outputs.netcdf import TABLE_FORMAT, states
from wakesim.outputs.netcdf import write as write_data

AXES = {
    "offset_m": [1.0, 2.0, 4.0],
    "height_m": [1.0, 2.0, 3.0, 4.0, 5.0],
    "flow_veh_h": [100.0, 400.0, 900.0, 1600.0],
    "wind_speed_m_s": [0.0, 1.0, 2.0, 5.0],
    "wind_angle_deg": [0.0, 90.0, 180.0, 270.0, 360.0],
}
SHAPE = tuple(len(values) for values in AXES.values())
AT = {
    "offset_m": 1.5,
    "height_m": 2.5,
    "flow_veh_h": 300.0,
    "wind_speed_m_s": 1.5,
    "wind_angle_deg": 45.0,
}
SECONDS = 60.0  # far above what any file takes; a hang takes for ever


ROTOR = {"rotor_area_m2": 2.5, "rotor_name": "drag type", "rotor_cut_in_m_s": 1.2}


def values_of(seed: int = 0) -> dict[str, np.ndarray]:
    """Values with kinks from state to state; over 360 degrees they are those of 0."""
    rng = np.random.default_rng(seed)
    names = ("mean_speed", "sd_speed", "drift")
    found = {name: rng.uniform(0.1, 4.0, SHAPE) for name in ("effective_speed", *names)}
    speed = found["effective_speed"]
    found["model_low"] = speed * rng.uniform(0.0, 1.0, SHAPE)
    found["model_high"] = speed + rng.exponential(0.4, SHAPE)
    found["power_coefficient"] = rng.uniform(0.0, 0.3, SHAPE)
    for values in found.values():
        values[..., -1] = values[..., 0]
    return found


def write(path: Path, variables: dict[str, np.ndarray] | None = None) -> Path:
    """A table as the program writes it, with invented values."""
    texts = {f"text_{i}": "a sentence about the table. " * 40 for i in range(25)}
    errors = {f"interpolation_error_{k}": 0.01 for k in ("states", "median", "p90", "largest")}
    errors |= {f"interpolation_error_light_wind_{k}": 0.03 for k in ("states", "p90")}
    attributes = texts | errors | ROTOR | {"format": TABLE_FORMAT, "air_density_kg_m3": 1.2}
    write_data(states(AXES, values_of() if variables is None else variables, attributes), path)
    return path


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> bytes:
    return write(tmp_path_factory.mktemp("good") / "table.h5").read_bytes()


@pytest.fixture
def path(good, tmp_path) -> Path:
    (tmp_path / "table.h5").write_bytes(good)
    return tmp_path / "table.h5"


def refusal(path: Path) -> str:
    """The one line that refuses a file, in bounded time."""
    began = time.perf_counter()
    with pytest.raises(CaseError) as caught:
        wakesim.open_table(path)
    assert time.perf_counter() - began < SECONDS
    (line,) = caught.value.problems
    assert line.startswith(f"{path}: ")
    assert "\n" not in line
    assert len(line) < len(str(path)) + 300
    return line


def test_what_is_read_is_what_was_written(path):
    table = wakesim.open_table(path)
    assert list(table.axes) == list(AXES)
    for name, values in AXES.items():
        assert table.axes[name].tolist() == values
    for name, values in values_of().items():
        assert table.variables[name].tobytes() == values.tobytes()
    assert table.air_density_kg_m3 == 1.2
    assert table.attributes["text_7"].startswith("a sentence")
    assert table.interpolation_error["p90"] == 0.01
    assert table.interpolation_error["light_wind_p90"] == 0.03
    assert table.rotor == {"area_m2": 2.5, "name": "drag type", "cut_in_m_s": 1.2}
    assert "cut_in_m_s 1.2" in str(table)


def anywhere(count: int, seed: int = 3) -> dict[str, np.ndarray]:
    """Random places in the table."""
    rng = np.random.default_rng(seed)
    return {name: rng.uniform(values[0], values[-1], count) for name, values in AXES.items()}


@pytest.mark.parametrize("seed", range(5))
def test_every_speed_lies_inside_its_model_interval(seed, tmp_path):
    """At states and between them, although cubics overshoot; ends asked for alone are the same."""
    table = wakesim.open_table(write(tmp_path / "table.h5", values_of(seed)))
    mesh = np.meshgrid(*AXES.values(), indexing="ij")
    states_ = {name: values.ravel() for name, values in zip(AXES, mesh, strict=True)}
    for at in (anywhere(5000, seed), states_):
        speed = table.effective_speed(**at)
        low, high = table.model_interval(**at)
        assert np.all((low >= 0.0) & (low <= speed) & (speed <= high))
        assert np.array_equal(table.value("model_low", **at), low)
        assert np.array_equal(table.value("model_high", **at), high)
    assert low == pytest.approx(values_of(seed)["model_low"].ravel(), abs=1e-13)


def test_rotor_power_is_coefficient_times_flux(path):
    """At states and, on lines of states, with scipy's cubics of the cube root of power."""
    table, values = wakesim.open_table(path), values_of()
    share, speed = values["power_coefficient"], values["effective_speed"]
    mesh = dict(zip(AXES, np.meshgrid(*AXES.values(), indexing="ij"), strict=True))
    flux = 0.5 * 1.2 * 2.5
    assert table.rotor_power(**mesh) == pytest.approx(flux * share * speed**3)
    assert table.value("power_coefficient", **mesh) == pytest.approx(share)

    heights, line = np.array(AXES["height_m"]), (2, slice(None), 1, 2, 3)
    at = {name: values[k] for name, values, k in zip(AXES, AXES.values(), line, strict=True)
          if name != "height_m"}  # fmt: skip
    fine = np.linspace(1.0, 5.0, 101)
    root = np.cbrt(share[line]) * speed[line]
    cubic = CubicHermiteSpline(heights, root, np.gradient(root, heights, edge_order=2))(fine)
    most = share.max() * table.effective_speed(height_m=fine, **at) ** 3
    power = np.minimum(np.maximum(cubic, 0.0) ** 3, most)
    assert table.rotor_power(height_m=fine, **at) == pytest.approx(flux * power, abs=1e-12)

    at = anywhere(300)
    found = table.rotor_power(**at)
    assert np.all((found >= 0.0) & np.isfinite(found))
    assert np.all(table.value("power_coefficient", **at) <= share.max())
    thin = table.rotor_power(density_kg_m3=0.9, **at)
    assert thin == pytest.approx(0.75 * found)
    assert table.rotor_area_m2 == 2.5
    outside = {name: values[:1] for name, values in at.items()} | {"height_m": np.array([9.0])}
    assert np.isnan(table.rotor_power(outside="flag", **outside)).all()
    assert np.isfinite(table.rotor_power(outside="clip", **outside)).all()
    with pytest.raises(CaseError, match="height_m = 9 m"):
        table.rotor_power(**outside)


def test_a_table_without_a_rotor_says_so(tmp_path):
    variables = values_of()
    del variables["power_coefficient"]
    table = wakesim.open_table(write(tmp_path / "table.h5", variables))
    with pytest.raises(CaseError, match=r"holds no rotor: its case has no \[rotor\]"):
        table.rotor_power(**AT)


def test_as_a_data_set_and_as_rows(path):
    import xarray

    table = wakesim.open_table(path)
    with xarray.open_dataset(path) as read:
        xarray.testing.assert_identical(table.to_xarray().drop_attrs(), read.load().drop_attrs())
    frame = table.to_pandas()
    assert list(frame.columns[:6]) == [*AXES, "effective_speed_m_s"]
    assert frame["drift_m_s"].to_numpy().tobytes() == values_of()["drift"].tobytes()


# --- damaged --------------------------------------------------------------------------------------


def mutated(data: bytes, seed: int) -> bytes:
    """The file with some bytes changed, moved, repeated or cut off."""
    rng = np.random.default_rng(seed)
    out = bytearray(data)
    kind = seed % 8
    if kind == 5:
        return bytes(out[: rng.integers(1, len(out))])
    if kind == 6:  # a piece copied over another one
        size = int(rng.integers(1, 400))
        a, b = rng.integers(0, len(out) - size, 2)
        out[a : a + size] = out[b : b + size]
        return bytes(out)
    if kind == 7:  # a piece of zeros or ones
        size, start = int(rng.integers(1, 64)), int(rng.integers(0, len(out)))
        out[start : start + size] = bytes([rng.choice([0, 255])]) * size
        return bytes(out)
    # Half of the changes hit the structure, which lies between the blocks of numbers.
    places = np.flatnonzero(np.frombuffer(data, np.uint8) == 0) if kind % 2 else np.arange(len(out))
    for place in rng.choice(places, 1 + kind * int(rng.integers(1, 6))):
        out[place] = rng.integers(0, 256)
    return bytes(out)


def opens_or_refuses(folder: Path, data: bytes, seed: int) -> bool:
    """Whether a mutated file is still a table; anything but a table or a refusal is an error."""
    path = folder / "x.h5"
    path.write_bytes(mutated(data, seed))
    began = time.perf_counter()
    table, problems = None, []
    try:
        table = wakesim.open_table(path)
    except CaseError as error:
        problems = error.problems
    assert time.perf_counter() - began < SECONDS
    if table is None:
        assert len(problems) == 1
        return False
    assert all(np.all(np.diff(axis) > 0) for axis in table.axes.values())
    middle = {n: float(0.5 * (v[0] + v[-1])) for n, v in table.axes.items()}
    for name in table.variables:
        assert np.isfinite(table.value(name, **middle)) or table.is_unknown(name, **middle)
    return True


def test_damaged_tables_are_refused_in_bounded_time(good, tmp_path):
    kept = [opens_or_refuses(tmp_path, good, seed) for seed in range(8)]  # a seed of each kind
    assert sum(kept) < len(kept)
    harmless = good.replace(b"a sentence", b"A sentence", 1)
    assert harmless != good
    (tmp_path / "y.h5").write_bytes(harmless)
    assert len(wakesim.open_table(tmp_path / "y.h5").axes) == len(AXES)


@pytest.mark.slow
def test_two_thousand_damaged_tables(good, tmp_path):
    """About twenty minutes on a slow core."""
    kept = [opens_or_refuses(tmp_path, good, seed) for seed in range(24, 2024)]
    assert 0 < sum(kept) < len(kept)


# --- hostile --------------------------------------------------------------------------------------


def replaced(file: h5py.File, name: str, **options) -> h5py.Dataset:
    """A data set in the place of another one, on the same axes."""
    axes = [d[0] for d in file[name].dims] if name == "drift" else []
    del file[name]
    data = file.create_dataset(name, **options)
    for i, axis in enumerate(axes[: len(data.shape)]):
        if axis.shape[0] == data.shape[i]:
            data.dims[i].attach_scale(axis)
    return data


def external_storage(file: h5py.File, folder: Path) -> None:
    """Bytes of a text file as if they were speeds."""
    (folder / "secret.txt").write_bytes(b"user:password " * 2000)
    size = int(np.prod(SHAPE)) * 8
    replaced(
        file, "drift", shape=SHAPE, dtype="<f8", external=[(str(folder / "secret.txt"), 0, size)]
    )


def virtual(file: h5py.File, folder: Path) -> None:
    with h5py.File(folder / "other.h5", "w") as other:
        other["drift"] = np.ones(SHAPE)
    layout = h5py.VirtualLayout(SHAPE, "<f8")
    layout[...] = h5py.VirtualSource(folder / "other.h5", "drift", SHAPE)
    axes = [d[0] for d in file["drift"].dims]
    del file["drift"]
    data = file.create_virtual_dataset("drift", layout)
    for i, axis in enumerate(axes):
        data.dims[i].attach_scale(axis)


def external_link(file: h5py.File, folder: Path) -> None:
    with h5py.File(folder / "other.h5", "w") as other:
        other["drift"] = np.ones(SHAPE)
    del file["drift"]
    file["drift"] = h5py.ExternalLink(str(folder / "other.h5"), "/drift")


def soft_link(file: h5py.File, _: Path) -> None:
    del file["drift"]
    file["drift"] = h5py.SoftLink("/mean_speed")


def axis_of(values: list[float]) -> Callable[[h5py.File, Path], None]:
    def change(file: h5py.File, _: Path) -> None:
        file["height_m"][...] = values

    return change


def huge(file: h5py.File, _: Path) -> None:
    """9.7 kB that unpack to gigabytes."""
    shape = (*SHAPE[:-1], 2_000_000)
    replaced(file, "drift", shape=shape, dtype="<f8", chunks=(1, 1, 1, 1, 2_000_000), compression=9)


def other_shape(file: h5py.File, _: Path) -> None:
    replaced(file, "drift", data=np.ones((*SHAPE[:-1], 4)))


def single_precision(file: h5py.File, _: Path) -> None:
    replaced(file, "drift", data=np.ones(SHAPE, "f4"))


def text_for_numbers(file: h5py.File, _: Path) -> None:
    replaced(file, "drift", data=np.full(SHAPE, "a", dtype=object), dtype=h5py.string_dtype())


def a_group(file: h5py.File, _: Path) -> None:
    del file["drift"]
    file.create_group("drift")["drift"] = 1.0


def something_else(file: h5py.File, _: Path) -> None:
    file["more"] = np.ones(3)


def no_axis(file: h5py.File, _: Path) -> None:
    file["effective_speed"].dims[2].detach_scale(file["flow_veh_h"])


def one_axis_twice(file: h5py.File, _: Path) -> None:
    data = file["effective_speed"]
    data.dims[3].detach_scale(file["wind_speed_m_s"])
    data.dims[3].attach_scale(file["flow_veh_h"])


def infinite(file: h5py.File, _: Path) -> None:
    file["mean_speed"][1, 2, 3, 0, 1] = np.inf


def impossible(file: h5py.File, _: Path) -> None:
    file["mean_speed"][1, 2, 3, 0, 1] = -2.0


def beyond_betz(file: h5py.File, _: Path) -> None:
    file["power_coefficient"][1, 2, 3, 0, 1] = 0.6


def attribute(name: str, value: object) -> Callable[[h5py.File, Path], None]:
    def change(file: h5py.File, _: Path) -> None:
        del file.attrs[name]
        file.attrs[name] = value

    return change


HOSTILE: dict[str, tuple[Callable[[h5py.File, Path], None], str]] = {
    "external storage": (external_storage, "drift is stored outside the file"),
    "virtual": (virtual, "drift is stored outside the file"),
    "external link": (external_link, "drift is a link"),
    "soft link": (soft_link, "drift is a link"),
    "NaN axis": (axis_of([1.0, 2.0, np.nan, 4.0, 5.0]), "height_m holds values that no axis has"),
    "falling axis": (axis_of([5.0, 4.0, 3.0, 2.0, 1.0]), "height_m do not rise"),
    "equal values": (axis_of([1.0, 2.0, 2.0, 4.0, 5.0]), "height_m do not rise"),
    "huge": (huge, "drift has a size that no table has"),
    "other shape": (other_shape, "drift does not lie over"),
    "single precision": (single_precision, "double precision"),
    "text": (text_for_numbers, "double precision"),
    "group": (a_group, "drift is no array"),
    "something else": (something_else, "something that no table has"),
    "no axis": (no_axis, "a dimension has no axis"),
    "axis twice": (one_axis_twice, "a dimension has no axis"),
    "infinite": (infinite, "mean_speed holds values outside 0 to 200"),
    "impossible": (impossible, "mean_speed holds values outside 0 to 200"),
    "format": (attribute("format", TABLE_FORMAT + "0"), '"format" is not'),
    "format in bytes": (attribute("format", np.bytes_(b"\xff\xfe")), '"format" is not'),
    "density in words": (attribute("air_density_kg_m3", "thin"), "no density of air"),
    "no density": (attribute("air_density_kg_m3", np.nan), "no density of air"),
    "no swept area": (attribute("rotor_area_m2", -1.0), "rotor_area_m2 is no swept area"),
    "area in words": (attribute("rotor_area_m2", "wide"), "rotor_area_m2 is no swept area"),
    "beyond Betz": (beyond_betz, "power_coefficient holds values outside 0 to 0.592593"),
    "array": (attribute("text_3", np.arange(4.0)), "neither text nor number"),
}


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_tables_are_refused(name, path):
    """By the check itself, in this process."""
    change, words = HOSTILE[name]
    with h5py.File(path, "r+") as file:
        change(file, path.parent)
    request = table_reader._request(path, path.stat().st_size)
    with pytest.raises(table_file.NoTable, match=re.escape(words)):
        table_file.hand_over(request, io.BytesIO())


@pytest.mark.parametrize("name", ["external storage", "falling axis", "format in bytes"])
def test_a_refusal_is_one_line(name, path):
    change, words = HOSTILE[name]
    with h5py.File(path, "r+") as file:
        change(file, path.parent)
    line = refusal(path)
    assert words in line
    assert "password" not in line


@pytest.mark.skipif(os.name != "posix", reason="measured where memory of children is known")
def test_a_small_file_takes_no_gigabytes(path):
    with h5py.File(path, "r+") as file:
        huge(file, path.parent)
    assert path.stat().st_size < 200_000
    script = (
        "import resource, sys, wakesim\n"
        "try:\n"
        "    wakesim.open_table(sys.argv[1])\n"
        "except wakesim.CaseError:\n"
        "    print(resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss)\n"
    )
    found = subprocess.run(
        [sys.executable, "-c", script, str(path)], capture_output=True, text=True, check=True
    )
    assert int(found.stdout) < 1_000_000  # kB, of the process that reads


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_a_pipe_is_refused_at_once(tmp_path):
    os.mkfifo(tmp_path / "table.h5")
    assert "is no regular file" in refusal(tmp_path / "table.h5")


def test_a_reader_that_hangs_is_stopped(path, monkeypatch, tmp_path):
    """Whatever the library does with a file, the answer comes."""
    script = tmp_path / "hangs.py"
    script.write_text("while True: pass\n", encoding="utf-8")
    monkeypatch.setattr(table_file, "__file__", str(script))
    monkeypatch.setattr(table_reader, "_LEAST_CPU_S", 1)
    monkeypatch.setattr(table_reader, "_CLOCK_FACTOR", 1)
    assert "takes too long" in refusal(path)
    script.write_text("import os; os.abort()\n", encoding="utf-8")
    assert "damaged" in refusal(path)


# --- states that failed ---------------------------------------------------------------------------


def test_a_failed_state_spoils_only_the_lookups_that_need_it(tmp_path):
    whole = wakesim.open_table(write(tmp_path / "whole.h5"))
    variables = values_of()
    for values in variables.values():
        values[2, 4, 0, 0, 0] = np.nan  # a corner: offset 4, height 5, flow 100, no wind, along
    table = wakesim.open_table(write(tmp_path / "table.h5", variables))
    far = dict(AT, height_m=np.array([1.0, 1.4, 2.0]), offset_m=1.0)
    assert np.array_equal(table.effective_speed(**far), whole.effective_speed(**far))
    assert not table.is_unknown(**far).any()

    corner = {"offset_m": 4.0, "flow_veh_h": 100.0, "wind_speed_m_s": 0.0, "wind_angle_deg": 0.0}
    heights = np.array([3.0, 4.0, 4.5, 5.0])
    found = table.effective_speed(height_m=heights, **corner)
    unknown = table.is_unknown(height_m=heights, **corner)
    # at a node no other value counts; beside the failed state it does
    assert unknown.tolist() == [False, False, True, True]
    assert np.array_equal(np.isnan(found), unknown)
    expected = whole.effective_speed(height_m=heights, **corner)
    assert found[~unknown] == pytest.approx(expected[~unknown], rel=1e-12)

    rng = np.random.default_rng(3)
    anywhere = {n: rng.uniform(v[0], v[-1], 400) for n, v in AXES.items()}
    found, usual = table.drift(**anywhere), whole.drift(**anywhere)
    unknown = table.is_unknown("drift", **anywhere)
    assert 0 < unknown.sum() < 400
    assert np.array_equal(np.isnan(found), unknown)
    assert found[~unknown] == pytest.approx(usual[~unknown], rel=1e-9, abs=1e-9)
    low, high = table.model_interval(**far)
    assert np.isfinite([low, high]).all()
    low, high = table.model_interval(**anywhere)
    assert np.array_equal(np.isnan(low), np.isnan(high))
    speed = table.effective_speed(**anywhere)
    sure = np.isfinite(speed)
    assert np.all((low[sure] <= speed[sure]) & (speed[sure] <= high[sure]))
    assert np.isfinite(table.rotor_power(**far)).all()
