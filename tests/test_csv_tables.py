"""Small tables: what is read, and the one line for each mistake."""

from __future__ import annotations

from pathlib import Path

import pytest

from wakesim.csv_tables import TableError, read_csv_table
from wakesim.errors import EXIT_USAGE

GOOD = """# invented
name, speed_m_s,power_w

cut in,2,"1,5"
# between
rated,11.5,900
"""


def _file(folder: Path, text: str | bytes) -> Path:
    path = folder / "t.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return path


def test_a_table_with_comments_quotes_and_empty_lines(tmp_path: Path) -> None:
    table = read_csv_table(_file(tmp_path, GOOD), required=("speed_m_s",))
    assert table.header == ("name", "speed_m_s", "power_w")
    assert table.lines == (4, 6)
    assert table.texts("power_w") == ("1,5", "900")
    assert table.numbers("speed_m_s", "m/s", 0.0, 60.0) == [2.0, 11.5]
    assert table.selected({"name": ["rated"]}).lines == (6,)


@pytest.mark.parametrize("delimiter", [";", "\t"])
def test_the_delimiter_is_found(tmp_path: Path, delimiter: str) -> None:
    path = _file(tmp_path, f"a{delimiter}b\r\n1{delimiter}2\r\n")
    assert read_csv_table(path, delimiter="").numbers("b") == [2.0]


@pytest.mark.parametrize(
    ("data", "text"),
    [
        ("", ": is empty"),
        ("# only a comment\n", ": is empty"),
        ("a,b\n", ": holds a header but no rows"),
        ("a,b\n1,2\n3\n", ":3: holds 1 values; the header names 2 columns"),
        ("a,b\n1,2,3\n", ":2: holds 3 values"),
        ("a,\n1,2\n", ":1: a column of the header has no name"),
        ("a,a\n1,2\n", ":1: the header names a column twice: 'a'"),
        ("a,c\n1,2\n", ":1: column 'b' is missing"),
        ("a,b,colour\n1,2,3\n", ":1: unknown column 'colour'; did you mean 'color'?"),
        (b"a,b\n1,\xff\n", ":2: is not UTF-8 text"),
        (b"a,b\n1,\0\n", ": is not a text file"),
        ("a,b\n1,2\n".encode("utf-16"), ": is UTF-16 text"),
        (b"\x1f\x8b123", ": is packed with gzip"),
        ("a,b\n" + "1,2\n" * 11, ": holds 11 rows; at most 10 are allowed"),
        ("a,b\n" + "#" * 1000, ": larger than 1 kB; is it a list?"),
    ],
)
def test_what_is_wrong_is_told_with_its_line(tmp_path: Path, data: str | bytes, text: str) -> None:
    path = _file(tmp_path, data)
    with pytest.raises(TableError) as error:
        read_csv_table(
            path, "a list", required=("a", "b"), optional=("color",), most_bytes=1000, most_rows=10
        )
    assert f"{path}{text}" in error.value.problems[0]
    assert error.value.exit_status == EXIT_USAGE


@pytest.mark.parametrize("cell", ["", "x", "nan", "inf", "1_0", "1,5", "-1", "61", "٣"])
def test_a_cell_that_is_no_number_within_the_range(tmp_path: Path, cell: str) -> None:
    table = read_csv_table(_file(tmp_path, f'a\n5\n"{cell}"\n'), required=("a",))
    with pytest.raises(TableError, match=r"t\.csv:3: a = '.*at least 0 m/s and at most 60 m/s"):
        table.numbers("a", "m/s", 0.0, 60.0)


def test_what_is_no_file(tmp_path: Path) -> None:
    with pytest.raises(TableError, match="is a folder, not a data file"):
        read_csv_table(tmp_path)
    path = _file(tmp_path, "a,b\n1,2\n")
    with pytest.raises(TableError, match=r"no such file; did you mean .*t\.csv\?"):
        read_csv_table(tmp_path / "tt.csv")
    with pytest.raises(TableError, match="no column 'aa'"):
        read_csv_table(path).texts("aa")
    with pytest.raises(TableError, match="cannot be read"):
        read_csv_table("\0")
