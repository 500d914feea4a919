"""What quantities share: how one is registered, and how its conditions and options are read."""

from __future__ import annotations

import inspect
import math
from collections.abc import Callable, Mapping, Sequence

import numpy as np

from wakesim.arrays import Array
from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError
from wakesim.validation.comparison import Comparison, Quantity, name_and_unit

SMALLEST = 1e-9  # of what must be above 0
REGISTERED: dict[str, Quantity] = {}

# Conditions that quantities of several modules need, and what they mean.
BEHIND = {"behind_m": "distance behind the tail, or behind the trailing edge of a plane wake"}
SPEED = {"speed_m_s": "speed of the body or of the traffic; in a tunnel, of the undisturbed stream"}
LATERAL = {"lateral_m": "distance from the body's centreline to the point or wall"}

Function = Callable[[Comparison], Array]


def quantity(
    unit: str,
    needs: Mapping[str, str] | None = None,
    optional: Mapping[str, str] | None = None,
    *,
    body: bool = False,
    undisturbed: str = "",
) -> Callable[[Function], Function]:
    """Decorator: what the function computes is a quantity of its name, in ``unit``.

    The function returns (n,); the first paragraph of its docstring is the summary in the README.
    Arguments as in ``comparison.Quantity``. Raises ValueError for a name that there is already.
    """

    def register(function: Function) -> Function:
        name, text = function.__name__, inspect.getdoc(function)
        if name in REGISTERED or not text:
            raise ValueError(f"{name}: there is a quantity of this name, or it has no docstring")
        first = " ".join(text.split("\n\n")[0].split()).rstrip(".")
        REGISTERED[name] = Quantity(
            name,
            unit,
            first[0].lower() + first[1:],
            dict(needs or {}),
            dict(optional or {}),
            function,
            body,
            undisturbed,
        )
        return function

    return register


def refuse(c: Comparison, where: str, value: object, text: str) -> CaseError:
    """The error for a wrong value: file, key, value, what is allowed."""
    return CaseError(f"{c.path}: {where} = {value!r}: {text}")


def body_of(c: Comparison) -> Vehicle:
    """The body of a comparison. Raises CaseError when it has none."""
    if c.body is None:
        raise CaseError(f"{c.path}: quantity '{c.quantity}' needs a [body] or a vehicle")
    return c.body


# --- options ----------------------------------------------------------------------------------


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


def number(c: Comparison, name: str, low: float, high: float) -> float | None:
    """An option that is a number in [low, high]; None when it is not given."""
    value = c.options.get(name)
    if value is None:
        return None
    if isinstance(value, bool) or not isinstance(value, (int, float)):
        raise refuse(c, f"options.{name}", value, "must be a number")
    if not low <= value <= high:
        raise refuse(c, f"options.{name}", value, _range(name, low, high))
    return float(value)


def setting(c: Comparison, name: str, default: float, low: float, high: float) -> float:
    """An option that is a number in [low, high], ``default`` when it is not given."""
    value = number(c, name, low, high)
    return default if value is None else value


def integer(c: Comparison, name: str, default: int, low: int, high: int) -> int:
    """An option that is a whole number in [low, high]."""
    value = c.options.get(name, default)
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise refuse(c, f"options.{name}", value, f"must be a whole number, {low} to {high}")
    return value


# --- conditions -------------------------------------------------------------------------------


def condition(
    c: Comparison,
    name: str,
    low: float = -math.inf,
    high: float = math.inf,
    default: float | None = None,
) -> Array:
    """Values (n,) of a condition, all finite and in [low, high], in the unit its name ends with.

    Raises CaseError naming the point when one is not, or when the condition is missing and has no
    default.
    """
    if name not in c.conditions:
        if default is None:
            raise CaseError(f"{c.path}: quantity '{c.quantity}' needs the condition '{name}'")
        return np.full(c.size, default)
    values = np.asarray(c.conditions[name], dtype=np.float64)
    wrong = np.flatnonzero(~(np.isfinite(values) & (values >= low) & (values <= high)))
    if wrong.size:
        at = int(wrong[0])
        raise refuse(c, f"point {at + 1}, {name}", float(values[at]), _range(name, low, high))
    return values


def vehicle_speed(c: Comparison, low: float = 0.5, high: float = 100.0) -> Array:
    """Speeds (n,) of the body or of the traffic, m/s."""
    return condition(c, "speed_m_s", low, high)


def flow_per_s(c: Comparison, low: float = 0.0, default: float | None = None) -> Array:
    """Flows (n,) of a class on the road, veh/s, from the condition in veh/h."""
    return condition(c, "flow_veh_h", low, 40_000.0, default) / 3600.0


def _range(name: str, low: float, high: float) -> str:
    unit = name_and_unit(name)[1]
    unit = f" {unit}" if unit else ""
    if math.isinf(low) and math.isinf(high):
        return "must be a finite number"
    if math.isinf(high):
        return f"must be at least {low:g}{unit}"
    if math.isinf(low):
        return f"must be at most {high:g}{unit}"
    return f"must be from {low:g} to {high:g}{unit}"
