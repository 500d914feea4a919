"""A synthetic, physically consistent result: pulses of Poisson traffic plus turbulence."""

from __future__ import annotations

import numpy as np

from wakesim import results
from wakesim.case.load import load_case_text
from wakesim.measures import results as measured
from wakesim.runtime import provenance
from wakesim.traffic.stream import Passes

DT_S = 0.05
HOUR_S = 150.0  # the synthetic clock hour is short
DENSITY = 1.225
SEED = 20260101

_VEHICLES = """
[vehicles.town_car]
label = "Town car"
length_m = 4.1
width_m = 1.75
height_m = 1.5
clearance_m = 0.15
frontal_area_m2 = 2.2
drag_coefficient = 0.31

[vehicles.delivery_van]
label = "Delivery van"
length_m = 5.9
width_m = 2.0
height_m = 2.6
clearance_m = 0.18
frontal_area_m2 = 4.4
drag_coefficient = 0.36

[vehicles.long_lorry]
label = "Long lorry"
length_m = 16.5
width_m = 2.55
height_m = 4.0
clearance_m = 0.35
frontal_area_m2 = 10.0
drag_coefficient = 0.6
heavy = true
"""

_SPEEDS = """
[traffic.speeds]
town_car = { mean_kmh = 110, sd_kmh = 12 }
delivery_van = { mean_kmh = 100, sd_kmh = 10 }
long_lorry = { mean_kmh = 85, sd_kmh = 4 }
"""

_ROAD = """
[road]
name = "Tarn Valley Expressway, Hollin Bridge to Cotter Lane"

[[road.carriageways]]
name = "near"
direction = "forward"
edge_offset_m = 0.0
lanes = 2
lane_width_m = 3.65
hard_shoulder_m = 3.3

[[road.carriageways]]
name = "far"
direction = "backward"
edge_offset_m = -20.1
lanes = 2
lane_width_m = 3.65
hard_shoulder_m = 3.3
"""

_FLOW = """
[[traffic.flows]]
carriageway = "{name}"
hourly_veh_h = [120, 90, 80, 100, 220, 600, 1400, 2100, 1900, 1500, 1400, 1450,
                1500, 1550, 1700, 2000, 2200, 2000, 1400, 900, 700, 500, 350, 200]
heavy_share = 0.1
light_mix = {{ town_car = 0.85, delivery_van = 0.15 }}
heavy_mix = {{ long_lorry = 1.0 }}
light_lane_share = [0.55, 0.45]
heavy_lane_share = [0.9, 0.1]
"""

_POST = """
[[mounts]]
name = "verge post"
kind = "post"
offset_m = 5.0
height_m = 2.0
rotor_width_m = 1.0
rotor_height_m = 2.0
"""

_WALL = """
[[mounts]]
name = "Noise wall 1.5"
kind = "wall"
offset_m = 4.6
height_m = 2.5
rotor_width_m = 1.2
rotor_height_m = 1.5
wall_offset_m = 6.0
"""

_RESERVATION = """
[[mounts]]
name = "middle"
kind = "central_reservation"
offset_m = -10.05
height_m = 2.2
rotor_width_m = 0.8
rotor_height_m = 1.6
"""

_OVERHEAD = """
[[mounts]]
name = "gantry"
kind = "overhead"
offset_m = -1.8
height_m = 6.5
rotor_width_m = 2.0
rotor_height_m = 1.0
"""


def traffic_text(
    *, title: str = "Post at Hollin Bridge", series: str = "stretch", drift: bool = True
) -> str:
    """Case text of a traffic study with a post and a wall mount."""
    quoted = title.replace("\\", "\\\\").replace('"', '\\"')
    return (
        f'title = "{quoted}"\nstudy = "traffic"\ninvented_data = true\n'
        + _ROAD
        + _VEHICLES
        + f"\n[traffic]\nseed = {SEED}\n"
        + _FLOW.format(name="near")
        + _FLOW.format(name="far")
        + _SPEEDS
        + "\n[air]\nstill = true\n"
        + ("" if drift else "drift = { enabled = false }\n")
        + _POST
        + _WALL
        + f'\n[outputs]\nseries_csv = "{series}"\n'
        + "\n[model]\nwake_memory_s = 30\n"
    )


