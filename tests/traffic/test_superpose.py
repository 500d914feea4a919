"""Superposition: against a plain sum, Campbell's theorem, and symmetry.

Campbell 1909, Rice 1944: for Poisson passes at rate lambda of a signature f the cumulants of the
sum are lambda times the integrals of f, f^2, f^3 over time.
"""

from __future__ import annotations

import numba
import numpy as np
import pytest

from wakesim.case.mounts import Mount
from wakesim.case.vehicle import catalogue
from wakesim.studies.single_pass import signature
from wakesim.traffic.lines import FieldSettings, LaneView, build_library
from wakesim.traffic.series_kernels import add_lines
from wakesim.traffic.stream import Passes
from wakesim.traffic.superpose import superpose, view_table
from wakesim.vehicle.wake import WakeConstants

MOUNT = Mount(
    name="m", kind="post", offset_m=1.6, height_m=1.5, rotor_width_m=0.6, rotor_height_m=0.6
)
POINTS = MOUNT.points()[0]
DT = 0.05


def make_passes(time, speed, lane=0, vehicle=0, wander=0.0):
    time = np.atleast_1d(np.asarray(time, dtype=float))
    n = time.size
    return Passes(
        time,
        np.broadcast_to(np.asarray(lane, dtype=np.int32), n),
        np.broadcast_to(np.asarray(vehicle, dtype=np.int32), n),
        np.broadcast_to(np.asarray(speed, dtype=float), n).copy(),
        np.broadcast_to(np.asarray(wander, dtype=float), n).copy(),
        np.ones(n),
    )


def library_of(views, memory=12.0, wander=0.25):
    settings = FieldSettings(WakeConstants(), True, memory, wander, 0.5)
    return build_library(tuple(views), POINTS, settings), settings


