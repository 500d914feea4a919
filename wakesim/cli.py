"""The command line: ``run``, ``new``, ``keys``, ``validate``, ``compare``, ``claim``, ``vehicles``.

Results go to files and to standard output, everything else to standard error; with --quiet only
errors, and what --json or ``-o -`` asks for. Nothing heavy is imported before a command needs it.
"""

from __future__ import annotations

import argparse
import json
import logging
import os
import shutil
import sys
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakesim import cli_claim
from wakesim.case.starters import KINDS, starter_text
from wakesim.cli_summary import CAUTION, summary_lines
from wakesim.errors import (
    EXIT_DONE,
    EXIT_INTERRUPTED,
    EXIT_MEANINGS,
    EXIT_PARTIAL,
    EXIT_USAGE,
    OutputError,
    WakesimError,
)
from wakesim.runtime import Progress, forward_only

if TYPE_CHECKING:
    from wakesim.case.schema import Case
    from wakesim.case.vehicle import Vehicle

_STATUSES = "; ".join(f"{status} {meaning}" for status, meaning in EXIT_MEANINGS.items())

_NO_DIGITS = str.maketrans("", "", "0123456789")

log = logging.getLogger("wakesim")


def main(argv: Sequence[str] | None = None) -> int:
    """Run one command and return its exit status, one of ``errors.EXIT_MEANINGS``."""
    _tolerate_narrow_terminals()
    try:
        status = _dispatch(argv)
        sys.stdout.flush()
    except BrokenPipeError:  # the reader of a pipe has seen enough
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        status = EXIT_DONE
    return status


def _dispatch(argv: Sequence[str] | None) -> int:
    parser = _parser()
    try:
        options = parser.parse_args(argv)
    except SystemExit as stop:  # help and version are done, usage has been explained
        return stop.code if isinstance(stop.code, int) else EXIT_USAGE
    if options.command is None:
        parser.print_help(sys.stderr)
        return EXIT_USAGE
    _log_to_stderr(options.quiet, options.verbose)
    try:
        with warnings.catch_warnings():
            if options.quiet:
                warnings.simplefilter("ignore")
            return int(options.action(options))
    except BrokenPipeError:
        raise
    except KeyboardInterrupt:
        log.error("interrupted")
        return EXIT_INTERRUPTED
    except Exception as error:
        return _report_failure(error, options.verbose)


def _report_failure(error: Exception, verbose: int) -> int:
    if verbose >= 2:
        log.error("traceback:", exc_info=error)
    if isinstance(error, WakesimError):
        for line in str(error).splitlines():
            log.error("%s", line)
        return error.exit_status
    text = str(error) or "no details"
    log.error("unforeseen %s: %s (-vv shows where)", type(error).__name__, text)
    return EXIT_PARTIAL


# --- arguments ----------------------------------------------------------------------------------


