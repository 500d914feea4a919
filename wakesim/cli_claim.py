"""``wakesim claim``: stated figures held against each other, and against a computed place.

Figures come from flags, or from the [claim] table of a case, of which flags replace single ones.
Nothing heavier than numpy is loaded.
"""

from __future__ import annotations

import argparse
import json
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakesim.case.reading import read_bytes
from wakesim.errors import EXIT_DONE, CaseError
from wakesim.outputs.wording import CAUTION, INVENTED_BANNER

if TYPE_CHECKING:
    from wakesim.energy.claims import Claim, Place

_SOURCE = "command line"
_LEAST_HOURS = 8700  # of a record that stands for a year
_MOST_BYTES = 100_000_000  # of a summary.json
# flag: what it states, in the unit of its name
_FIGURES = {
    "power_w": "output at the stated speed, or rated output",
    "speed_m_s": "speed of the air",
    "speed_kmh": "",
    "speed_mph": "",
    "traffic_speed_m_s": "speed of the traffic it is stated beside",
    "traffic_speed_kmh": "",
    "traffic_speed_mph": "",
    "cut_in_m_s": "lowest air speed at which it runs",
    "power_coefficient": "efficiency of air to output, 0 to 1",
    "area_m2": "swept area",
    "daily_energy_kwh": "output a day",
    "annual_energy_kwh": "output a year",
    "count": "number of rotors",
    "section_length_m": "length of road along which they stand",
    "daily_load_kwh": "need a day of one consumer",
    "loads": "number of consumers said to be covered",
}


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The flags of the command."""
    figures = parser.add_argument_group("stated figures, per rotor")
    for name, text in _FIGURES.items():
        unit = name.removeprefix("traffic_").removeprefix("speed_")
        meaning = text or f"the same in {'km/h' if unit == 'kmh' else unit}"
        figures.add_argument(f"--{name.replace('_', '-')}", dest=name, metavar="N", help=meaning)
    parser.add_argument("--case", metavar="FILE", help="take the figures of its [claim] table")
    parser.add_argument(
        "--result", metavar="DIR", help="hold them against this computed result (summary.json)"
    )
    parser.add_argument("--mount", metavar="NAME", help="mount of the result; not needed for one")
    parser.add_argument(
        "--density", metavar="KG_M3", help="of the air of the stated figures (default: 1.225)"
    )
    parser.add_argument("--json", action="store_true", help="print JSON instead of words")


def check(options: argparse.Namespace) -> int:
    """Run the command; raises CaseError with one line for each mistake."""
    claim = _claim(options)
    if options.mount is not None and options.result is None:
        raise CaseError("--mount needs --result")
    place, invented = None, False
    if options.result is not None:
        place, invented = _place(Path(options.result), options.mount)
    density = _density(options.density)

    from wakesim.energy.claims import check_claim, claim_record
    from wakesim.outputs.page import text

    checked = check_claim(claim, place, density)
    if options.json:
        record = {
            "claim": {k: v for k, v in vars(claim).items() if v is not None},
            "density_kg_m3": density,
            "place": None if place is None else vars(place),
            "invented_data": invented,
            **claim_record(checked),
            "caution": CAUTION,
        }
        print(json.dumps(record, indent=2, ensure_ascii=False))
        return EXIT_DONE
    lines = [INVENTED_BANNER] if invented else []
    if not options.quiet:
        print("\n".join([*lines, text("claim", check=checked), "", CAUTION]))
    return EXIT_DONE


def _claim(options: argparse.Namespace) -> Claim:
    from wakesim.case.energy import ClaimFile
    from wakesim.case.load import load_case
    from wakesim.case.messages import render
    from wakesim.case.schema_errors import checked
    from wakesim.energy.claims import Claim

    figures: dict[str, Any] = {}
    if options.case is not None:
        case = load_case(options.case)
        if case.claim is None:
            raise CaseError(f"{options.case}: has no table [claim]")
        figures |= case.claim.figures
    flags = {name: _number(getattr(options, name)) for name in _FIGURES}
    given = {name: value for name, value in flags.items() if value is not None}
    if not figures and not set(given) - {"count", "loads"}:
        raise CaseError("nothing is stated: give --power-w, --speed-m-s, another figure or --case")
    table, problems = checked({"claim": given}, ClaimFile)
    if table is None or problems:
        raise CaseError(render(problems, _SOURCE, None))
    own = {name: value for name, value in table.claim.figures.items() if value is not None}
    counts = {name: own.pop(name) for name in ("count", "loads") if name not in given}
    return Claim(**(counts | figures | own))


def _number(text: str | None) -> float | int | str | None:
    """A flag's number, whole where it is written so; other text as it is."""
    if text is None:
        return None
    for kind in (int, float):
        try:
            return kind(text)
        except ValueError:
            pass
    return text


