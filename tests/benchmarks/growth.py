"""How the processor time of ``wakesim.run`` grows with what is asked: an exponent for each.

    python tests/benchmarks/growth.py

Every run has vehicles of its own, longer by a ten-thousandth each time, so that none finds what
an earlier one solved; nothing is read from disk. The exponent is the slope of the logarithm of the
time over that of the number: 1 is in proportion, below 1 something is shared.
"""

from __future__ import annotations

import argparse
import os
import sys
import time
from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from itertools import count

os.environ["WAKESIM_CACHE"] = "off"

import numpy as np
from rows import Row, said, to_json

import wakesim
from wakesim.case.load import load_case_text
from wakesim.case.schema import Case

LINEAR = 1.15  # most of an exponent that is about in proportion
SHARED = 1.0  # most of one where runs share what is dear
CLASSES = (
    "small_car", "artic_lorry_eu", "panel_van", "rigid_lorry", "suv", "coach", "motorcycle",
)  # fmt: skip
HEAVY = ("artic_lorry_eu", "rigid_lorry", "coach")


def road_text(
    lanes: int = 2, classes: int = 3, mounts: int = 1, flow_veh_h: float = 800.0, hours: int = 1,
    study: str = "traffic", body: str = "", interval: bool = False,
) -> str:  # fmt: skip
    """A case of one round: up to two lanes are on one carriageway, more on two.

    ``flow_veh_h`` is that of the whole road, nearly the same in every hour, whatever its lanes.
    """
    names = ("near", "far")[: 1 if lanes <= 2 else 2]
    text = f'title = "growth"\nstudy = "{study}"\n[road]\nname = "invented"\n'
    for i, name in enumerate(names):
        text += (
            f'[[road.carriageways]]\nname = "{name}"\nedge_offset_m = {-19.1 * i}\n'
            f'direction = "{("forward", "backward")[i]}"\nlanes = {lanes // len(names)}\n'
            "lane_width_m = 3.65\n"
        )
    text += "[traffic]\nseed = 7\n"
    hourly = [flow_veh_h / len(names) * (1.0 + 0.002 * hour) for hour in range(24)]
    light = [c for c in CLASSES[:classes] if c not in HEAVY]
    heavy = [c for c in CLASSES[:classes] if c in HEAVY]
    for name in names:
        text += (
            f'[[traffic.flows]]\ncarriageway = "{name}"\nhourly_veh_h = {hourly}\n'
            f"heavy_share = 0.15\nlight_mix = {_even(light)}\nheavy_mix = {_even(heavy)}\n"
        )
    text += "[air]\nstill = true\n"
    for i in range(mounts):
        text += (
            f'[[mounts]]\nname = "m{i}"\nkind = "post"\noffset_m = {1.5 + 0.5 * i}\n'
            "height_m = 2.0\nrotor_width_m = 1.0\nrotor_height_m = 2.0\n"
        )
    return text + (
        f"[compute]\nduration_h = {float(hours)}\nstart_hour = 0\nmax_rounds = 1\n"
        f"tolerance = 0.5\nmodel_interval = {str(interval).lower()}\n{body}"
    )


def _even(names: Sequence[str]) -> str:
    """A mix in equal shares."""
    shares = [round(1.0 / len(names), 6)] * len(names)
    shares[0] += 1.0 - sum(shares)
    return "{ " + ", ".join(f"{n} = {s:.6f}" for n, s in zip(names, shares, strict=True)) + " }"


_numbers = count(1)


def fresh(case: Case) -> Case:
    """The same case with vehicles that no earlier one had."""
    factor = 1.0 + 1e-4 * next(_numbers)
    vehicles = {n: replace(v, length_m=v.length_m * factor) for n, v in case.vehicles.items()}
    return replace(case, vehicles=vehicles)


