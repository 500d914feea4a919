"""Base of every table of a case file, and the kinds of value they share.

A table says what it holds by its fields and what else must be true of it by three methods:
``key_rules`` (keys that exclude or need each other, found even where values are wrong), ``rules``
(between its values, where all are right) and ``completed`` (what is filled in then). Where a whole
file is read, ``Reading`` collects all of that, so that every mistake is reported at once; a table
made alone raises the first.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Annotated, Any, ClassVar, Self, TypeVar

from pydantic import (
    AfterValidator,
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    ModelWrapValidatorHandler,
    Strict,
    Tag,
    ValidationInfo,
    model_validator,
)
from pydantic_core import PydanticCustomError

from wakesim.case.messages import Problem

HOURS = 24
SHARE_TOLERANCE = 1e-3
SPEED_UNITS = {"m_s": 1.0, "kmh": 1.0 / 3.6, "mph": 0.44704}

_NAME = re.compile(r"\w[\w .-]*", re.UNICODE)


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


def given(raw: Mapping[str, Any], *keys: str) -> list[str]:
    """Those of the keys that a raw table holds."""
    return [key for key in keys if key in raw]


def speed_keys(stem: str) -> list[str]:
    """The accepted spellings of one speed, e.g. speed_m_s, speed_kmh, speed_mph."""
    return [f"{stem}_{unit}" for unit in SPEED_UNITS]


def normalised(shares: Sequence[float]) -> tuple[float, ...]:
    """Shares scaled to sum to exactly one (they are checked to be near)."""
    total = sum(shares)
    return tuple(share / total for share in shares)


class Table(BaseModel):
    """A TOML table: nothing converted, nothing unknown, nothing infinite, never changed.

    ``SPEEDS`` are the stems of speeds that may be given in any of SPEED_UNITS, and whether each is
    needed: once read, ``<stem>_m_s`` holds it whichever unit was used.
    """

    model_config = ConfigDict(
        strict=True, extra="forbid", frozen=True, allow_inf_nan=False, protected_namespaces=()
    )
    SPEEDS: ClassVar[Mapping[str, bool]] = {}

    @classmethod
    def key_rules(cls, raw: Mapping[str, Any]) -> Iterator[Problem]:
        """Keys of the raw table that exclude or need each other; paths from the table on."""
        yield from ()

    def rules(self) -> Iterator[Problem]:
        """What must hold between the values; paths from the table on."""
        yield from ()

    def completed(self) -> dict[str, Any]:
        """Values to fill in."""
        return {}

    @model_validator(mode="wrap")
    @classmethod
    def _checked(
        cls, raw: Any, handler: ModelWrapValidatorHandler[Self], info: ValidationInfo
    ) -> Self:
        if not isinstance(raw, dict):
            return handler(raw)
        problems = [p for stem in cls.SPEEDS for p in cls._one_speed(raw, stem)]
        problems += cls.key_rules(raw)
        reading = info.context if isinstance(info.context, Reading) else None
        if reading is not None:
            reading.problems[id(raw)] = problems
        made = handler(raw)
        for stem in cls.SPEEDS:
            made.__dict__.update(made._in_si(stem))
        made.__dict__.update(made.completed())
        problems += made.rules()
        if reading is not None:
            reading.tables[id(raw)] = made
        elif problems:
            raise PydanticCustomError(
                "rule", "{text}", {"text": problems[0].line(cls.__name__, None)}
            )
        return made

    @classmethod
    def _one_speed(cls, raw: Mapping[str, Any], stem: str) -> Iterator[Problem]:
        """A speed must be given in exactly one unit (or at most one when it is not needed)."""
        keys = given(raw, *speed_keys(stem))
        if not keys and cls.SPEEDS[stem]:
            text = f"'{stem}' is missing: one of {', '.join(speed_keys(stem))}"
            yield Problem((), text, missing=tuple((key,) for key in speed_keys(stem)))
        for key in keys[1:]:
            yield Problem((key,), f"the same speed is given by {keys[0]} already", raw[key])

    def _in_si(self, stem: str) -> dict[str, Any]:
        """The speed in m/s, or the speeds, from whichever unit the user chose."""
        for unit, factor in SPEED_UNITS.items():
            value = getattr(self, f"{stem}_{unit}")
            if value is not None and f"{stem}_{unit}" in self.model_fields_set:
                many = isinstance(value, tuple)
                si = tuple(v * factor for v in value) if many else value * factor
                return {f"{stem}_m_s": si}
        return {}


Kind = TypeVar("Kind", bound=Table)


@dataclass
class Reading:
    """What became of the tables of one file, each by the identity of its raw dictionary.

    ``tables`` are those whose own values are right, ``problems`` what the rules of each say.
    """

    tables: dict[int, Table] = field(default_factory=dict)
    problems: dict[int, list[Problem]] = field(default_factory=dict)

    def table(self, kind: type[Kind], raw: object) -> Kind | None:
        """The table made of a raw one; None where that is wrong or no table at all."""
        found = self.tables.get(id(raw))
        return found if isinstance(found, kind) else None

    def listed(self, kind: type[Kind], raw: object) -> dict[int, Kind]:
        """The right tables of a raw list, by position."""
        items = enumerate(raw if isinstance(raw, list) else ())
        return {i: found for i, item in items if (found := self.table(kind, item)) is not None}

    def found(self, raw: dict[str, Any] | list[Any]) -> list[Problem]:
        """What the rules say of all tables inside a raw value, with their paths from it on."""
        problems = list(self.problems.get(id(raw), ()))
        items: Any = raw.items() if isinstance(raw, dict) else enumerate(raw)
        for key, inner in items:
            if isinstance(inner, (dict, list)):
                problems += [p.below(key) for p in self.found(inner)]
        return problems