def single_pass_text() -> str:
    """Case text of a single-pass study with four kinds of mount."""
    return (
        'title = "One pass of each class"\nstudy = "single_pass"\n'
        + _ROAD
        + _VEHICLES
        + '\n[single_pass]\nvehicles = ["town_car", "delivery_van", "long_lorry"]\n'
        + 'carriageway = "near"\nlane = 1\nspeed_kmh = 100\n'
        + "\n[air]\nstill = true\n"
        + _POST
        + _WALL
        + _RESERVATION
        + _OVERHEAD
    )


def build_signature(case, name: str, lane, mount) -> measured.Signature:
    """A bow and tail pulse followed by a wake that decays as time to the power -3/4."""
    vehicle = case.vehicles[name]
    speed = vehicle.mean_speed_m_s or case.single_pass.speed_m_s
    aside = max(abs(mount.offset_m - lane.centre_m) - vehicle.width_m / 2, 0.0)
    clearance = float(np.hypot(aside, max(mount.height_m - vehicle.height_m, 0.0)))
    t = np.arange(-2.0, 12.0, DT_S)
    scale = 5.0 * vehicle.frontal_area_m2 / (2.0 * np.pi * max(clearance, 0.8) ** 2)
    radius = (clearance + vehicle.width_m / 2) / speed
    tail = vehicle.length_m / speed

    def bump(at: float) -> np.ndarray:
        s = (t - at) / radius
        return 1.0 / (1.0 + s**2) ** 1.5

    pulse = lane.direction * 0.7 * speed * scale * (bump(0.0) - 0.7 * bump(tail))
    age = np.maximum(t - tail, 0.0)
    grown = 1.0 - np.exp(-age / (0.25 * clearance))
    wake = lane.direction * 0.9 * speed * scale * grown * (1.0 + 3.0 * age) ** -0.75
    v = 0.5 * speed * scale * (bump(0.5 * radius) - bump(tail))
    w = 0.15 * v
    sigma = 0.35 * np.abs(wake)
    u = pulse + wake
    size = np.hypot(u, v)
    return measured.Signature(
        vehicle=name,
        label=vehicle.label,
        lane=lane.name,
        speed_m_s=speed,
        clearance_m=clearance,
        time_s=t,
        u_m_s=u,
        v_m_s=v,
        w_m_s=w,
        pulse_u_m_s=pulse,
        wake_u_m_s=wake,
        sigma_m_s=sigma,
        int_u_dt_m=float(u.sum() * DT_S),
        int_speed2_dt_m2_s=float((size**2).sum() * DT_S),
        int_speed3_dt_m3_s2=float((size**3).sum() * DT_S),
        peak_m_s=float(size.max()),
        duration_s=float((size > 0.1 * size.max()).sum() * DT_S),
        **({"relief_peak": 0.4, "relief_cube": 0.08} if aside > 0.2 else {}),
    )


def draw_traffic(case, rng: np.random.Generator) -> Passes:
    """Poisson passes over 24 short hours."""
    rows = []
    for hour in range(24):
        state = case.traffic_state(hour)
        for lane in case.road.lanes:
            count = rng.poisson(float(state.flow_veh_s[lane.index]) * HOUR_S)
            times = hour * HOUR_S + HOUR_S * rng.random(count)
            classes = rng.choice(len(case.vehicles), count, p=state.mix[lane.index])
            for time, number in zip(times, classes, strict=True):
                speed = state.mean_speed_m_s[lane.index, number]
                rows.append((time, lane.index, int(number), speed, 0.25 * rng.standard_normal()))
    rows.sort()
    time, lane, vehicle, speed, wander = (np.array(column) for column in zip(*rows, strict=True))
    return Passes(
        time_s=time,
        lane=lane.astype(np.int32),
        vehicle=vehicle.astype(np.int32),
        speed_m_s=speed,
        wander_m=wander,
        wake_factor=np.ones(len(time)),
    )


