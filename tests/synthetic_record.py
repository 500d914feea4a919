"""Synthetic anemometer records of known constants, for tests of the fit.

The velocity is made as ``wakesim run`` makes it (lines, superposition, von Karman noise), not by
the code under test: true passes about the logged ones, turbulence, slow wind and gusts, the mean
over each sampling interval, noise and gaps.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from one_lane_road import FAR, FAR_FLOW, text_of

from wakesim.air.noise import resolved_share, von_karman_noise
from wakesim.case.load import load_case_text
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.forward import LogErrors, forward, point_mount, spread_nodes
from wakesim.traffic.scene import draw_round, field_settings, prepare_scene, scene_lines
from wakesim.traffic.superpose import superpose
from wakesim.vehicle.wake import SHARE_U, SHARE_V

FINE_S = 0.025
AVERAGE = 4  # fine samples in one of the record


def mean_of_interval(u, v, dt_s):
    """Instrument: running mean over 0.1 s, centred (trapezoidal rule)."""
    time = dt_s * np.arange(u.size)
    half = 0.5 * FINE_S * AVERAGE

    def smooth(x):
        area = np.concatenate([[0.0], np.cumsum(0.5 * dt_s * (x[1:] + x[:-1]))])
        out = np.interp(time + half, time, area) - np.interp(time - half, time, area)
        width = np.minimum(time + half, time[-1]) - np.maximum(time - half, 0.0)
        return out / width

    return smooth(u), smooth(v)


@dataclass(frozen=True)
class Truth:
    """What a record is made with."""

    pulse: float = 0.85
    spread: float = 0.8
    turbulence: float = 1.3
    time_sd_s: float = 0.08
    speed_sd: float = 0.03
    slow_sd_m_s: float = 0.3
    gust_sd_m_s: float = 0.15
    noise_m_s: float = 0.05
    offset_s: float = 0.0


class Site:
    """A road and its logged traffic; ``record`` draws measurements there."""

    def __init__(self, seconds=1200.0, truth=Truth(), seed=1, **case):
        usual = {"hours": 1.0, "memory": 15, "flow": 500, "heavy": 0.25, "wander": 0.2,
                 "light_mix": "{ small_car = 1.0 }",
                 "far": FAR, "far_flow": FAR_FLOW, "offset": 1.5, "drift": False}  # fmt: skip
        usual |= case
        if not usual.pop("drift"):
            usual["air"] = "still = true\ndrift = { enabled = false }"
        law = '[model]\nwake_law = "couple"'  # its spread shows in a record most clearly
        text = text_of(**usual).replace("[model]", law)
        self.case = load_case_text(text, "synthetic.toml")
        self.mount, self.truth, self.seconds = self.case.mounts[0], truth, seconds
        self.logged = draw_round(self.case, seed, 30.0)
        own = self.case.traffic.wander_sd_m
        self.logged = replace(self.logged, wander_m=np.zeros(len(self.logged)))
        self.wander_sd_m = own
        self.scene = prepare_scene(self.case, point_mount(self.mount))
        base = field_settings(self.case)
        name = self.case.model.wake_law + "_spread"
        constants = replace(
            base.constants, turbulence_factor=truth.turbulence, **{name: truth.spread}
        )
        self.lines = scene_lines(self.scene, replace(base, constants=constants), np.zeros(1))

    def forward(self, margin_s=0.0, errors=None, **options):
        """The model of the logged passes over the record."""
        errors = LogErrors(self.truth.time_sd_s, self.truth.speed_sd) if errors is None else errors
        return forward(
            self.case, self.mount, self.logged, -margin_s, self.seconds + margin_s,
            respond=mean_of_interval, errors=errors,
            **({"spreads": spread_nodes(self.case), "log_span_s": (-30.0, 1e4)} | options),
        )  # fmt: skip

    def record(self, seed, speed=False, gaps=True):
        """One draw of a record."""
        rng, truth = np.random.default_rng([seed, 77]), self.truth
        n = len(self.logged)
        wander = np.clip(rng.standard_normal(n), -3, 3) * self.wander_sd_m
        speed_error = 1.0 + truth.speed_sd * rng.standard_normal(n)
        true = replace(
            self.logged,
            time_s=self.logged.time_s + truth.time_sd_s * rng.standard_normal(n) + truth.offset_s,
            speed_m_s=self.logged.speed_m_s * speed_error,
            wander_m=wander,
        )
        samples = round(self.seconds / FINE_S)
        field = (
            superpose(
                self.lines, self.scene.view_of, true, len(self.case.vehicles), 0.0, samples, FINE_S
            )[:, :, :, 4]
            .sum(axis=0)
            .T
        )
        gust = [truth.slow_sd_m_s * von_karman_noise(samples, FINE_S, 60.0, rng)
                + truth.gust_sd_m_s * von_karman_noise(samples, FINE_S, 2.0, rng)
                for _ in range(2)]  # fmt: skip
        # the part of the spectrum above 20 Hz is lost in the mean over 0.1 s, not folded into it
        kept = np.sqrt(resolved_share(FINE_S, 0.2))
        eddy = [kept * von_karman_noise(samples, FINE_S, 0.2, rng) for _ in range(2)]
        u = truth.pulse * field[0] + field[2] + np.sqrt(2 * SHARE_U * field[3]) * eddy[0] + gust[0]
        v = truth.pulse * field[1] + np.sqrt(2 * SHARE_V * field[3]) * eddy[1] + gust[1]
        u, v = (x[::AVERAGE] for x in mean_of_interval(u, v, FINE_S))
        u, v = (x + truth.noise_m_s * rng.standard_normal(x.size) for x in (u, v))
        time = FINE_S * AVERAGE * np.arange(u.size)
        keep = np.ones(u.size, dtype=bool)
        if gaps:
            for start in rng.uniform(0, self.seconds, 6):
                keep &= (time < start) | (time > start + rng.uniform(1.0, 20.0))
        return AnemometerRecord(
            time_s=time[keep],
            speed_m_s=np.hypot(u, v)[keep],
            u_m_s=None if speed else u[keep],
            v_m_s=None if speed else v[keep],
            w_m_s=None,
            dt_s=FINE_S * AVERAGE,
            start=None,
            gap_share=float(1.0 - keep.mean()),
            path="synthetic.csv",
            sha256="0" * 64,
        )
