"""Fitted constants written into a copy of the case, comments and order kept.

Each value stands in [model] with a line above it that says where it comes from and how sure it is.
The copy is read back before it is put in place: it must be a valid case with these very values.
"""

from __future__ import annotations

import re
from pathlib import Path

from wakesim.case.load import load_case_text
from wakesim.case.messages import LineMap
from wakesim.case.schema import Case
from wakesim.case.settings import ModelConstants
from wakesim.errors import CaseError, one_line
from wakesim.records.fit import FitResult, FittedConstant
from wakesim.records.forward import allowed_range

_MARK = "# fitted to a record"
_DIGITS = 4


def fitted_text(case: Case, fit: FitResult) -> tuple[str, tuple[str, ...]]:
    """The case's text with the fitted constants, and what was left out and why.

    Only constants with status "fitted" that [model] has a key for are written. Raises CaseError
    for a value outside the range of its key, when nothing can be written, or when the copy would
    not be a valid case.
    """
    text, written, left_out = case.text, {}, []
    for constant in fit.constants.values():
        reason = _reason_against(constant)
        if reason:
            left_out.append(f"{constant.name}: {reason}")
            continue
        value = float(f"{constant.value:.{_DIGITS}g}")
        _check_range(case, constant.name, value)
        text = _with_value(text, constant, value, Path(fit.record_path).name)
        written[constant.name] = value
    if not written:
        raise CaseError(f"no constant to write into the case: {'; '.join(left_out)}")
    copy = load_case_text(text, case.path)
    for name, value in written.items():
        if getattr(copy.model, name) != value:
            raise CaseError(f"{case.path}: {name} could not be set in the copy; set it by hand")
    return text, tuple(left_out)


def _reason_against(constant: FittedConstant) -> str:
    """Why a constant cannot be written; empty when it can."""
    if constant.status == "held":
        return "not fitted, left as it is"
    if constant.status != "fitted":
        return f"{constant.status}, left as it is"
    if constant.name not in ModelConstants.model_fields:
        return f"fitted, {constant.value:.{_DIGITS}g}, but a case has no key for it"
    return ""


def _check_range(case: Case, key: str, value: float) -> None:
    low, high = allowed_range(key)
    if not low <= value <= high:
        raise CaseError(
            f"{case.path}: model.{key} = {value:g} (fitted): "
            f"must be at least {low:g} and at most {high:g}"
        )


def _with_value(text: str, constant: FittedConstant, value: float, record: str) -> str:
    """The text with one key of [model] set, and a comment above its line."""
    lines = text.split("\n")
    positions = LineMap(text)
    paths = positions.paths()
    key, number = constant.name, f"{value:.{_DIGITS}g}"
    number = number if "." in number or "e" in number else f"{number}.0"
    comment = _comment(constant, record)
    if ("model", key) in paths:
        row = (positions.line_of(("model", key)) or 1) - 1
        pattern = re.compile(rf"((?<![\w-]){key}[\"']?\s*=\s*)[-+.\w]+")
        lines[row] = pattern.sub(lambda found: found.group(1) + number, lines[row], count=1)
        return "\n".join(_commented(lines, row, key, comment))
    if ("model",) not in paths:
        end = [] if lines and not lines[-1].strip() else [""]
        return "\n".join([*lines, *end, "[model]", comment, f"{key} = {number}", ""])
    row = (positions.line_of(("model",)) or 1) - 1
    first = lines[row].split("#")[0]
    if first.lstrip().startswith("["):
        return "\n".join([*lines[: row + 1], comment, f"{key} = {number}", *lines[row + 1 :]])
    if "{" in first:
        at = first.index("{") + 1
        follows = "" if first[at:].lstrip().startswith("}") else ","
        lines[row] = f"{lines[row][:at]} {key} = {number}{follows}{lines[row][at:]}"
        return "\n".join(_commented(lines, row, key, comment))
    return "\n".join([*lines[:row], comment, f"model.{key} = {number}", *lines[row:]])


def _commented(lines: list[str], row: int, key: str, comment: str) -> list[str]:
    """Lines with the comment above ``row``, in place of an earlier fit's."""
    start = row
    while start > 0 and lines[start - 1].startswith(_MARK):
        start -= 1
    kept = [line for line in lines[start:row] if f": {key} " not in line]
    return [*lines[:start], *kept, comment, *lines[row:]]


def _comment(constant: FittedConstant, record: str) -> str:
    name = one_line(record) or "unnamed"
    return (
        f"{_MARK}, {name}: {constant.name} {constant.value:.{_DIGITS}g}, "
        f"90 % interval {constant.low:.3g} to {constant.high:.3g}; was {constant.case_value:g}"
    )
