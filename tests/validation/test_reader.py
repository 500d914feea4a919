"""Reference files that are right: what is read from them."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from reference_texts import BODY, CSV, GOOD, KNOWN, changed, write

from wakesim.errors import CaseError
from wakesim.runtime import shared_path
from wakesim.validation.comparison import Comparison, Mark
from wakesim.validation.reader import read_all, read_comparison


def _read(folder: Path, text: str = GOOD, csv: str | None = CSV) -> Comparison:
    return read_comparison(write(folder, text, csv), folder, KNOWN)


def test_everything_is_read(tmp_path: Path) -> None:
    c = _read(tmp_path)
    assert c.name == "ref"
    assert (c.title, c.part, c.quantity, c.unit) == (
        "Twice the height",
        "whole prediction",
        "twice",
        "m/s",
    )
    assert (c.status, c.fitted, c.note) == ("read", False, "Invented data.")
    assert c.measured.tolist() == [1.1, 2.1, 2.9, 4.1, 5.0]
    assert c.uncertainty is not None
    assert c.uncertainty.tolist() == [0.1, 0.1, 0.1, 0.1, 0.2]
    assert c.conditions["height_m"].tolist() == [1, 2, 3, 4, 5]
    assert c.conditions["gain_m"].tolist() == [0.5] * 5
    assert c.labels == ("a", "b", "c, far", "d", "e")
    assert c.mark == Mark(metric="rms", limit=0.2, reason="set for a test")
    assert c.figure.x == "height_m"
    assert c.body is None
    assert not c.measured.flags.writeable


def test_names_come_from_the_place_below_the_folder(tmp_path: Path) -> None:
    for name in ("a/comparison.toml", "a/b.toml", "comparison.toml", "c.toml"):
        write(tmp_path / "set", name=name)
    comparisons = read_all(tmp_path / "set", KNOWN)
    assert [c.name for c in comparisons] == ["a/b", "a", "c", "set"]


def test_rows_are_selected_scaled_and_shifted(tmp_path: Path) -> None:
    text = changed("[conditions]", '[select]\nplace = ["b", "d"]\n\n[conditions]')
    text += "\n[scale]\nheight_m = 0.001\nuncertainty = 2.0\n[offset]\nheight_m = 10.0\n"
    c = _read(tmp_path, text)
    assert c.labels == ("b", "d")
    assert c.conditions["height_m"] == pytest.approx([10.002, 10.004])
    assert c.uncertainty == pytest.approx([0.2, 0.2])
    assert c.measured.tolist() == [2.1, 4.1]


def test_a_column_may_serve_twice_and_text_in_unused_columns_is_no_matter(tmp_path: Path) -> None:
    text = changed('height_m = "height"', 'height_m = "height"\ngain_m = "height"')
    text = changed("[conditions]\ngain_m = 0.5\n", "", text)
    csv = CSV.replace("place,height,speed,sd", "place,height,speed,sd,remark").replace(
        "0.1\n", "0.1,see text\n"
    )
    csv = csv.replace("5.0,0.2", "5.0,0.2,")
    c = _read(tmp_path, text, csv)
    assert c.conditions["gain_m"].tolist() == c.conditions["height_m"].tolist()


def test_points_may_stand_in_the_file(tmp_path: Path) -> None:
    text = GOOD[: GOOD.index("data =")] + "[conditions]\ngain_m = 1\n"
    text += '[[points]]\nmeasured = 1\nheight_m = 0.5\nlabel = "low"\n'
    text += "[[points]]\nmeasured = 2.5\nheight_m = 1\n"
    c = _read(tmp_path, text, None)
    assert c.measured.tolist() == [1.0, 2.5]
    assert c.conditions["height_m"].tolist() == [0.5, 1.0]
    assert c.labels == ("low", "2")
    assert c.uncertainty is None
    assert c.mark is None


def test_shared_data_are_found_and_a_file_beside_comes_first(tmp_path: Path) -> None:
    text = changed('data = "values.csv"', 'data = "shared/reference/ahmed25_ahead_of_nose.csv"')
    text = changed('label_column = "place"\n', "", text)
    text = changed('measured = "speed"', 'measured = "U_m_s"', text)
    text = changed('uncertainty = "sd"\n', "", text)
    text = changed('height_m = "height"', 'height_m = "z_m"', text)
    c = _read(tmp_path, text)
    assert shared_path("reference", "ahmed25_ahead_of_nose.csv").is_file()
    assert c.measured[0] == 37.175
    near = tmp_path / "shared/reference/ahmed25_ahead_of_nose.csv"
    near.parent.mkdir(parents=True)
    near.write_text("z_m,U_m_s\n1,2\n", encoding="utf-8")
    assert _read(tmp_path, text).measured.tolist() == [2.0]


def test_bodies(tmp_path: Path) -> None:
    base = changed('quantity = "twice"', 'quantity = "needs_body"')
    base = changed('unit = "m/s"', 'unit = "m"', base)
    base = changed('height_m = "height"\n', "", base)
    base = changed("[conditions]\ngain_m = 0.5\n", "", base)
    base = changed('x = "height_m"', "", base)
    c = _read(tmp_path, base + BODY + "nose_radius_m = 0.1\n")
    assert c.body is not None
    assert (c.body.length_m, c.body.drag_coefficient, c.nose_radius_m) == (1.044, 0.285, 0.1)
    c = _read(tmp_path, 'vehicle = "coach"\nnose_radius_m = 0.2\n' + base)
    assert c.body is not None
    assert (c.body.name, c.nose_radius_m) == ("coach", 0.2)
    with pytest.raises(CaseError, match=r"needs a body: a \[body\] table or vehicle"):
        _read(tmp_path, base)


def test_windows_line_ends_and_byte_order_marks(tmp_path: Path) -> None:
    path = tmp_path / "ref.toml"
    path.write_bytes(b"\xef\xbb\xbf" + GOOD.replace("\n", "\r\n").encode())
    (tmp_path / "values.csv").write_bytes(b"\xef\xbb\xbf" + CSV.replace("\n", "\r\n").encode())
    c = read_comparison(path, tmp_path, KNOWN)
    assert np.array_equal(c.measured, [1.1, 2.1, 2.9, 4.1, 5.0])
