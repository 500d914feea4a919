"""Invented records with known constants: those of cases/compare, and others for the tests.

The air is made as ``wakesim run`` makes it (lines, superposition, von Karman noise), not by the
code under test: a displacement flow of other strength, wakes of other spread, turbulence, wind with
gusts; then the mean over 0.1 s, noise, steps of 0.01 m/s and gaps.

    python tests/invented_record.py      # writes cases/compare/record.csv and passes.csv again
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np

from wakesim.air.noise import resolved_share, von_karman_noise
from wakesim.case.load import load_case
from wakesim.records.forward import point_mount
from wakesim.runtime import cases_path
from wakesim.traffic.mount_air import mount_air
from wakesim.traffic.scene import draw_round, field_settings, prepare_scene, scene_lines, with_drag
from wakesim.traffic.superpose import superpose
from wakesim.vehicle.wake import SHARE_U, SHARE_V

FINE_S, AVERAGE = 0.025, 4
BEFORE_S = 45.0  # logged before the record begins
CLOCK_S = 100.0  # the record's clock at its first sample


@dataclass(frozen=True)
class Truth:
    """What a record is made with; ``scale`` multiplies all velocities."""

    pulse: float = 0.9
    spread: float = 0.85
    turbulence: float = 1.2
    offset_s: float = 0.7  # the log's clock is behind by so much
    time_sd_s: float = 0.05
    wind_m_s: tuple[float, float] = (0.07, 0.40)
    gusts_m_s: float = 0.15
    scale: float = 1.0


CASE_CONSTANTS = Truth(pulse=1.0, spread=1.1, turbulence=1.0)


def invent(case, seconds=1080.0, truth=Truth(), seed=1, gaps=True):
    """(time, u, v, speed) of a record (n,) from 0 s on, and the logged passes.

    The speed is the mean of speeds that a logger keeps, not the size of the mean velocity.
    """
    rng = np.random.default_rng([seed, 5])
    hours = case.compute.model_copy(update={"duration_h": max(1.0, seconds / 3600.0)})
    case = replace(case, compute=hours)
    passes = draw_round(case, seed, BEFORE_S)
    passes = passes.take(passes.time_s < seconds + 5.0)
    scene = prepare_scene(case, point_mount(case.mounts[0]))
    base = field_settings(case)
    law = base.constants.law
    named = {} if law == "section" else {f"{law}_spread": truth.spread}
    constants = replace(base.constants, turbulence_factor=truth.turbulence, **named)
    settings = replace(base, constants=constants)
    air = mount_air(scene, settings, coarse=True)
    lines = scene_lines(scene, settings, air.viscosity, memory_s=air.memory_s)
    n = round(seconds / FINE_S) + 1
    acting = with_drag(scene, passes, air.drag_factor)
    field = superpose(lines, scene.view_of, acting, len(case.vehicles), 0.0, n, FINE_S)
    pulse_u, pulse_v, wake_u, k = field[:, :, :, 4].sum(axis=0).T
    kept = np.sqrt(resolved_share(FINE_S, 0.2))
    u, v = truth.pulse * pulse_u + wake_u, truth.pulse * pulse_v
    u = u + air.by_class.sum(axis=1)[0, 4]
    whole = []
    for mean, share, wind in ((u, SHARE_U, truth.wind_m_s[0]), (v, SHARE_V, truth.wind_m_s[1])):
        eddies = kept * von_karman_noise(n, FINE_S, 0.2, rng)
        gusts = truth.gusts_m_s * von_karman_noise(n, FINE_S, 8.0, rng)
        total = mean + np.sqrt(2.0 * share * np.maximum(k, 0.0)) * eddies + wind + gusts
        whole.append(truth.scale * total)
    out = [np.round(logged_mean(x, rng), 2) for x in (*whole, np.hypot(*whole))]
    time = FINE_S * AVERAGE * np.arange(1, out[0].size + 1)
    keep = np.ones(time.size, dtype=bool)
    if gaps:
        for start in rng.uniform(0.0, seconds, 4):
            keep &= (time < start) | (time > start + rng.uniform(2.0, 12.0))
    errors = truth.time_sd_s * rng.standard_normal(len(passes))
    logged = replace(passes, time_s=passes.time_s - truth.offset_s + errors)
    return time[keep], out[0][keep], out[1][keep], np.abs(out[2][keep]), logged


def logged_mean(values, rng):
    """Means over the 0.1 s that end at each logged sample, with noise of 0.03 m/s."""
    sums = np.concatenate([[0.0], np.cumsum(0.5 * (values[1:] + values[:-1]))])
    mean = (sums[AVERAGE::AVERAGE] - sums[:-AVERAGE:AVERAGE]) / AVERAGE
    return mean + 0.03 * rng.standard_normal(mean.size)


HEAD = """\
# invented data: made by the program's own laws with constants other than the case's, not measured
# sonic at 1.5 m above the road, 1.2 m from the edge line; time_s on the logger's clock
"""


def write(folder, case, truth=Truth(), columns="u, v", name="record", **options):
    """Write record and passing log into a folder; their paths."""
    time, u, v, speed, logged = invent(case, truth=truth, **options)
    record, passes = Path(folder, f"{name}.csv"), Path(folder, f"{name}-passes.csv")
    lines = [HEAD + ("time_s,u_m_s,v_m_s" if columns == "u, v" else "time_s,speed_m_s")]
    for t, a, b, c in zip(time + CLOCK_S, u, v, speed, strict=True):
        values = f"{a:.2f},{b:.2f}" if columns == "u, v" else f"{c:.2f}"
        lines.append(f"{t:.1f},{values}")
    record.write_text("\n".join(lines) + "\n", encoding="utf-8")
    names, lanes = list(case.vehicles), case.road.lanes
    rows = [HEAD.splitlines()[0] + "\ntime_s,class,carriageway,lane,speed_kmh"]
    order = np.argsort(logged.time_s, kind="stable")
    written = set()
    for i in order:
        lane = lanes[logged.lane[i]]
        stamp = round(logged.time_s[i] + CLOCK_S, 2)
        while (lane.name, stamp) in written:  # two cannot be at one place
            stamp = round(stamp + 0.01, 2)
        written.add((lane.name, stamp))
        rows.append(
            f"{stamp:.2f},{names[logged.vehicle[i]]},{lane.carriageway},"
            f"{lane.number},{3.6 * logged.speed_m_s[i]:.0f}"
        )
    passes.write_text("\n".join(rows) + "\n", encoding="utf-8")
    return record, passes


def main():
    """Write the example's files again."""
    folder = cases_path("compare")
    record, passes = write(folder, load_case(folder / "post.toml"))
    passes.replace(folder / "passes.csv")
    print(record.stat().st_size, "bytes")


if __name__ == "__main__":
    main()
