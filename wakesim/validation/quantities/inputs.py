"""Options and conditions of a comparison, read with one clear error line."""

from __future__ import annotations

import math
from collections.abc import Sequence

import numpy as np

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.comparison import Array, Comparison

SMALLEST = 1e-9  # of what must be above 0


def refuse(c: Comparison, where: str, value: object, text: str) -> CaseError:
    """The error for a wrong value: file, key, value, what is allowed."""
    return CaseError(f"{c.path}: {where} = {value!r}: {text}")


def body_of(c: Comparison) -> Vehicle:
    """The body of a comparison. Raises CaseError when it has none."""
    if c.body is None:
        raise CaseError(f"{c.path}: quantity '{c.quantity}' needs a [body] or a vehicle")
    return c.body


def flag(c: Comparison, name: str, default: bool) -> bool:
    """An option that is true or false."""
    value = c.options.get(name, default)
    if not isinstance(value, bool):
        raise refuse(c, f"options.{name}", value, "must be true or false")
    return value


def choice(c: Comparison, name: str, default: str, allowed: Sequence[str]) -> str:
    """An option that is one of a few words."""
    value = c.options.get(name, default)
    if value not in allowed:
        words = ", ".join(f"'{word}'" for word in allowed)
        raise refuse(c, f"options.{name}", value, f"must be one of {words}")
    return str(value)


def number(
    c: Comparison, name: str, default: float | None, low: float, high: float, unit: str
) -> float | None:
    """An option that is a number in [low, high]; ``default`` when it is not given."""
    value = c.options.get(name, default)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise refuse(c, f"options.{name}", value, "must be a number")
    if not low <= value <= high:
        raise refuse(c, f"options.{name}", value, _range(low, high, unit))
    return float(value)


def setting(
    c: Comparison, name: str, default: float, low: float, high: float, unit: str = ""
) -> float:
    """An option that is a number in [low, high], ``default`` when it is not given."""
    value = number(c, name, None, low, high, unit)
    return default if value is None else value


def integer(c: Comparison, name: str, default: int, low: int, high: int) -> int:
    """An option that is a whole number in [low, high]."""
    value = c.options.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise refuse(c, f"options.{name}", value, f"must be a whole number, {low} to {high}")
    return value


def condition(
    c: Comparison,
    name: str,
    low: float = -math.inf,
    high: float = math.inf,
    unit: str = "m",
    default: float | None = None,
) -> Array:
    """Values (n,) of a condition, all finite and in [low, high].

    Raises CaseError naming the point when one is not, or when the condition is missing and has no
    default.
    """
    if name not in c.conditions:
        if default is None:
            raise CaseError(f"{c.path}: quantity '{c.quantity}' needs the condition '{name}'")
        return np.full(c.measured.size, default)
    values = np.asarray(c.conditions[name], dtype=np.float64)
    wrong = np.flatnonzero(~(np.isfinite(values) & (values >= low) & (values <= high)))
    if wrong.size:
        at = int(wrong[0])
        raise refuse(c, f"point {at + 1}, {name}", float(values[at]), _range(low, high, unit))
    return values


def _range(low: float, high: float, unit: str) -> str:
    unit = f" {unit}" if unit else ""
    if math.isinf(low) and math.isinf(high):
        return "must be a finite number"
    if math.isinf(high):
        return f"must be at least {low:g}{unit}"
    if math.isinf(low):
        return f"must be at most {high:g}{unit}"
    return f"must be from {low:g} to {high:g}{unit}"
