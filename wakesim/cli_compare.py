"""``wakesim compare``: an anemometer's record held against the model of a case."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path
from typing import TYPE_CHECKING

from wakesim.errors import EXIT_DONE
from wakesim.folders import COMPARISON, check_target, hold
from wakesim.progress import shown

if TYPE_CHECKING:
    from wakesim.case.schema import Case


def add_arguments(parser: argparse.ArgumentParser) -> None:
    """The arguments of the command."""
    add = parser.add_argument
    add("case", metavar="CASE", help="the case file (TOML)")
    add("record", metavar="RECORD", help="the anemometer's record (CSV)")
    add("--passes", metavar="LOG", help="log of the single vehicles that passed (CSV)")
    add("--instrument", metavar="FILE", help="[instrument] table (TOML) instead of the case's")
    add("--mount", metavar="NAME", help="mount at which the anemometer stood; not needed for one")
    add(
        "--road-bearing",
        metavar="DEG",
        type=float,
        help="compass direction of +x, which turns direction_deg into components",
    )
    add(
        "--mount-side",
        choices=["left", "right"],
        default="left",
        help="side of that direction on which +y lies, away from the traffic (default: left)",
    )
    add("--time-zone", metavar="ZONE", help="of times without offset: Europe/Berlin or +01:00")
    add(
        "--column",
        metavar="KEY=NAME",
        action="append",
        default=[],
        help="column NAME of a file holds KEY, as u_m_s=Ux; again for further columns",
    )
    add(
        "--missing",
        metavar="MARK",
        action="append",
        default=[],
        help="what stands for a missing value, as --missing=-999; again for further marks",
    )
    add(
        "--date-order",
        choices=["dmy", "mdy"],
        default="",
        help="what comes first in dates that do not say: the day (dmy) or the month (mdy)",
    )
    add(
        "--header-line",
        metavar="N",
        type="positive",
        default=0,
        help="line of the record that names its columns (default: found)",
    )
    add(
        "--ambient",
        choices=["case", "record"],
        default="case",
        help="slow wind: the case's (default), or the record's, which takes it off both",
    )
    add(
        "--ambient-mast",
        metavar="RECORD",
        help="record of a mast out of the traffic's reach, whose wind is the ambient one (CSV)",
    )
    add(
        "--ambient-height",
        metavar="METRES",
        type=float,
        help="height of the ambient mast (default: the reference height of the case's wind, or 3)",
    )
    add(
        "--second",
        metavar="RECORD",
        help="record of a second anemometer at another height, for the profile of the wake (CSV)",
    )
    add("--second-instrument", metavar="FILE", help="[instrument] of the second one, with height_m")
    add("--second-mount", metavar="NAME", help="mount of the case at which the second one stood")
    add(
        "--log-time-error",
        metavar="SECONDS",
        type=float,
        help="standard deviation of single times in the log (default: found from the record)",
    )
    add("--fit", action="store_true", help="fit constants of the model, write fitted-case.toml")
    add(
        "-o",
        "--output",
        metavar="DIR",
        help="folder for the results (default: out/compare-<record name>)",
    )
    add("--force", action="store_true", help="overwrite results in the folder")
    add("--json", action="store_true", help="print comparison.json instead of words")


def compare(options: argparse.Namespace) -> int:
    """Run the command; its exit status."""
    from wakesim.case.load import load_case

    case = load_case(options.case)
    folder = Path(options.output or Path("out", f"compare-{Path(options.record).stem}"))
    with hold(folder):
        return _compare_into(folder, case, options)


def _compare_into(folder: Path, case: Case, options: argparse.Namespace) -> int:
    from wakesim.csv_tables import MOST_RECORD_BYTES, open_table_file

    check_target(folder, COMPARISON, options.force)
    for path in (options.record, options.passes, options.second, options.ambient_mast):
        if path is not None:
            open_table_file(path, "a table of text", MOST_RECORD_BYTES).close()

    from wakesim.records.comparison import compare_record  # the heavy part starts here
    from wakesim.records.comparison_files import save
    from wakesim.records.comparison_report import printed
    from wakesim.records.inputs import Beside, read_inputs
    from wakesim.records.logger import ReadOptions, column_names

    inputs = read_inputs(
        case,
        options.record,
        passes_path=options.passes,
        instrument_path=options.instrument,
        mount=options.mount,
        road_bearing_deg=options.road_bearing,
        mount_side=options.mount_side,
        options=ReadOptions(
            time_zone=options.time_zone,
            missing=tuple(options.missing),
            columns=column_names(options.column),
            date_order=options.date_order,
            header_line=options.header_line,
        ),
        beside=Beside(
            second=options.second,
            second_instrument=options.second_instrument,
            second_mount=options.second_mount,
            mast=options.ambient_mast,
            mast_height_m=options.ambient_height,
        ),
    )
    with shown(options.quiet) as report:
        result = compare_record(
            inputs,
            fitted=options.fit,
            ambient=options.ambient,
            log_time_error_s=options.log_time_error,
            progress=report,
        )
        report(0.92, "figures")
        paths, left_out = save(result, folder, options.force)
        report(1.0, "done")
    if options.json:
        sys.stdout.write((folder / "comparison.json").read_text(encoding="utf-8"))
    elif not options.quiet:
        print("\n".join(printed(result, left_out, folder, len(paths))))
    return EXIT_DONE