class _Version(argparse.Action):
    """Print the version; looked up only when asked for."""

    def __call__(self, parser: argparse.ArgumentParser, *_: Any) -> None:
        from wakesim.runtime import version

        print(f"wakesim {version()}")
        parser.exit()


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="wakesim",
        description="What the air beside a busy road does, and the effective speed at a mount.",
        epilog=f"Exit status: {_STATUSES}. {CAUTION}",
        allow_abbrev=False,
    )
    parser.add_argument("--version", action=_Version, nargs=0, help="print the version")
    parser.set_defaults(command=None)
    commands = parser.add_subparsers(dest="command", metavar="COMMAND")
    loudness = argparse.ArgumentParser(add_help=False)
    loudness.add_argument(
        "-v", "--verbose", action="count", default=0, help="say more; -vv adds tracebacks"
    )
    loudness.add_argument(
        "-q", "--quiet", action="store_true", help="print nothing but errors (and asked-for JSON)"
    )

    def command(name: str, action: Callable[[Any], int], text: str) -> argparse.ArgumentParser:
        added = commands.add_parser(
            name, help=text, description=text, parents=[loudness], allow_abbrev=False,
            epilog=f"Exit status: {_STATUSES}.",
        )  # fmt: skip
        added.set_defaults(action=action)
        return added

    run = command("run", _run, "compute a case and write results, figures and a report")
    run.add_argument("case", metavar="CASE", help="the case file (TOML)")
    run.add_argument(
        "-o", "--output", metavar="DIR", help="folder for the results (default: out/<case name>)"
    )
    run.add_argument("--force", action="store_true", help="overwrite results in the folder")
    run.add_argument(
        "--workers",
        metavar="N",
        type=_positive,
        help="processes for tables, maps and samples (default: all processors for long ones)",
    )
    run.add_argument(
        "--cluster", metavar="ADDRESS", help="scheduler of a Dask cluster for tables and maps"
    )
    run.add_argument(
        "--json", action="store_true", help="print summary.json instead of the summary in words"
    )
    new = command("new", _new, "write a commented case to start from")
    kinds = "; ".join(f"{kind}: {text}" for kind, (_, text) in KINDS.items())
    new.add_argument("kind", metavar="KIND", choices=list(KINDS), help=kinds)
    new.add_argument(
        "-o", "--output", metavar="FILE", help="file to write (default: <KIND>.toml; - for stdout)"
    )
    new.add_argument("--force", action="store_true", help="overwrite the file")
    keys = command("keys", _keys, "explain the keys of a case file: unit, range, default, meaning")
    keys.add_argument(
        "pattern",
        metavar="PATTERN",
        nargs="?",
        default="",
        help="part of a table or key (air.wind, height), or with * and ? a whole one",
    )
    keys.add_argument("--json", action="store_true", help="print JSON")
    validate = command(
        "validate", _validate, "evaluate every comparison with published data, print the scorecard"
    )
    validate.add_argument(
        "--data", metavar="DIR", help="evaluate the reference files below this folder instead"
    )
    validate.add_argument(
        "-o",
        "--output",
        metavar="DIR",
        help="folder for REPORT.md and the figures (default: the validation folder of a source "
        "tree; validation-report with --data and in an installed program)",
    )
    validate.add_argument(
        "--force", action="store_true", help="overwrite a REPORT.md of another origin"
    )
    validate.add_argument(
        "--json", action="store_true", help="print the scorecard with all points as JSON"
    )
    _add_compare(command)
    claim = command("claim", _claim, "check stated figures of a turbine")
    cli_claim.add_arguments(claim)
    vehicles = command("vehicles", _vehicles, "list the vehicle catalogue and its sources")
    vehicles.add_argument("--json", action="store_true", help="print JSON")
    return parser


