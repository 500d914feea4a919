"""Cost of the marched wakes of all classes and of the balance of a day, as ratios.

Run with: pytest tests/benchmarks/test_bench_section.py -s
"""

from __future__ import annotations

import numpy as np
from timing import main_case, numpy_sweeps, timed

from wakesim.section import wake
from wakesim.section.wake import march_wake, prepare_tables
from wakesim.traffic.mean_air import closure_of, prepare_wakes, road_air, wake_start
from wakesim.traffic.scene import case_views, field_settings

LEVELS_M2_S = (0.3, 0.6)  # eddy viscosities of a quiet and of a busy hour of the main case


def main_sights():
    case = main_case()
    settings = field_settings(case)
    _, views, rates = case_views(case, case.compute.hours)
    return case, settings, views, rates


def test_wakes_of_all_classes(capsys):
    case, settings, views, _ = main_sights()
    prepare_wakes(views[:1], settings)  # compiled
    wake._wake_table.cache_clear()
    _, wall, cpu = timed(prepare_wakes, views, settings, LEVELS_M2_S)
    tables = wake._wake_table.cache_info().currsize
    _, again, _ = timed(prepare_wakes, views, settings, LEVELS_M2_S)
    wanted = [
        (v, wake_start(v, settings.constants), level)
        for v in case.vehicles.values()
        for level in (0, 3)
    ]
    wake._wake_table.cache_clear()
    _, one, _ = timed(prepare_tables, wanted, 1)
    wake._wake_table.cache_clear()
    _, two, _ = timed(prepare_tables, wanted, 2)
    lorry = case.vehicles["artic_lorry_eu"]
    table, _, alone = timed(march_wake, lorry, wake_start(lorry, settings.constants), 0.02)
    # u, k and eps: across, up and across, two stages each, in some 110 steps to 30 s and more
    repeats = 3 * 3 * 2 * table.x.size
    _, _, yard = timed(numpy_sweeps, table.u.shape[1:], repeats)
    with capsys.disabled():
        print(
            f"\n{tables} tables of {len(case.vehicles)} classes: {wall:.2f} s (CPU {cpu:.2f} s); "
            f"two threads over one {two / one:.2f}; a lorry's table {1e3 * alone:.0f} ms of CPU, "
            f"{alone / yard:.2f} of numpy's sweeps alone"
        )
    assert again < 0.05 * wall
    assert cpu / tables < 2.0 * alone  # the lorry's is the largest but one
    assert alone < 2.0 * yard


def test_balance_of_a_day(capsys):
    case, settings, views, rates = main_sights()
    prepare_wakes(views, settings)
    road_air(case, views, rates[:1], settings, None)
    first, one, one_cpu = timed(road_air, case, views, rates[7:8], settings, None)
    air, wall, cpu = timed(road_air, case, views, rates, settings, None)
    section, state = first.section, first.states[0]
    fields, still = section.at_rest(), (np.zeros_like(state.u),) * 3
    section.step(fields, still, 0.0, 1.0, closure_of(settings))

    def march():
        for _ in range(100):
            section.step(fields, still, 1.0, 1.0, closure_of(settings))

    _, _, yard = timed(march)
    shape = air.section.grid.shape
    with capsys.disabled():
        print(
            f"\n24 hours on {shape[0]} x {shape[1]} cells: {wall:.2f} s (CPU {cpu:.2f} s), "
            f"{wall / one:.1f} times the wall of one hour; an hour from nothing costs as much as "
            f"{100.0 * one_cpu / yard:.0f} s marched in steps of 1 s"
        )
    assert cpu < 24.0 * one_cpu  # hours start from the one before
    assert one_cpu < 4.0 * yard
