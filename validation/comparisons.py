"""Comparisons with published figures that the displacement flow and the near wake must face.

``python validation/comparisons.py`` recomputes them, writes REPORT.md and the figures beside this
file, and exits with status 1 when a comparison with a pass mark fails. The reference figures are in
shared/reference with their sources.
"""

from __future__ import annotations

import sys
import textwrap
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from matplotlib.figure import Figure

from wakesim.case.vehicle import Vehicle
from wakesim.flow.hull import vehicle_hull
from wakesim.flow.outlines import vehicle_outline
from wakesim.flow.panels2d import VortexOutline
from wakesim.flow.panels3d import SourceHull
from wakesim.flow.passfield import pass_field
from wakesim.flow.pressure import pulse_pressure
from wakesim.flow.wake import SHARE_U, VehicleWake, WakeConstants
from wakesim.runtime import shared_path

HERE = Path(__file__).resolve().parent
BLUE, ORANGE, GREEN, BLACK = "#0072B2", "#D55E00", "#009E73", "#222222"

# 25 degree Ahmed body: 1.044 x 0.389 x 0.288 m, 0.050 m over the floor (Lienhart and Becker 2003);
# radius of the nose edges 0.1 m and drag 0.285 (Ahmed et al. 1984, from memory).
AHMED_HEIGHT_M, AHMED_SPEED_M_S = 0.288, 40.0
AHMED = Vehicle(
    name="ahmed_25",
    length_m=1.044,
    width_m=0.389,
    height_m=0.338,
    clearance_m=0.050,
    frontal_area_m2=0.112,
    drag_coefficient=0.285,
)
AHMED_NOSE_M = 0.1
AHMED_BUBBLE_M = 0.66 * AHMED_HEIGHT_M  # derived from the same measurements


@dataclass(frozen=True)
class Row:
    """One line of the report; ``passed`` is None where no pass mark was set beforehand."""

    name: str
    measured: str
    computed: str
    mark: str
    passed: bool | None


def reference(name: str) -> np.ndarray:
    """Numeric columns of a reference file as a record array."""
    lines = [
        line
        for line in shared_path("reference", name).read_text(encoding="utf-8").splitlines()
        if line and not line.startswith("#")
    ]
    return np.genfromtxt(lines, delimiter=",", names=True)


def rms(values: np.ndarray) -> float:
    return float(np.sqrt(np.mean(np.square(values))))


def _table(name: str):
    return reference(name)


def ahead_of_nose() -> dict[str, np.ndarray]:
    """Mean velocities 0.398 m ahead of the nose: measured, 3D hull (two tails), plan plane."""
    data = _table("ahmed25_ahead_of_nose.csv")
    height = data["z_m"]
    points = np.column_stack([np.full(height.size, 0.398), np.zeros(height.size), height])
    out = {"z": height, "U": data["U_m_s"], "W": data["W_m_s"]}
    for name, open_tail in (("closed", False), ("open", True)):
        field = pass_field(
            AHMED,
            constants=WakeConstants(bubble_length_heights=AHMED_BUBBLE_M / AHMED.height_m),
            open_tail=open_tail,
            nose_radius_m=AHMED_NOSE_M,
        )
        velocity = field.displacement(points)
        out[f"{name}_U"] = AHMED_SPEED_M_S * (1.0 - velocity[:, 0])
        out[f"{name}_W"] = AHMED_SPEED_M_S * velocity[:, 2]
    outline = vehicle_outline(AHMED.length_m, AHMED.width_m, AHMED_NOSE_M)
    plane = VortexOutline([outline]).velocity(np.array([[0.398, 0.0]]))[0, 0]
    out["plane_U"] = np.full(height.size, AHMED_SPEED_M_S * (1.0 - plane))
    return out


def ahead_of_nose_rows() -> list[Row]:
    d = ahead_of_nose()
    rows = []
    for name, key, mark in (
        ("3D hull, closed tail", "closed_U", 0.5),
        ("3D hull, open tail", "open_U", 0.5),
        ("plan plane (2D)", "plane_U", None),
    ):
        error = d[key] - d["U"]
        rows.append(
            Row(
                f"Ahead of the Ahmed body, U, {name}",
                "8 points, 37.2 to 40.2 m/s",
                f"rms error {rms(error):.2f}, mean {error.mean():+.2f} m/s",
                "rms below 0.5 m/s" if mark else "none, shown beside",
                None if mark is None else rms(error) < mark,
            )
        )
    error = d["open_W"] - d["W"]
    rows.append(
        Row(
            "Ahead of the Ahmed body, W, 3D hull, open tail",
            "0.7 to 1.4 m/s",
            f"rms error {rms(error):.2f} m/s",
            "rms below 0.5 m/s",
            rms(error) < 0.5,
        )
    )
    return rows


