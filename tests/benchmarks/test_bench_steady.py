"""Exact statistics of the main case's busiest hour: a map, further states, and the Monte Carlo.

Run with: pytest tests/benchmarks/test_bench_steady.py -s
"""

from __future__ import annotations

import numpy as np
from timing import BUSY_HOUR, busiest_hour, timed

from wakesim.measures import series
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.point_statistics import (
    PointAir,
    point_statistics,
    pulse_fields,
)
from wakesim.traffic.scene import (
    draw_round,
    field_settings,
    prepare_scene,
    round_noise,
    scene_lines,
    with_drag,
)
from wakesim.vehicle.passfield import _solved_hull
from wakesim.vehicle.pulse_grid import pulse_table


def test_map_and_further_states():
    case = busiest_hour()
    y, z = np.meshgrid(np.linspace(-12.0, 12.0, 40), np.linspace(0.5, 8.0, 30), indexing="ij")
    points = np.column_stack([y.ravel(), z.ravel()])
    settings = field_settings(case)
    point_statistics(case, points[-9:], pulses=pulse_fields(settings))  # compiled
    pulses = pulse_fields(settings)
    _solved_hull.cache_clear()
    pulse_table.cache_clear()
    _, wall, cpu = timed(lambda: [pulses.table(v) for v in case.vehicles.values()])
    print(f"\npulse tables, {len(case.vehicles)} classes: {wall:.2f} s (CPU {cpu:.2f} s)")
    state, wall, cpu = timed(point_statistics, case, points, settings=settings, pulses=pulses)
    done = int(np.isfinite(state.mean_cube_m3_s3).sum())
    print(f"map of 40 x 30 points ({done} free of vehicles): {wall:.2f} s (CPU {cpu:.2f} s)")
    mount = case.mounts[0]
    rotor, _ = mount.points()
    point_statistics(case, rotor, hours=[6, BUSY_HOUR], settings=settings, pulses=pulses)
    options = {"settings": settings, "pulses": pulses}
    _, wall_1, cpu_1 = timed(point_statistics, case, rotor, hours=[BUSY_HOUR], **options)
    _, wall_24, cpu_24 = timed(point_statistics, case, rotor, hours=range(24), **options)
    print(f"one rotor, one state in new air: {1e3 * wall_1:.0f} ms (CPU {1e3 * cpu_1:.0f} ms)")
    more = (wall_24 - wall_1) / 23, (cpu_24 - cpu_1) / 23
    print(f"a further state in the same air: {1e3 * more[0]:.1f} ms (CPU {1e3 * more[1]:.1f} ms)")
    assert more[1] < cpu_1
    assert state.effective_speed_m_s[0, -1] > 0.0


def test_against_the_monte_carlo_at_equal_accuracy():
    """Time that the series needs for a standard error of 0.1 %, which the exact method keeps."""
    case = busiest_hour()
    mount = case.mounts[0]
    rotor, shares = mount.points()
    scene, settings = prepare_scene(case, mount), field_settings(case)
    pulses, lines = pulse_fields(settings), scene_lines(scene, settings, np.zeros(1))
    air, samples, blocks = mount_air(scene, settings), 72000, []
    point_statistics(case, rotor, settings=settings, pulses=pulses)

    def rounds(first, last):
        for number in range(first, last):
            passes = with_drag(scene, draw_round(case, number, 60.0), air.drag_factor)
            noise = round_noise(scene, number, samples)
            for part in series.walk(scene, lines, passes, 0.0, samples, noise, air):
                blocks.append(np.mean(part.speed**3))

    rounds(0, 1)
    blocks.clear()
    _, _, cpu = timed(rounds, 1, 7)
    _, _, exact = timed(point_statistics, case, rotor, settings=settings, pulses=pulses)
    error = np.std(blocks, ddof=1) / np.sqrt(len(blocks)) / np.mean(blocks) / 3.0
    needed = cpu * (error / 1e-3) ** 2
    found = (
        shares @ point_statistics(case, rotor, settings=settings, pulses=pulses).mean_cube_m3_s3[0]
    )
    assert abs(np.cbrt(found / np.mean(blocks)) - 1.0) < 4.0 * error + 0.003
    print(
        f"\nMonte Carlo: {100 * error:.2f} % in {cpu:.1f} s of CPU, 0.1 % in {needed:.0f} s; "
        f"exact: {exact:.2f} s; ratio {needed / exact:.0f}"
    )
    assert needed > 20.0 * exact


def test_one_sight_costs_little():
    """Sampling the passes at a point is cheaper than reducing and integrating its measure."""
    air = PointAir(busiest_hour())
    points = np.column_stack([np.full(64, 4.5), np.linspace(0.5, 6.0, 64)])
    air.sampler(points, 0.0).samples()
    samples, _, cpu = timed(air.sampler(points, 0.0).samples)
    drag = np.ones(len(air.views))
    _, _, rest = timed(lambda: [air.measure(s, 0, drag).reduced(240) for s in samples])
    print(f"\nper point: sampled in {1e3 * cpu / 64:.2f} ms, reduced in {1e3 * rest / 64:.2f} ms")
    assert cpu < 20.0 * rest
