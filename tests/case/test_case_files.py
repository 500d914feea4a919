"""Files that are no readable case: one line naming the file, nothing else."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from case_texts import POST, TEXTS, problems

from wakesim.case.load import load_case, load_case_text
from wakesim.case.vehicle import vehicle
from wakesim.errors import CaseError


def _problem(path: Path | str) -> str:
    with pytest.raises(CaseError) as caught:
        load_case(path)
    (line,) = caught.value.problems
    assert line.startswith(str(path))
    return line.removeprefix(str(path))


@pytest.mark.parametrize(
    ("data", "message"),
    [
        (b"", ": is empty; 'wakesim new' writes a case to start from"),
        (b" \n\t\n", ": is empty; 'wakesim new' writes a case to start from"),
        (b"\xef\xbb\xbf", ": is empty; 'wakesim new' writes a case to start from"),
        (b"\x7fELF\x02\0\0\xff\xfe", ": is not a text file"),
        (b"title = \0", ": is not a text file"),
        ('title = "x"\n# Straße\n'.encode("latin-1"), ":2: the byte 0xdf is not UTF-8; save"),
        ('title = "x"'.encode("utf-16"), ": is UTF-16 text; save it as UTF-8"),
        (b"#" * 1_000_001, ": larger than 1000 kB; this is no case file"),
        (b"[" * 5000, ":1: not valid TOML: "),
        (b"a = " + b"[" * 5000 + b"]" * 5000, ": lists or tables are nested too deeply"),
        (b"a = " + b"1" * 5000, ": not valid TOML: "),
        (b"a = 2024-02-30", ":1: not valid TOML: "),
    ],
)
def test_unreadable_contents(tmp_path: Path, data: bytes, message: str) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(data)
    assert _problem(path).startswith(message)


def test_unreadable_places(tmp_path: Path) -> None:
    assert _problem(tmp_path) == ": is a folder, not a case file"
    assert _problem(tmp_path / "none.toml") == ": no such file"
    (tmp_path / "post.toml").write_text(POST, encoding="utf-8")
    near = tmp_path / "post.toml"
    assert _problem(tmp_path / "pots.toml") == f": no such file; did you mean {near}?"
    assert _problem(tmp_path / "post.toml" / "x.toml").startswith(": cannot be read: ")
    assert _problem(tmp_path / ("x" * 300)).startswith(": cannot be read: ")


def test_a_path_that_no_file_can_have() -> None:
    with pytest.raises(CaseError, match=r"^a\\x00b: cannot be read"):
        load_case("a\0b")


@pytest.mark.skipif(os.name != "posix" or os.geteuid() == 0, reason="root may read everything")
def test_no_permission(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_text(POST, encoding="utf-8")
    path.chmod(0)
    assert _problem(path) == ": no permission to read it"


def test_byte_order_mark_and_windows_line_ends_make_no_difference(tmp_path: Path) -> None:
    path = tmp_path / "x.toml"
    path.write_bytes(b"\xef\xbb\xbf" + POST.replace("\n", "\r\n").encode())
    plain = load_case_text(POST, str(path))
    assert load_case(path) == plain
    assert load_case(str(path)).sha256 == plain.sha256


@pytest.mark.parametrize(
    ("old", "new", "row", "hint"),
    [
        ("height_m = 2.0 ", "height_m = 2,0 ", "height_m = 2,0", "numbers use a point: 1.5"),
        ('kind = "post"', "kind = post", "kind = post", 'text needs quotes: "..."'),
        ("offset_m = 4.5 ", "offset_m = 1\noffset_m = 4.5 ", "offset_m = 4.5", "given twice"),
        ("[air]", "[traffic]\n[air]", "[traffic]\n", "the table is given twice"),
        ("still = true ", "still true ", "still true", "a line holds key = value"),
    ],
)
def test_invalid_toml_names_line_and_remedy(old: str, new: str, row: str, hint: str) -> None:
    assert POST.count(old) == 1
    text = POST.replace(old, new)
    with pytest.raises(CaseError) as caught:
        load_case_text(text, "x.toml")
    (line,) = caught.value.problems
    number = text[: text.rindex(row)].count("\n") + 1
    assert line.startswith(f"x.toml:{number}: not valid TOML: ")
    assert hint in line


def test_a_file_cut_short_anywhere_gives_one_line_or_more_and_never_anything_else() -> None:
    for end in range(0, len(POST), 7):
        assert all(line.startswith("x.toml") for line in problems(POST[:end]))


def test_only_a_related_file_is_suggested(tmp_path: Path) -> None:
    (tmp_path / "abc.toml").write_text(POST, encoding="utf-8")  # shares no more than its ending
    assert _problem(tmp_path / "xyz.toml") == ": no such file"


def test_a_name_of_100_kb_is_shortened() -> None:
    long = "x" * 100_000
    texts = [POST.replace("small_car = ", f"{long} = ", 1)]
    texts.append(POST + f"\n[traffic.speeds.{long}]\nmean_kmh = 80\n")
    texts.append(TEXTS["single-pass.toml"].replace('"coach"', f'"{long}"', 1))
    texts.append(POST + f"\n[vehicles.{long}]\nlength_m = 4.0\n")
    texts.append(texts[-1].replace("small_car = ", "smallcar = ", 1))
    for text in texts:
        found = problems(text)
        assert found
        assert max(map(len, found)) < 500
    with pytest.raises(CaseError) as caught:
        vehicle(long)
    assert len(str(caught.value)) < 500