def near_wake() -> dict[str, np.ndarray]:
    """Peaks behind the Ahmed body on the symmetry plane: measured and both families."""
    data = _table("ahmed25_wake_peaks.csv")
    x = data["x_over_H"] * AHMED_HEIGHT_M
    z = np.linspace(0.005, 0.6, 600)
    out = {
        "x": data["x_over_H"],
        "deficit": data["peak_deficit_over_U0"],
        "tke": data["peak_tke_over_U0sq"],
        "urms": data["max_urms_over_U0"],
    }
    for family in ("couple", "momentum"):
        wake = VehicleWake(
            AHMED,
            WakeConstants(family=family, bubble_length_heights=AHMED_BUBBLE_M / AHMED.height_m),
        )
        out[f"{family}_deficit"] = wake.velocity(x[:, None], 0.0, z).max(axis=1)
        out[f"{family}_tke"] = wake.turbulence(x[:, None], 0.0, z).max(axis=1)
    out["couple_urms"] = np.sqrt(2 * SHARE_U * out["couple_tke"])
    return out


def near_wake_rows() -> list[Row]:
    d = near_wake()
    rows = []
    for label, measured, computed in (
        ("velocity deficit, couple family", "deficit", "couple_deficit"),
        ("velocity deficit, momentum family", "deficit", "momentum_deficit"),
        ("turbulent kinetic energy (level fitted to it)", "tke", "couple_tke"),
        ("along-stream rms (level fitted to it)", "urms", "couple_urms"),
    ):
        ratio = d[computed] / d[measured]
        rows.append(
            Row(
                f"Near wake of the Ahmed body, peak {label}",
                ", ".join(f"{v:.3g}" for v in d[measured]),
                ", ".join(f"{v:.3g}" for v in d[computed])
                + f"; ratio {ratio.min():.2f} to {ratio.max():.2f}",
                "none, error stated",
                None,
            )
        )
    return rows


TRAIN = Vehicle(
    name="blunt_train",
    length_m=60.0,
    width_m=3.0,
    height_m=4.0,
    clearance_m=0.3,
    frontal_area_m2=11.0,
    drag_coefficient=0.8,
)


def wall_pressure() -> dict[str, np.ndarray]:
    """Largest pressure on a wall beside a blunt train-sized body, over 1/2 rho V^2, by distance.

    EN 1991-2, 6.6.2 (formula from memory): k1 [2.5/(Y + 0.25)^2 + 0.02], Y from the track centre,
    k1 = 1 for unfavourable shapes, 0.6 for streamlined; a design envelope.
    """
    distance = np.array([2.3, 2.8, 3.5, 4.5, 6.0])
    x = np.arange(-25.0, 25.0, 0.25)
    z = np.array([0.25, 1.0, 2.0, 3.0])
    grid_x, grid_z = np.meshgrid(x, z, indexing="ij")
    computed = []
    for y in distance:
        hull = SourceHull(vehicle_hull(TRAIN).quads, road=True, wall_y=float(y))
        points = np.column_stack([grid_x.ravel(), np.full(grid_x.size, y), grid_z.ravel()])
        computed.append(pulse_pressure(hull.velocity(points), 1.0, 1.0).max() / 0.5)
    envelope = 2.5 / (distance + 0.25) ** 2 + 0.02
    return {"Y": distance, "computed": np.array(computed), "envelope": envelope}


def wall_pressure_rows() -> list[Row]:
    d = wall_pressure()
    level = d["computed"] / d["envelope"]
    decay = d["computed"][0] / d["computed"][-1], d["envelope"][0] / d["envelope"][-1]
    return [
        Row(
            "Wall pressure of a train-sized body, level over the blunt envelope of EN 1991-2",
            "envelope k1 = 0.6 to 1.0",
            f"{level.min():.2f} to {level.max():.2f}",
            "0.5 to 1.0 of the blunt envelope",
            bool(level.min() > 0.5 and level.max() < 1.0),
        ),
        Row(
            "Wall pressure, fall from Y = 2.3 m to 6 m",
            f"factor {decay[1]:.2f}",
            f"factor {decay[0]:.2f}",
            "within 20 %",
            abs(decay[0] / decay[1] - 1.0) < 0.2,
        ),
    ]


def _axes(title: str, x: str, y: str):
    figure = Figure(figsize=(6.4, 4.0), layout="constrained")
    axes = figure.subplots()
    axes.set(title=title, xlabel=x, ylabel=y)
    axes.grid(alpha=0.3)
    return figure, axes


