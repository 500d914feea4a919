"""The command line: ``run``, ``new``, ``keys``, ``validate``, ``compare``, ``claim``, ``vehicles``,
``cache``.

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
import threading
import warnings
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from wakesim import cli_claim, cli_compare
from wakesim.case.starters import KINDS, starter_files, starter_text
from wakesim.errors import (
    EXIT_DONE,
    EXIT_INTERRUPTED,
    EXIT_MEANINGS,
    EXIT_PARTIAL,
    EXIT_USAGE,
    OutputError,
    WakesimError,
)
from wakesim.outputs.wording import CAUTION
from wakesim.progress import shown

if TYPE_CHECKING:
    from wakesim.case.vehicle import Vehicle
    from wakesim.kept import Entry

_STATUSES = "; ".join(f"{status} {meaning}" for status, meaning in EXIT_MEANINGS.items())

log = logging.getLogger("wakesim")

Action = Callable[[argparse.Namespace], int]


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

    for name, text, add_arguments, action in _COMMANDS:
        command = commands.add_parser(
            name, help=text, description=text, parents=[loudness], allow_abbrev=False,
            epilog=f"Exit status: {_STATUSES}.",
        )  # fmt: skip
        command.register("type", "positive", _positive)
        command.set_defaults(action=action)
        add_arguments(command)
    return parser


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


def _run_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("case", metavar="CASE", help="the case file (TOML)")
    add("-o", "--output", metavar="DIR", help="folder for the results (default: out/<case name>)")
    add("--force", action="store_true", help="overwrite results in the folder")
    add(
        "--workers",
        metavar="N",
        type="positive",
        help="processes for tables, maps and samples (default: all processors for long ones)",
    )
    add(
        "--cluster",
        metavar="ADDRESS",
        help="scheduler of a Dask cluster for tables, maps and samples",
    )
    add("--parquet", action="store_true", help="write the tables as Parquet files, too")
    add("--json", action="store_true", help="print summary.json instead of the summary in words")


def _run(options: argparse.Namespace) -> int:
    from wakesim.case.load import load_case
    from wakesim.folders import RESULT, check_target, hold

    case = load_case(options.case)
    folder = Path(options.output or Path("out", Path(options.case).stem))
    if options.parquet or case.outputs.parquet:
        from wakesim.outputs import check_parquet

        check_parquet()
    with hold(folder):
        check_target(folder, RESULT, options.force)

        from wakesim.run import run  # the heavy part starts here
        from wakesim.runtime import share_memory_between_threads

        share_memory_between_threads()
        threading.Thread(target=_import_what_saving_needs).start()
        with shown(options.quiet) as report:
            result = run(
                case, report, workers=options.workers, cluster=options.cluster, folder=folder
            )
        paths = result.save(folder, force=options.force, parquet=options.parquet)
    if options.json:
        sys.stdout.write((folder / "summary.json").read_text(encoding="utf-8"))
    else:
        from wakesim.outputs.report import console_text

        _say(options, [console_text(result, folder, len(paths))])
    failed = len(getattr(result, "failed", ()))
    if failed:
        log.error(
            "%d points could not be computed; %s names them; the same command tries them again "
            "(with --force)", failed, folder / "failures.csv",
        )  # fmt: skip
    return EXIT_PARTIAL if failed else EXIT_DONE


def _import_what_saving_needs() -> None:
    """Half a second that fits beside loops which leave a processor free."""
    from scipy import signal  # noqa: F401

    from wakesim.outputs import figures, report  # noqa: F401


# --- validate -----------------------------------------------------------------------------------


def _validate_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("--data", metavar="DIR", help="evaluate the reference files below this folder instead")
    add(
        "-o",
        "--output",
        metavar="DIR",
        help="folder for REPORT.md and the figures (default: the validation folder of a source "
        "tree; validation-report with --data and in an installed program)",
    )
    add("--force", action="store_true", help="overwrite a REPORT.md of another origin")
    add("--json", action="store_true", help="print the scorecard with all points as JSON")


def _validate(options: argparse.Namespace) -> int:
    from wakesim.folders import SCORECARD, check_target, hold
    from wakesim.runtime import validation_path
    from wakesim.validation.reader import find_files
    from wakesim.validation.report import default_target, publish
    from wakesim.validation.scorecard import as_plain, evaluate_folder, table_lines

    folder = Path(options.data) if options.data is not None else validation_path()
    target = Path(options.output) if options.output else default_target(options.data is None)
    find_files(folder)
    with hold(target), shown(options.quiet) as report:
        check_target(target, SCORECARD, options.force)
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


# --- new, keys and vehicles ---------------------------------------------------------------------


def _new_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    kinds = "; ".join(f"{kind}: {text}" for kind, (_, text) in KINDS.items())
    add("kind", metavar="KIND", choices=list(KINDS), help=kinds)
    add("-o", "--output", metavar="FILE", help="file to write (default: <KIND>.toml; - for stdout)")
    add("--force", action="store_true", help="overwrite the file")


def _new(options: argparse.Namespace) -> int:
    from wakesim.folders import replace_file

    text = starter_text(options.kind)
    if options.output == "-":
        sys.stdout.write(text)
        return EXIT_DONE
    path = Path(options.output or f"{options.kind}.toml")
    content = {path.parent / name: data for name, data in starter_files(options.kind).items()}
    content[path] = text.encode()  # the last, so that no case is without what it reads
    there = [name for name in content if os.path.lexists(name)]
    if there and not options.force:
        raise OutputError(f"{there[0]} exists; --force overwrites it, -o names another file")
    for name, data in content.items():
        try:
            if name != path:
                name.parent.mkdir(exist_ok=True)
            if options.force:
                replace_file(name, data)
            else:
                with name.open("xb") as file:
                    file.write(data)
        except (OSError, ValueError) as error:
            reason = getattr(error, "strerror", None) or str(error)
            raise OutputError(f"{name} cannot be written: {reason}") from error
    _say(options, [
        f"wrote {path}; compute it with: wakesim run {path}",
        "what its keys mean, and which others there are: wakesim keys",
    ])  # fmt: skip
    return EXIT_DONE


def _keys_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add(
        "pattern",
        metavar="PATTERN",
        nargs="?",
        default="",
        help="part of a table or key (air.wind, height), or with * and ? a whole one",
    )
    add("--json", action="store_true", help="print JSON")


def _keys(options: argparse.Namespace) -> int:
    from wakesim.case.keys import as_plain, explained, matching

    keys = matching(options.pattern)
    if options.json:
        print(json.dumps(as_plain(keys), indent=2, ensure_ascii=False))
    else:
        _say(options, explained(keys, shutil.get_terminal_size((100, 24)).columns))
    return EXIT_DONE


def _vehicles_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("--json", action="store_true", help="print JSON")


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


# --- cache --------------------------------------------------------------------------------------


def _cache_arguments(parser: argparse.ArgumentParser) -> None:
    add = parser.add_argument
    add("--clear", action="store_true", help="remove all of it")
    add("--json", action="store_true", help="print JSON")


def _cache(options: argparse.Namespace) -> int:
    from wakesim import kept

    folder, gone = kept.folder(), kept.clear() if options.clear else []
    found = kept.entries()
    if options.json:
        about = {
            "folder": None if folder is None else str(folder),
            "entries": {kind: sum(e.kind == kind for e in found) for kind in kept.KINDS},
            "bytes": sum(e.size for e in found),
            "bound_bytes": round(kept.bound_bytes()),
            "removed": len(gone),
        }
        print(json.dumps(about, indent=2))
        return EXIT_DONE
    if folder is None:
        _say(options, [f"nothing is kept: {kept.FOLDER} or {kept.BOUND} switches it off"])
        return EXIT_DONE
    lines = [f"{folder}"]
    if options.clear:
        lines.append(f"removed {len(gone)} files, {_megabytes(gone)}")
    for kind, name in kept.KINDS.items():
        of_kind = [e for e in found if e.kind == kind]
        lines.append(f"{len(of_kind):6d} {name:<18} {_megabytes(of_kind):>10}")
    lines.append(f"{len(found):6d} {'in all':<18} {_megabytes(found):>10} "
                 f"of at most {kept.bound_bytes() / 1e6:g} MB")  # fmt: skip
    _say(options, lines)
    return EXIT_DONE


def _megabytes(entries: Sequence[Entry]) -> str:
    return f"{sum(e.size for e in entries) / 1e6:.1f} MB"


# name, what it does, its arguments, its function
_COMMANDS: tuple[tuple[str, str, Callable[[argparse.ArgumentParser], None], Action], ...] = (
    ("run", "compute a case and write results, figures and a report", _run_arguments, _run),
    ("new", "write a commented case to start from", _new_arguments, _new),
    (
        "keys",
        "explain the keys of a case file: unit, range, default, meaning",
        _keys_arguments,
        _keys,
    ),
    (
        "validate",
        "evaluate every comparison with published data, print the scorecard",
        _validate_arguments,
        _validate,
    ),
    (
        "compare",
        "hold an anemometer's record against the model of a case",
        cli_compare.add_arguments,
        cli_compare.compare,
    ),
    ("claim", "check stated figures of a turbine", cli_claim.add_arguments, cli_claim.check),
    ("vehicles", "list the vehicle catalogue and its sources", _vehicles_arguments, _vehicles),
    (
        "cache",
        "say what earlier runs have left for later ones, or remove it",
        _cache_arguments,
        _cache,
    ),
)