def _add_compare(command: Callable[..., argparse.ArgumentParser]) -> None:
    compare = command(
        "compare", _compare, "hold an anemometer's record against the model of a case"
    )
    compare.add_argument("case", metavar="CASE", help="the case file (TOML)")
    compare.add_argument("record", metavar="RECORD", help="the anemometer's record (CSV)")
    compare.add_argument(
        "--passes", metavar="LOG", help="log of the single vehicles that passed (CSV)"
    )
    compare.add_argument(
        "--instrument", metavar="FILE", help="[instrument] table (TOML) instead of the case's"
    )
    compare.add_argument(
        "--mount", metavar="NAME", help="mount at which the anemometer stood; not needed for one"
    )
    compare.add_argument(
        "--road-bearing",
        metavar="DEG",
        type=float,
        help="compass direction of +x, which turns direction_deg into components",
    )
    compare.add_argument(
        "--mount-side",
        choices=["left", "right"],
        default="left",
        help="side of that direction on which +y lies, away from the traffic (default: left)",
    )
    compare.add_argument(
        "--time-zone", metavar="ZONE", help="of times without offset: Europe/Berlin or +01:00"
    )
    compare.add_argument(
        "--column",
        metavar="KEY=NAME",
        action="append",
        default=[],
        help="column NAME of a file holds KEY, as u_m_s=Ux; again for further columns",
    )
    compare.add_argument(
        "--missing",
        metavar="MARK",
        action="append",
        default=[],
        help="what stands for a missing value, as --missing=-999; again for further marks",
    )
    compare.add_argument(
        "--date-order",
        choices=["dmy", "mdy"],
        default="",
        help="what comes first in dates that do not say: the day (dmy) or the month (mdy)",
    )
    compare.add_argument(
        "--header-line",
        metavar="N",
        type=_positive,
        default=0,
        help="line of the record that names its columns (default: found)",
    )
    compare.add_argument(
        "--ambient",
        choices=["case", "record"],
        default="case",
        help="slow wind: the case's (default), or the record's, which takes it off both",
    )
    compare.add_argument(
        "--ambient-mast",
        metavar="RECORD",
        help="record of a mast out of the traffic's reach, whose wind is the ambient one (CSV)",
    )
    compare.add_argument(
        "--ambient-height",
        metavar="METRES",
        type=float,
        help="height of the ambient mast (default: the reference height of the case's wind, or 3)",
    )
    compare.add_argument(
        "--second",
        metavar="RECORD",
        help="record of a second anemometer at another height, for the profile of the wake (CSV)",
    )
    compare.add_argument(
        "--second-instrument", metavar="FILE", help="[instrument] of the second one, with height_m"
    )
    compare.add_argument(
        "--second-mount", metavar="NAME", help="mount of the case at which the second one stood"
    )
    compare.add_argument(
        "--log-time-error",
        metavar="SECONDS",
        type=float,
        help="standard deviation of single times in the log (default: found from the record)",
    )
    compare.add_argument(
        "--fit", action="store_true", help="fit constants of the model, write fitted-case.toml"
    )
    compare.add_argument(
        "-o",
        "--output",
        metavar="DIR",
        help="folder for the results (default: out/compare-<record name>)",
    )
    compare.add_argument("--force", action="store_true", help="overwrite results in the folder")
    compare.add_argument(
        "--json", action="store_true", help="print comparison.json instead of words"
    )


def _positive(text: str) -> int:
    """A whole number of at least 1."""
    try:
        value = int(text)
    except ValueError:
        value = 0
    if value < 1:
        raise argparse.ArgumentTypeError(f"{text}: must be a whole number of at least 1")
    return value


def _tolerate_narrow_terminals() -> None:
    """Characters a terminal's encoding lacks are escaped instead of ending the program."""
    for stream in (sys.stdout, sys.stderr):
        if hasattr(stream, "reconfigure"):
            stream.reconfigure(errors="backslashreplace")


class _StderrHandler(logging.StreamHandler[Any]):
    """Writes to whatever standard error is now, so that a progress display can wrap it."""

    def emit(self, record: logging.LogRecord) -> None:
        self.stream = sys.stderr
        super().emit(record)


def _log_to_stderr(quiet: bool, verbose: int) -> None:
    for handler in [h for h in log.handlers if isinstance(h, _StderrHandler)]:
        log.removeHandler(handler)
    handler = _StderrHandler(sys.stderr)
    handler.setFormatter(logging.Formatter("%(message)s"))
    log.addHandler(handler)
    log.propagate = False
    log.setLevel(logging.ERROR if quiet else logging.DEBUG if verbose else logging.INFO)


def _say(options: argparse.Namespace, lines: Iterable[str]) -> None:
    """Print lines of a result, unless they are not wanted."""
    if not options.quiet:
        print("\n".join(lines))


# --- run ----------------------------------------------------------------------------------------