def test_kernel_against_plain_interpolation():
    rng = np.random.default_rng(1)
    data = rng.normal(size=(90, 8))
    first, rows = np.array([0, 40]), np.array([40, 50])
    line = rng.integers(0, 2, 60)
    start, step = rng.uniform(-60, 45, 60), rng.uniform(0.2, 3.0, 60)
    gain = rng.normal(size=(60, 2))
    n = 77
    out = np.zeros((n, 10))
    add_lines(data, first, rows, line, start, step, gain, 4, 16, 2, out)
    expected = np.zeros((n, 10))
    i = np.arange(n)
    for e in range(60):
        mine = data[first[line[e]] : first[line[e]] + rows[line[e]]]
        position = start[e] + i * step[e]
        for c in range(8):
            value = np.interp(position, np.arange(len(mine)), mine[:, c])
            inside = (position >= 0) & (position < len(mine) - 1)
            expected[:, 2 + c] += np.where(inside, value, 0.0) * gain[e, c // 4]
    assert out == pytest.approx(expected, abs=1e-12)


def test_one_pass_is_its_signature():
    vehicle = catalogue()["artic_lorry_eu"]
    view = LaneView(vehicle, -1.825, 1, 24.0, 1.4)
    library, settings = library_of([view])
    table = view_table(1, 1, [(0, 0)])
    field = superpose(library, table, make_passes(5.0, 24.0), 1, 0.0, 400, DT)[0, :, :, 4]
    expected = signature(view, "near 1", MOUNT, settings)
    at = np.arange(400) * DT - 5.0
    inside = (at > -1.5) & (at < 10.0)

    def along(values):
        return np.interp(at[inside], expected.time_s, values)

    peak = expected.peak_m_s
    assert field[inside, 0] == pytest.approx(along(expected.pulse_u_m_s), abs=0.01 * peak)
    assert field[inside, 1] == pytest.approx(along(expected.v_m_s), abs=0.01 * peak)
    assert field[inside, 2] == pytest.approx(along(expected.wake_u_m_s), abs=0.01 * peak)


@pytest.mark.parametrize("name", ["small_car", "artic_lorry_eu"])
def test_poisson_cumulants_are_campbells(name):
    """Mean, variance and third cumulant within 4 standard errors of the independent signature."""
    vehicle, speed, rate = catalogue()[name], 25.0, 0.15
    view = LaneView(vehicle, -1.825, 1, speed, 0.0)
    library, settings = library_of([view], wander=0.0)
    exact = signature(view, "lane", MOUNT, settings)
    # the lines fade over the last tenth of the wake memory; so must the reference
    age = (exact.time_s * speed - vehicle.length_m) / speed
    fade = np.clip((settings.wake_memory_s - age) / (0.1 * settings.wake_memory_s), 0.0, 1.0)
    f = exact.pulse_u_m_s + exact.wake_u_m_s * fade
    dt = exact.time_s[1] - exact.time_s[0]
    cumulants = [rate * np.sum(f**k) * dt for k in (1, 2, 3)]
    hours, samples = 30, 36000
    rng = np.random.default_rng(2024)
    table = view_table(1, 1, [(0, 0)])
    blocks = []
    for _ in range(hours):
        count = rng.poisson(rate * (samples * DT + 60.0))
        time = rng.uniform(-50.0, samples * DT + 10.0, count)
        field = superpose(library, table, make_passes(time, speed), 1, 0.0, samples, DT)
        u = field[0, :, 0, 4] + field[0, :, 2, 4]
        centred = u - cumulants[0]
        # blocks of one minute, far longer than the 12 s memory
        parts = np.stack([u, centred**2, centred**3]).reshape(3, -1, 1200).mean(axis=2)
        blocks.append(parts)
    moments = np.concatenate(blocks, axis=1)
    error = moments.std(axis=1, ddof=1) / np.sqrt(moments.shape[1])
    deviation = (moments.mean(axis=1) - cumulants) / error
    assert np.all(np.abs(deviation) < 4.0), deviation
    assert np.all(error[:2] < 0.05 * np.abs(cumulants[:2]))


def two_way():
    vehicle = catalogue()["suv"]
    views = [LaneView(vehicle, -1.825, 1, 28.0, 2.0), LaneView(vehicle, 5.025, -1, 28.0, 2.0)]
    return library_of(views)[0], view_table(2, 1, [(0, 0), (1, 0)])


def traffic(n=300, lanes=2, seed=4):
    rng = np.random.default_rng(seed)
    return make_passes(
        np.sort(rng.uniform(0.0, 300.0, n)), rng.normal(28.0, 2.0, n),
        rng.integers(0, lanes, n), 0, rng.normal(0.0, 0.25, n),
    )  # fmt: skip


def test_result_does_not_depend_on_threads_or_windows():
    library, table = two_way()
    passes = traffic()
    whole = superpose(library, table, passes, 1, 0.0, 6000, DT)
    before = numba.get_num_threads()
    try:
        numba.set_num_threads(1)
        single = superpose(library, table, passes, 1, 0.0, 6000, DT)
    finally:
        numba.set_num_threads(before)
    assert np.array_equal(whole, single)
    parts = [superpose(library, table, passes, 1, k * 100.0, 2000, DT) for k in range(3)]
    assert np.concatenate(parts, axis=1) == pytest.approx(whole, abs=1e-9)


def test_sum_is_linear_in_the_passes():
    library, table = two_way()
    passes = traffic()
    whole = superpose(library, table, passes, 1, 0.0, 4000, DT)
    odd = np.arange(len(passes)) % 2 == 1
    halves = [superpose(library, table, passes.take(m), 1, 0.0, 4000, DT) for m in (odd, ~odd)]
    assert halves[0] + halves[1] == pytest.approx(whole, abs=1e-12)


def test_opposite_lanes_mirror_each_other():
    """The same vehicle the same distance away, driving the other way on the other side."""
    vehicle = catalogue()["panel_van"]
    y = MOUNT.offset_m
    views = [LaneView(vehicle, y - 3.0, 1, 25.0, 0.0), LaneView(vehicle, y + 3.0, -1, 25.0, 0.0)]
    library, _ = library_of(views)
    table = view_table(2, 1, [(0, 0), (1, 0)])
    one, other = (
        superpose(library, table, make_passes(4.0, 25.0, lane), 1, 0.0, 300, DT)[0, :, :, 4]
        for lane in (0, 1)
    )
    assert other[:, :3] == pytest.approx(-one[:, :3], abs=1e-6)  # u and v turn round
    assert other[:, 3] == pytest.approx(one[:, 3], abs=1e-12)  # turbulence does not


def test_nothing_is_felt_far_from_the_road():
    vehicle = catalogue()["artic_lorry_eu"]
    mount = MOUNT.model_copy(update={"offset_m": 50.0})
    view = LaneView(vehicle, -1.825, 1, 24.0, 1.4)
    settings = FieldSettings(WakeConstants(), True, 30.0, 0.25, 0.5)
    library = build_library((view,), mount.points()[0], settings)
    field = superpose(library, view_table(1, 1, [(0, 0)]), make_passes(3.0, 24.0), 1, 0.0, 700, DT)
    assert np.abs(field[0, :, :3]).max() < 0.01


def test_a_class_without_lines_is_refused():
    library, table = two_way()
    with pytest.raises(ValueError, match="not prepared"):
        superpose(library, np.full_like(table, -1), traffic(), 1, 0.0, 100, DT)