def build_series(signatures, passes: Passes, case, rng) -> measured.Series:
    """Superposed signatures with wake turbulence."""
    time = np.arange(round(24 * HOUR_S / DT_S)) * DT_S
    u, v, variance = np.zeros_like(time), np.zeros_like(time), np.zeros_like(time)
    table = {(s.lane, s.vehicle): s for s in signatures}
    names, lanes = list(case.vehicles), case.road.lanes
    for at, lane, number in zip(passes.time_s, passes.lane, passes.vehicle, strict=True):
        s = table[lanes[lane].name, names[number]]
        start = round((at + s.time_s[0]) / DT_S)
        low, high = max(start, 0), min(start + len(s.time_s), len(time))
        part = slice(low - start, high - start)
        u[low:high] += s.u_m_s[part]
        v[low:high] += s.v_m_s[part]
        variance[low:high] += s.sigma_m_s[part] ** 2
    kernel = 0.8 ** np.arange(40)
    kernel /= np.sqrt((kernel**2).sum())
    noise = np.convolve(rng.standard_normal(len(time) + 39), kernel, "valid")
    u = u + np.sqrt(variance) * noise
    speed = 0.97 * np.hypot(u, v)
    hour = (time // HOUR_S).astype(np.int8)
    return measured.Series(
        dt_s=DT_S, time_s=time, hour=hour, u_m_s=u, v_m_s=v, speed_m_s=speed, passes=passes
    )


def build_drift(case, cells: int) -> measured.DriftSummary:
    """A jet over each carriageway in its own direction, on ``cells`` stretched columns."""
    stretched = np.sinh(np.linspace(-3.0, 3.0, cells))
    y = -8.0 + 130.0 * stretched / stretched[-1]
    z = 0.1 * 1.15 ** np.arange(cells // 2)
    speed = np.zeros((len(y), len(z)))
    for way in case.road.carriageways:
        middle = sum(way.extent_m) / 2
        jet = np.exp(-np.abs(y - middle) / 8.0)[:, None] * np.log1p(z / 0.01) * np.exp(-z / 15.0)
        speed += 0.06 * way.sign * jet
    return measured.DriftSummary(
        diffusivity_m2_s=0.31,
        at_mount_m_s=0.123,
        drag_share=0.962,
        settling_s=480.0,
        balance={
            "drag_in": 0.02,
            "road_friction": 0.015,
            "outflow_left": -0.001,
            "outflow_right": 0.002,
            "outflow_top": 0.004,
            "barrier": 0.0,
            "storage": 0.0,
        },
        y_m=y,
        z_m=z,
        speed_m_s=speed,
    )


def build_statistics(case, series: measured.Series, cells: int = 81) -> measured.MountStatistics:
    """Measures computed from the series itself; shares and variants of plausible size."""
    speed = series.speed_m_s
    cube = float(np.mean(speed**3))
    effective, mean = cube ** (1 / 3), float(speed.mean())
    hourly = []
    for hour in range(24):
        part = speed[series.hour == hour]
        flow = 3600.0 * float(case.traffic_state(hour).flow_veh_s.sum())
        hourly.append(
            measured.HourRow(hour, flow, float(np.mean(part**3)) ** (1 / 3), float(part.mean()))
        )
    steps = (  # the last ones stand beside the interval
        ("mixing of far wakes", "weak-shear factor 0.5", -0.24),
        ("mixing of far wakes", "weak-shear factor 4", 0.15),
        ("side layer", "share and energy × 0.4", -0.13),
        ("side layer", "share and energy × 1.4", 0.10),
        ("drag coefficients", "low end of each class", -0.06),
        ("drag coefficients", "high end of each class", 0.08),
        ("lane position", "0.25 m nearer", 0.01),
        ("lane position", "0.25 m farther", -0.004),
        ("mixing of the road's air", "eddy viscosity × 0.6", 0.2),
        ("mixing of the road's air", "eddy viscosity × 1.6", -0.09),
        ("roughness of the road", "× 3", -0.03),
        ("light crosswind", "0.5 m/s towards -y", -0.55),
        ("light crosswind", "0.5 m/s towards +y", 0.30),
    )
    frequency, density = _spectrum(series.u_m_s)
    window = round(3.0 / DT_S)
    measures = {
        "effective_speed_m_s": effective,
        "mean_speed_m_s": mean,
        "mean_u_m_s": float(series.u_m_s.mean()),
        "mean_v_m_s": float(series.v_m_s.mean()),
        "sd_speed_m_s": float(speed.std()),
        "energy_pattern_factor": cube / mean**3,
        "time_above_cut_in": float(np.mean(speed > 1.2)),
        "gust_peak_m_s": float(np.convolve(speed, np.full(window, 1 / window), "valid").max()),
        "peak_m_s": float(speed.max()),
        "ambient_effective_speed_m_s": 0.0,
        "power_density_w_m2": 0.5 * DENSITY * cube,
    }
    return measured.MountStatistics(
        measures=measures,
        sampling_interval_m_s=(0.985 * effective, 1.016 * effective),
        model_interval_m_s=(0.70 * effective, 1.19 * effective),
        by_class={"town_car": 0.21, "delivery_van": 0.16, "long_lorry": 0.63, "ambient": 0.0},
        by_mechanism={
            "pulse": -0.04,
            "wake": 0.78,
            "turbulence": 0.16,
            "drift": 0.10,
            "ambient": 0.0,
        },
        hourly=tuple(hourly),
        variants=tuple(
            measured.ModelVariant(
                name, setting, effective * (1 + step), effective * step, name != "light crosswind"
            )
            for name, setting, step in steps
        ),
        cutoff_effective_speed_m_s={
            15.0: 0.95 * effective,
            30.0: effective,
            60.0: 1.04 * effective,
        },
        spectrum_hz=frequency,
        spectrum_m2_s=density,
        spectrum_passing_m2_s=density * 0.6 / (1.0 + frequency**2),
        drift=build_drift(case, cells) if case.air.drift.enabled else None,
        series=series,
    )


def _spectrum(u: np.ndarray, segment: int = 1024) -> tuple[np.ndarray, np.ndarray]:
    parts = u[: len(u) // segment * segment].reshape(-1, segment)
    parts = (parts - parts.mean(axis=1, keepdims=True)) * np.hanning(segment)
    power = (np.abs(np.fft.rfft(parts, axis=1)) ** 2).mean(axis=0)
    scale = 2.0 * DT_S / (np.hanning(segment) ** 2).sum()
    return np.fft.rfftfreq(segment, DT_S), power * scale


def build_result(text: str) -> results.Result:
    """The synthetic result of a case text."""
    case = load_case_text(text)
    rng = np.random.default_rng(7)
    traffic = case.study == "traffic"
    passes = draw_traffic(case, rng) if traffic else None
    lanes = case.road.lanes if traffic else [case.road.lanes[case.single_pass.lane_index]]
    mounts = []
    for mount in case.mounts:
        signatures = tuple(
            build_signature(case, name, lane, mount) for lane in lanes for name in case.vehicles
        )
        statistics = None
        if traffic:
            series = build_series(signatures, passes, case, rng)
            cells = 81 + 20 * len(mounts)  # every mount has a grid of its own
            statistics = build_statistics(case, series, cells)
        mounts.append(results.MountResult(mount, signatures, statistics, ("close to a wall",)))
    return results.Result(
        case=case,
        mounts=tuple(mounts),
        air_density_kg_m3=DENSITY,
        rounds=2 if traffic else 0,
        simulated_s=2 * 24 * HOUR_S if traffic else 0.0,
        passes_total=len(passes.time_s) if traffic else 0,
        tolerance_met=True,
        wall_time_s=12.3,
        warnings=("one synthetic warning",),
        provenance=provenance(case.text, SEED),
    )
