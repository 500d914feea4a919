"""Calibration: the model's free constants against published data, and whether to change them.

Method: ``fitting``; split and rule of adoption: ``held_out``; data: ``calibration_problems``.
"""

from __future__ import annotations

import math
import textwrap
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray

from wakesim.validation.calibration_problems import marched_data, problems
from wakesim.validation.fitting import estimate
from wakesim.validation.held_out import Fit, Gain, judge
from wakesim.validation.report import table

_METHOD = (
    "The free constants are fitted by nonlinear least squares to one part of the published data, "
    "the training part, and judged on the rest. The split was fixed beforehand: of the stations in "
    "order the first, third, fifth and so on train, the others are held out. Residuals are natural "
    "logarithms of computed over measured (0.1 is about 10 %) unless a unit stands with them. "
    "Intervals are 90 %: first from the Jacobian and the residual variance, which takes every "
    "datum as independent, then by leaving out one station at a time, which does not. With so few "
    "stations both are wide, and a fall shown by two held-out stations must be very even to count: "
    "that is the finding. The column fitted to all is for comparison only.",
    "A fitted constant becomes the default only when three things hold. The mean square held-out "
    "residual falls by more than the 90 % uncertainty of that fall, for the whole set and for this "
    "constant on its own. Its value lies within its range in the table of constants. And the body "
    "measured stands for what the default stands for.",
)
_SETS = (
    "Leaving out one data set at a time: the three constants of the marched wake are fitted to all "
    "others and judged on the one left out (rms of its residuals). A fall there is what a fit "
    "would be worth for new data of that kind; a rise shows that the sets pull in different "
    "directions."
)
_COLUMNS = (
    "fit", "constant", "default", "fitted", "90 % interval", "leaving one station out",
    "fitted to all", "training rms", "held-out rms, default", "held-out rms, fitted",
    "fall of the held-out mean square", "decision",
)  # fmt: skip


@cache
def calibrate() -> tuple[Fit, ...]:
    """All fits: one entry for each constant of each problem, in the order of the report.

    Takes about 15 s of processor time at the first call. Nothing is changed by it.
    """
    return tuple(fit for problem in problems() for fit in judge(problem))


@dataclass(frozen=True)
class LeftOut:
    """One data set judged by constants (p,) that were fitted to all the others."""

    name: str
    count: int
    fitted: NDArray[np.float64]
    rms_default: float
    rms_fitted: float


@cache
def leave_sets_out() -> tuple[LeftOut, ...]:
    """The joint fit without each data set in turn."""
    problem = problems()[0]
    found = []
    for name, rows in marched_data().sets.items():
        use = np.ones(problem.measured.size, dtype=bool)
        use[rows] = False
        fitted = estimate(problem, use).values
        default, moved = (
            math.sqrt(float(np.mean(problem.residuals(v)[rows] ** 2)))
            for v in (problem.defaults, fitted)
        )
        found.append(LeftOut(name, rows.stop - rows.start, fitted, default, moved))
    return tuple(found)


def _set_lines() -> list[str]:
    constants = problems()[0].constants
    head = ["left out", "values", *(f"{c.name} {c.symbol}" for c in constants),
            "rms, default", "rms, fitted"]  # fmt: skip
    rows = [
        [one.name, str(one.count), *map(_number, one.fitted), _number(one.rms_default, 2),
         _number(one.rms_fitted, 2)]
        for one in leave_sets_out()
    ]  # fmt: skip
    return [*textwrap.wrap(_SETS, 100), "", *table(head, rows)]


def _number(value: float, digits: int = 3) -> str:
    if not math.isfinite(value) or abs(value) >= 1e4:
        return "unbounded"
    text = f"{value:.{digits}g}"
    if "e" in text:
        return str(np.format_float_positional(value, digits, fractional=False, trim="-"))
    return text


def _pair(ends: tuple[float, float]) -> str:
    low, high = ends
    if not (math.isfinite(low) and math.isfinite(high) and high < 1e4):
        return "not fixed"
    return f"{_number(low, 2)} to {_number(high, 2)}"


def _gain(gain: Gain) -> str:
    return f"{_number(gain.value, 2)} ± {_number(gain.uncertainty, 2)}"


def _stations(fit: Fit) -> tuple[int, int]:
    """Number of stations that train and that are held out."""
    problem, use = fit.problem, fit.problem.training()
    return len(set(problem.station[use])), len(set(problem.station[~use]))


def _line(fit: Fit) -> str:
    problem, constant = fit.problem, fit.constant
    unit = f" {problem.unit}" if problem.unit else ""
    symbol = "" if constant.symbol == "–" else f" {constant.symbol}"
    rms = (fit.training_rms, fit.held_out_rms_default, fit.held_out_rms_fitted)
    cells = [
        problem.name,
        f"{constant.name}{symbol}",
        _number(constant.default),
        _number(fit.fitted),
        _pair(fit.interval),
        _pair(fit.jackknife),
        _number(fit.fitted_to_all),
        *(_number(value, 2) + unit for value in rms),
        _gain(fit.set_gain),
        "new default" if fit.adopt else "keep the default",
    ]
    return f"| {' | '.join(cells)} |"


def report_lines() -> list[str]:
    """The calibration section of the report as Markdown lines, without its heading."""
    fits = calibrate()
    lines: list[str] = []
    for text in _METHOD:
        lines += [*textwrap.wrap(text, 100), ""]
    lines += [f"| {' | '.join(_COLUMNS)} |", "|" + "---|" * len(_COLUMNS), *map(_line, fits)]
    lines += ["", "Data, reasons and limits:", ""]
    shown = ""
    for fit in fits:
        if fit.problem.name != shown:
            shown = fit.problem.name
            trained, held = _stations(fit)
            text = (
                f"**{fit.problem.name}** ({fit.problem.data}; {trained} train, {held} held out). "
                f"{fit.problem.note}"
            )
            lines += textwrap.wrap(text, 98, initial_indent="- ", subsequent_indent="  ")
        verdict = "new default" if fit.adopt else "default kept"
        text = f"{fit.constant.name}: {verdict}: {fit.reason}."
        if fit.default_doubtful:
            text += " The default lies outside both intervals of this fit."
        lines += textwrap.wrap(text, 96, initial_indent="  - ", subsequent_indent="    ")
    lines += ["", *_set_lines()]
    adopted = [fit.constant.name for fit in fits if fit.adopt]
    verdict = f"To be changed: {', '.join(adopted)}." if adopted else "No default is changed."
    return [*lines, "", verdict]