def _run(options: argparse.Namespace) -> int:
    from wakesim.case.load import load_case
    from wakesim.case.studies import GRID_STUDIES
    from wakesim.outputs import check_target
    from wakesim.outputs.folders import hold

    case = load_case(options.case)
    folder = Path(options.output or Path("out", Path(options.case).stem))
    # Studies of many points keep what is finished in the folder, for a later run to go on from.
    samples = case.energy is not None and case.energy.samples > 0
    keeps = case.study in GRID_STUDIES or samples
    with hold(folder):
        check_target(folder, options.force)

        from wakesim.run import run  # the heavy part starts here

        workers = options.workers
        if samples and workers is None:
            from wakesim.sweep import free_processors

            workers = free_processors()
        sweep = {"workers": workers, "cluster": options.cluster, "folder": folder}
        with _progress(options.quiet) as report:
            result = run(case, progress=report, **(sweep if keeps else {}))
        paths = result.save(folder, force=options.force)
    if options.json:
        sys.stdout.write((folder / "summary.json").read_text(encoding="utf-8"))
    else:
        _say(options, summary_lines(result, folder, len(paths)))
    failed = len(getattr(result, "failed", ()))
    if failed:
        log.error(
            "%d points could not be computed; %s names them; the same command tries them again "
            "(with --force)", failed, folder / "failures.csv",
        )  # fmt: skip
    return EXIT_PARTIAL if failed else EXIT_DONE


