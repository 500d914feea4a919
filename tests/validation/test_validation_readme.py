"""The README of the reference files: its list and its example are those of the program."""

from __future__ import annotations

import re
from pathlib import Path

import golden
import pytest

from wakesim.runtime import validation_path
from wakesim.validation.quantities import quantities
from wakesim.validation.reader import read_comparison
from wakesim.validation.report import with_quantities
from wakesim.validation.schema import METRICS, PARTS, STATUSES

README = validation_path("README.md")
TEXT = README.read_text(encoding="utf-8")


def test_the_list_of_quantities_is_up_to_date() -> None:
    """``WAKESIM_GOLDEN=write pytest tests/validation/test_validation_readme.py`` writes it anew."""
    golden.compare(with_quantities(TEXT), README)


def test_every_metric_part_and_status_is_named() -> None:
    missing = [word for word in (*METRICS, *PARTS, *STATUSES) if word not in TEXT]
    assert missing == []


def test_the_example_can_be_read(tmp_path: Path) -> None:
    toml, csv = (
        re.findall(pattern, TEXT, re.DOTALL)[0]
        for pattern in (r"```toml\n(.*?)```", r"```\n(# where.*?)```")
    )
    (tmp_path / "measured.csv").write_text(csv, encoding="utf-8")
    path = tmp_path / "example.toml"
    path.write_text(toml, encoding="utf-8")
    c = read_comparison(path, tmp_path, quantities())
    assert c.labels == ("low", "high", "again")
    assert c.conditions["Z_m"] == pytest.approx([0.088, 0.168, 0.168])
    points = re.findall(r"```toml\n(\[\[points.*?)```", TEXT, re.DOTALL)[0]
    before, rest = toml.split("data = ")
    rest = rest.split("\n", 2)[2]  # without data and label_column
    rest = rest[: rest.index("[columns]")] + rest[rest.index("[conditions]") :]
    path.write_text(before + rest + points, encoding="utf-8")
    c = read_comparison(path, tmp_path, quantities())
    assert c.labels == ("low",)
    assert c.uncertainty == pytest.approx([0.2])


def test_names_and_units_of_quantities_are_plain() -> None:
    for name, quantity in quantities().items():
        assert re.fullmatch(r"[a-z][a-z0-9_]*", name)
        assert quantity.unit
        assert quantity.summary
        assert all({**quantity.needs, **quantity.optional}.values())
        assert not set(quantity.needs) & set(quantity.optional)
