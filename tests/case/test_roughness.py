"""The roughness classes against their reference table."""

from __future__ import annotations

import csv
from typing import get_args

import pytest

from wakesim.case.air import RoughnessName, roughness_class, roughness_classes
from wakesim.errors import CaseError
from wakesim.runtime import shared_path

with shared_path("reference", "roughness.csv").open(encoding="utf-8") as _file:
    ROWS = list(csv.DictReader(_file))


@pytest.mark.parametrize("row", ROWS, ids=lambda row: row["name"])
def test_look_up_by_number_and_every_name(row):
    for key in (int(row["class"]), *row["name"].split("/")):
        assert roughness_class(key).roughness_m == float(row["z0_m"])


def test_names_of_the_case_file_are_those_of_the_table():
    assert len(ROWS) == 8
    names = [name for entry in roughness_classes() for name in entry.names]
    assert names == list(get_args(RoughnessName))


@pytest.mark.parametrize(
    ("key", "part"),
    [("opne", "did you mean 'open'"), (9, "known: 1 to 8"), (True, "known: 1 to 8"), ("", "known")],
)
def test_unknown_class_is_refused_with_a_hint(key, part):
    with pytest.raises(CaseError, match=part):
        roughness_class(key)