def figures(folder: Path) -> list[Path]:
    """Draw the comparisons; returns the files written."""
    d = ahead_of_nose()
    one, axes = _axes(
        "0.398 m ahead of the 25° Ahmed body, tunnel at 40 m/s",
        "mean velocity U along the stream (m/s)", "height z above the floor (m)",
    )  # fmt: skip
    axes.errorbar(
        d["U"], d["z"], xerr=0.5, fmt="o", color=BLACK, capsize=3,
        label="measured; bar: pass mark ±0.5 m/s",
    )  # fmt: skip
    axes.plot(d["open_U"], d["z"], color=BLUE, label="3D hull, open tail")
    axes.plot(d["closed_U"], d["z"], color=GREEN, ls=":", label="3D hull, closed tail")
    axes.plot(d["plane_U"], d["z"], color=ORANGE, label="plan plane (2D)")
    axes.legend(loc="upper left")

    w = near_wake()
    two, axes = _axes(
        "Peaks behind the 25° Ahmed body (symmetry plane)",
        "distance behind the tail x/H", "peak velocity deficit / tunnel speed",
    )  # fmt: skip
    axes.plot(w["x"], w["deficit"], "o", color=BLACK, label="measured")
    axes.plot(w["x"], w["couple_deficit"], color=BLUE, label="couple family")
    axes.plot(w["x"], w["momentum_deficit"], color=ORANGE, ls="--", label="momentum family")
    axes.set_ylim(0, None)
    axes.legend()

    p = wall_pressure()
    three, axes = _axes(
        "Largest pressure on a wall beside a passing blunt body",
        "distance of the wall from the track centre Y (m)", "pressure / (½ρV²)",
    )  # fmt: skip
    axes.fill_between(
        p["Y"], 0.6 * p["envelope"], p["envelope"], color=BLACK, alpha=0.15,
        label="EN 1991-2 envelope, streamlined to blunt",
    )  # fmt: skip
    axes.plot(p["Y"], p["computed"], "o-", color=BLUE, label="3D hull with wall image")
    axes.set_ylim(0, None)
    axes.legend()

    paths = []
    names = ("ahmed-ahead.png", "ahmed-near-wake.png", "wall-pressure.png")
    for figure, name in zip((one, two, three), names, strict=True):
        figure.savefig(folder / name, dpi=130, metadata={"Software": None})
        paths.append(folder / name)
    return paths


def all_rows() -> list[Row]:
    return [*ahead_of_nose_rows(), *near_wake_rows(), *wall_pressure_rows()]


def report(rows: list[Row]) -> str:
    """The report as Markdown."""
    verdict = {True: "pass", False: "FAIL", None: "shown"}
    lines = [
        "# Comparisons with published figures",
        "",
        "Written by `python validation/comparisons.py`. Sources of all reference figures stand in",
        "`shared/reference`. No published measurement known to us gives the air velocity",
        "beside a road at a known clearance and height well enough to call a roadside prediction",
        "validated: these comparisons test parts of the model, not its answer.",
        "",
        "| comparison | reference | computed | pass mark | verdict |",
        "|---|---|---|---|---|",
    ]
    lines += [
        f"| {r.name} | {r.measured} | {r.computed} | {r.mark} | {verdict[r.passed]} |" for r in rows
    ]
    d = ahead_of_nose()
    offset = float(np.mean(d["U"] / d["open_U"]))
    rest = rms(offset * d["open_U"] - d["U"])
    text = (
        "Ahead of the body the hull reads low by nearly the same amount at all heights, even at "
        "the top, where the measured value exceeds the nominal tunnel speed, which potential flow "
        f"cannot do there. With a tunnel speed {100 * (offset - 1):.1f} % above the nominal "
        f"40 m/s the rms error of the open tail would be {rest:.2f} m/s. Taken at the nominal "
        "speed, the closed tail just meets the mark and the open tail just misses it; the plan "
        "plane is far off."
    )
    lines += [
        "",
        *textwrap.wrap(text, 100),
        "",
        "![ahead of the body](ahmed-ahead.png)",
        "![near wake](ahmed-near-wake.png)",
        "![wall pressure](wall-pressure.png)",
        "",
    ]
    return "\n".join(lines)


def main() -> int:
    rows = all_rows()
    figures(HERE)
    (HERE / "REPORT.md").write_text(report(rows), encoding="utf-8")
    failed = [row.name for row in rows if row.passed is False]
    for row in rows:
        sys.stdout.write(f"{row.name}: {row.computed} ({row.mark})\n")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