@contextmanager
def _progress(quiet: bool) -> Iterator[Progress]:
    """Shows progress, only ever forwards: as a bar on a terminal, else as log lines."""
    if quiet or not sys.stderr.isatty():
        yield forward_only(_LogProgress())
        return
    from rich.console import Console
    from rich.progress import BarColumn, TextColumn, TimeElapsedColumn
    from rich.progress import Progress as Bar

    columns = (TextColumn("{task.description}"), BarColumn(), TimeElapsedColumn())
    with Bar(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("starting", total=1.0)

        def report(done: float, text: str) -> None:
            bar.update(task, completed=done, description=text or None)

        yield forward_only(report)


class _LogProgress:
    """Progress as log lines, one for each new activity and each further tenth."""

    def __init__(self) -> None:
        self._said: tuple[str, int] = ("", 0)

    def __call__(self, done: float, text: str) -> None:
        tenth = int(10 * done + 1e-9)
        activity = text.translate(_NO_DIGITS)  # counts of points change all the time
        if (activity, tenth) != self._said:
            self._said = (activity, tenth)
            log.info("%3.0f %% %s", 100 * done, text)


# --- validate -----------------------------------------------------------------------------------


def _validate(options: argparse.Namespace) -> int:
    from wakesim.outputs.folders import hold
    from wakesim.runtime import validation_path
    from wakesim.validation.publish import check_target, default_target, publish
    from wakesim.validation.reader import find_files
    from wakesim.validation.scorecard import as_plain, evaluate_folder, table_lines

    folder = Path(options.data) if options.data is not None else validation_path()
    target = Path(options.output) if options.output else default_target(options.data is None)
    find_files(folder)
    check_target(target, options.force)
    with hold(target), _progress(options.quiet) as report:
        scorecard = evaluate_folder(folder, lambda done, text: report(0.7 * done, text))
        calibration = None
        if options.data is None:
            from wakesim.validation.calibration import report_lines

            report(0.7, "calibration")
            calibration = report_lines()
        paths = publish(
            scorecard,
            target,
            calibration,
            lambda done, text: report(0.8 + 0.2 * done, text),
            options.force,
        )
    if options.json:
        print(json.dumps({**as_plain(scorecard), "report": str(paths[-1])}, indent=2))
    else:
        _say(options, [*table_lines(scorecard), f"report: {paths[-1]}"])
    return EXIT_DONE


# --- compare ------------------------------------------------------------------------------------


def _compare(options: argparse.Namespace) -> int:
    from wakesim.case.load import load_case
    from wakesim.outputs.folders import hold

    case = load_case(options.case)
    folder = Path(options.output or Path("out", f"compare-{Path(options.record).stem}"))
    with hold(folder):
        return _compare_into(folder, case, options)


def _compare_into(folder: Path, case: Case, options: argparse.Namespace) -> int:
    from wakesim.csv_tables import MOST_RECORD_BYTES, open_table_file
    from wakesim.records.publish import check_target, save

    check_target(folder, options.force)
    for path in (options.record, options.passes, options.second, options.ambient_mast):
        if path is not None:
            open_table_file(path, "a table of text", MOST_RECORD_BYTES).close()

    from wakesim.records.comparison import compare_record  # the heavy part starts here
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
    with _progress(options.quiet) as report:
        result = compare_record(
            inputs,
            fitted=options.fit,
            ambient=options.ambient,
            log_time_error_s=options.log_time_error,
            say=report,
        )
        report(0.92, "figures")
        paths, left_out = save(result, folder, options.force)
        report(1.0, "done")
    if options.json:
        sys.stdout.write((folder / "comparison.json").read_text(encoding="utf-8"))
    else:
        _say(options, printed(result, left_out, folder, len(paths)))
    return EXIT_DONE


# --- claim --------------------------------------------------------------------------------------


def _claim(options: argparse.Namespace) -> int:
    return cli_claim.check(options)


# --- new, keys and vehicles ---------------------------------------------------------------------


def _new(options: argparse.Namespace) -> int:
    from wakesim.outputs.folders import replace_file

    text = starter_text(options.kind)
    if options.output == "-":
        sys.stdout.write(text)
        return EXIT_DONE
    path = Path(options.output or f"{options.kind}.toml")
    try:
        if options.force:
            replace_file(path, text.encode())
        else:
            with path.open("x", encoding="utf-8", newline="\n") as file:
                file.write(text)
    except FileExistsError as error:
        raise OutputError(f"{path} exists; --force overwrites it, -o names another file") from error
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or str(error)
        raise OutputError(f"{path} cannot be written: {reason}") from error
    _say(options, [
        f"wrote {path}; compute it with: wakesim run {path}",
        "what its keys mean, and which others there are: wakesim keys",
    ])  # fmt: skip
    return EXIT_DONE


def _keys(options: argparse.Namespace) -> int:
    from wakesim.case.keys import as_plain, explained, matching

    keys = matching(options.pattern)
    if options.json:
        print(json.dumps(as_plain(keys), indent=2, ensure_ascii=False))
    else:
        _say(options, explained(keys, shutil.get_terminal_size((100, 24)).columns))
    return EXIT_DONE


def _vehicles(options: argparse.Namespace) -> int:
    from dataclasses import asdict

    from wakesim.case.vehicle import aliases, catalogue

    vehicles = catalogue()
    if options.json:
        print(json.dumps([asdict(vehicle) for vehicle in vehicles.values()], indent=2))
        return EXIT_DONE
    _say(options, _vehicle_lines(vehicles, aliases()))
    return EXIT_DONE


def _vehicle_lines(vehicles: Mapping[str, Vehicle], aliases: Mapping[str, str]) -> Iterator[str]:
    yield f"{'name':<15} length  width height clear.   area   C_D  C_D range    speed and sd"
    yield f"{'':<15}      m      m      m      m     m²                          km/h"
    for v in vehicles.values():
        low, high = v.drag_range or (v.drag_coefficient, v.drag_coefficient)
        mean = 3.6 * (v.mean_speed_m_s or 0.0)
        yield (
            f"{v.name:<15} {v.length_m:6.2f} {v.width_m:6.2f} {v.height_m:6.2f} "
            f"{v.clearance_m:6.2f} {v.frontal_area_m2:6.2f} {v.drag_coefficient:5.2f}  "
            f"{low:.2f}-{high:.2f}  {mean:8.1f} {3.6 * v.speed_sd_m_s:6.1f}"
        )
    yield ""
    yield "Where the figures come from (read: seen in the source; from memory: a default only)"
    for v in vehicles.values():
        yield from ["", f"{v.name}: {v.label}", *(f"  {part}" for part in v.source.split(" | "))]
    yield ""
    for short, name in aliases.items():
        yield f"{short}: another name of {name}"