def _density(text: str | None) -> float:
    from wakesim.energy.claims import STANDARD_DENSITY_KG_M3

    if text is None:
        return STANDARD_DENSITY_KG_M3
    value = _number(text)
    if isinstance(value, str) or not 0.5 <= value <= 2.0:  # type: ignore[operator]
        raise CaseError(
            f"--density = {text}: must be a number at least 0.5 kg/m³ and at most 2 kg/m³"
        )
    return float(value)  # type: ignore[arg-type]


def _place(folder: Path, mount: str | None) -> tuple[Place, bool]:
    """The mount of a computed result, and whether its data are invented."""
    from wakesim.energy.claims import Place
    from wakesim.folders import published

    path = folder / "summary.json" if folder.is_dir() else folder
    try:
        data = read_bytes(published(path), _MOST_BYTES)
        if len(data) > _MOST_BYTES:
            raise ValueError("too large")
        summary = json.loads(data.decode("utf-8"))
        known = {str(one["name"]): one for one in summary["mounts"]}
        density, invented = float(summary["air_density_kg_m3"]), bool(summary["invented_data"])
    except OSError as error:
        reason = "no such file" if isinstance(error, FileNotFoundError) else error.strerror
        raise CaseError(f"{path}: {reason}; --result takes the folder of a result") from error
    except (ValueError, KeyError, TypeError, AttributeError, RecursionError) as error:
        raise CaseError(f"{path}: is no summary.json of a traffic study") from error
    name = _chosen(path, list(known), mount)
    one = known[name]
    speed = one.get("effective_speed_m_s")
    if not isinstance(speed, float | int):
        raise CaseError(f"{path}: mount '{name}' has no effective speed; compute a traffic study")
    energy = one.get("energy") or {}
    bounds = energy.get("bounds") or {}
    # The speed of whole days, where the study knows it: stated energies are those of days.
    scale = energy.get("weekday_effective_speed_m_s", speed) / speed if speed > 0.0 else 1.0
    low, high = one.get("model_interval_m_s") or (None, None)
    place = Place(
        f"the mount {name}",
        scale * speed,
        None if low is None else scale * low,
        None if high is None else scale * high,
        drag_power_w_m=bounds.get("drag_power_w_m"),
        wake_power_w_m=bounds.get("wake_power_w_m"),
        gust_m_s=one.get("gust_peak_m_s"),
        density_kg_m3=density,
    )
    return _with_year(_with_energy(place, energy), one, summary), invented


def _with_energy(place: Place, energy: Mapping[str, Any]) -> Place:
    """The place with the year that a result holds, if it holds one."""
    year, area = energy.get("annual_kwh"), (energy.get("rotor") or {}).get("area_m2")
    if not isinstance(year, float | int) or not isinstance(area, float | int):
        return place
    drawn = (energy.get("uncertainty") or {}).get("annual_kwh") or {}
    case_air = energy.get("annual_kwh_in_the_air_of_the_case") or 0.0
    return place.with_energy(year, area, case_air, drawn.get("p90"), drawn.get("p10"))


def _with_year(place: Place, one: Mapping[str, Any], summary: Mapping[str, Any]) -> Place:
    """The place with the net energy of a study of a whole year of hours."""
    net, hours, rotor = (one.get("annual_net_kwh"), summary.get("hours"), summary.get("rotor"))
    if net is None or not rotor or not hours or hours < _LEAST_HOURS:
        return place
    drawn = (one.get("percentiles_kwh") or {}).get("together") or {}
    area = rotor["width_m"] * rotor["height_m"]
    return place.with_energy(net, area, net, drawn.get("p90"), drawn.get("p10"))


def _chosen(path: Path, names: list[str], mount: str | None) -> str:
    if mount is None and len(names) == 1:
        return names[0]
    if mount in names:
        return str(mount)
    problem = "has several mounts" if mount is None else f"has no mount '{mount}'"
    raise CaseError(f"{path}: {problem}: --mount must be one of {', '.join(names)}")
