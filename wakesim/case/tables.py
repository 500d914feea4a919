"""Base of every table of a case file, and the kinds of value they share."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import Annotated, Any

from pydantic import AfterValidator, BaseModel, ConfigDict, Discriminator, Field, Strict, Tag
from pydantic_core import PydanticCustomError

from wakesim.case.messages import Path, Problem

HOURS = 24
SHARE_TOLERANCE = 1e-3
SPEED_UNITS = {"m_s": 1.0, "kmh": 1.0 / 3.6, "mph": 0.44704}

_NAME = re.compile(r"\w[\w .-]*", re.UNICODE)


class Table(BaseModel):
    """A TOML table: nothing converted, nothing unknown, nothing infinite, never changed."""

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, allow_inf_nan=False, protected_namespaces=()
    )


def _check_name(text: str) -> str:
    """Names become file names, table columns and result groups: keep them plain."""
    if not _NAME.fullmatch(text) or text != text.strip() or len(text) > 40:
        raise PydanticCustomError(
            "name",
            "must be 1 to 40 letters, digits, spaces, '.', '_' or '-', "
            "starting with a letter, a digit or '_'",
        )
    return text


def _check_line(text: str) -> str:
    if not text.strip() or not text.isprintable() or len(text) > 200:
        raise PydanticCustomError("line", "must be one line of 1 to 200 printable characters")
    return text


def _check_roughness(text: str) -> str:
    if text != "roughness":
        raise PydanticCustomError(
            "roughness", 'must be a number at least 0 and at most 1, or the word "roughness"'
        )
    return text


def _number_or_list(value: Any) -> str:
    return LIST if isinstance(value, (list, tuple)) else NUMBER


def _number_or_text(value: Any) -> str:
    return TEXT if isinstance(value, str) else NUMBER


# Tags of the branches of "one number or one per hour", "a number or a word" and "a list or a
# table"; messages leave them out.
NUMBER, LIST, TEXT, TABLE = "<number>", "<list>", "<text>", "<table>"

Name = Annotated[str, AfterValidator(_check_name)]
Line = Annotated[str, AfterValidator(_check_line)]
Share = Annotated[float, Field(ge=0.0)]
Fraction = Annotated[float, Field(ge=0.0, le=1.0)]
Flow = Annotated[float, Field(ge=0.0, le=20000.0)]
Shares = Annotated[tuple[Share, ...], Strict(False), Field(min_length=1)]
HourlyFlows = Annotated[tuple[Flow, ...], Strict(False), Field(min_length=HOURS, max_length=HOURS)]
HourlyShares = Annotated[
    tuple[Share, ...], Strict(False), Field(min_length=HOURS, max_length=HOURS)
]
HourlyFractions = Annotated[
    tuple[Fraction, ...], Strict(False), Field(min_length=HOURS, max_length=HOURS)
]
FractionOrHourly = Annotated[
    Annotated[Fraction, Tag(NUMBER)] | Annotated[HourlyFractions, Tag(LIST)],
    Discriminator(_number_or_list),
]
# "roughness": what the roughness of the ground makes it.
Intensity = Annotated[
    Annotated[Fraction, Tag(NUMBER)] | Annotated[str, AfterValidator(_check_roughness), Tag(TEXT)],
    Discriminator(_number_or_text),
]
Mix = Annotated[dict[str, Share], Field(min_length=1)]


def given(table: Any, *keys: str) -> list[str]:
    """Those of the keys that a raw table holds; none when it is not a table at all."""
    return [key for key in keys if key in table] if isinstance(table, dict) else []


def speed_keys(stem: str) -> list[str]:
    """The accepted spellings of one speed, e.g. speed_m_s, speed_kmh, speed_mph."""
    return [f"{stem}_{unit}" for unit in SPEED_UNITS]


def one_speed(raw: dict[str, Any], stem: str, path: Path, needed: bool = True) -> Iterator[Problem]:
    """A speed must be given in exactly one unit (or at most one when it is not needed)."""
    keys = given(raw, *speed_keys(stem))
    if not keys and needed:
        text = f"'{stem}' is missing: one of {', '.join(speed_keys(stem))}"
        yield Problem(path, text, missing=tuple((*path, key) for key in speed_keys(stem)))
    for key in keys[1:]:
        yield Problem((*path, key), f"the same speed is given by {keys[0]} already", raw[key])


def speed_of(table: Table, stem: str) -> float | None:
    """A speed in m/s from whichever unit the user chose, None when not given."""
    for unit, factor in SPEED_UNITS.items():
        value = getattr(table, f"{stem}_{unit}")
        if value is not None:
            return float(value) * factor
    return None


def normalised(shares: tuple[float, ...]) -> tuple[float, ...]:
    """Shares scaled to sum to exactly one (they are checked to be near)."""
    total = sum(shares)
    return tuple(share / total for share in shares)