def map_text(points: int) -> str:
    """A map of so many places, in rows of four."""
    body = (
        f"[map]\noffset_m = {{ from_m = 1.0, to_m = 9.0, count = {points // 4} }}\n"
        "height_m = [1.2, 2.0, 3.0, 4.5]\nhour = 8\n"
    )
    return road_text(study="mounting_map", body=body)


def table_text(states: int) -> str:
    """A table of so many states: two heights, four winds, and flows."""
    flows = states // 8
    body = (
        "[table]\nheight_m = [1.5, 2.5]\nwind_speed_m_s = [1.0, 2.0, 4.0, 8.0]\n"
        f"flow_veh_h = {[round(200.0 + 1000.0 * i / flows, 1) for i in range(flows)]}\n"
    )
    text = road_text(study="lookup_table", body=body)
    wind = "[air.wind]\nspeed_m_s = 2.0\nangle_deg = 60.0\n"
    return text.replace("[air]\nstill = true\n", wind)


def samples_text(samples: int) -> str:
    """A year with so many samples of all uncertain inputs."""
    body = (
        '[rotor]\nkind = "drag"\n'
        f"[energy]\nyear = 2027\nsample_per_hour_s = 20.0\nsamples = {samples}\n"
    )
    return road_text(classes=2, body=body)


# What grows: the numbers, the case of a number, and the most that the exponent may be.
GROWTH: dict[str, tuple[tuple[int, ...], Callable[[int], str], float]] = {
    "lanes, the same vehicles on more": ((1, 2, 4), lambda n: road_text(lanes=n), SHARED),
    "classes of vehicles": ((2, 4, 7), lambda n: road_text(classes=n), SHARED),
    "mounts": ((1, 2, 4), lambda n: road_text(mounts=n), SHARED),
    "vehicles an hour": ((500, 1000, 2000), lambda n: road_text(flow_veh_h=n), LINEAR),
    "hours": ((1, 6, 24), lambda n: road_text(hours=n), LINEAR),
    "places of a map": ((16, 64, 256), map_text, LINEAR),
    "states of a table": ((16, 32, 64), table_text, LINEAR),
    "samples of a yield": ((64, 128), samples_text, LINEAR),
}


def exponent(numbers: Sequence[float], seconds: Sequence[float]) -> float:
    """Slope of the logarithm of the times over that of the numbers, least squares."""
    return float(np.polyfit(np.log(numbers), np.log(seconds), 1)[0])


def seconds_of(text: str) -> float:
    """Processor time of a run in this process, s."""
    case = fresh(load_case_text(text))
    began = time.process_time()
    wakesim.run(case, workers=1)
    return time.process_time() - began


def measure(names: Sequence[str], times: int = 1) -> Iterator[Row]:
    """The growth with each of ``names``, of which the quickest of ``times`` runs counts."""
    for name in names:
        numbers, text, most = GROWTH[name]
        seconds_of(text(numbers[0]))  # compiled and imported
        taken = [min(seconds_of(text(n)) for _ in range(times)) for n in numbers]
        print(f"  {name}: {numbers}: {taken}", file=sys.stderr, flush=True)
        measured = f"{', '.join(map(str, numbers))}: CPU {', '.join(f'{t:.2f}' for t in taken)} s"
        yield Row("growth", f"exponent with {name}", measured, exponent(numbers, taken), most)


def main() -> int:
    """Run the command; 1 when something grows faster than its mark."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n\n")[0])
    parser.add_argument("--only", metavar="NAMES", help=f"of {'; '.join(GROWTH)}, by ;")
    parser.add_argument("--times", type=int, default=1, help="runs of each size (default 1)")
    parser.add_argument("--json", action="store_true", help="print the rows as JSON")
    options = parser.parse_args()
    names = [n.strip() for n in options.only.split(";")] if options.only else list(GROWTH)
    rows = list(measure(names, options.times))
    print(to_json(rows) if options.json else said(rows))
    return int(not options.json and any(row.met is False for row in rows))


if __name__ == "__main__":
    sys.exit(main())
