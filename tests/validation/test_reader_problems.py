"""Reference files that are wrong: one clear line each, and nothing computed."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from reference_texts import BODY, CSV, GOOD, KNOWN, changed, write

from wakesim.errors import CaseError
from wakesim.validation.reader import read_all, read_comparison

POINTS = GOOD[: GOOD.index("data =")]
ONE = "[[points]]\nmeasured = 1.0\nheight_m = 1.0\n"

# (name, reference file, data file, what the one line must say)
BAD: list[tuple[str, str, str | None, str]] = [
    ("empty", "\n", CSV, "ref.toml: is empty"),
    ("not toml", GOOD + "x = 1,5\n", CSV, "not valid TOML"),
    ("wrong key", changed("title =", "titel ="), CSV, "unknown key 'titel'; did you mean 'title'?"),
    ("wrong table", changed("[mark]", "[marks]"), CSV, "unknown table [marks]; did you mean"),
    ("no title", changed('title = "Twice the height"\n', ""), CSV, "'title' is missing"),
    ("two lines", changed("Twice the", "Twice\\nthe"), CSV, "title ="),
    ("unknown part", changed('"whole prediction"', '"wakes"'), CSV, 'part = "wakes": must be one'),
    ("unknown status", changed('"read"', '"rea"'), CSV, 'did you mean "read"?'),
    (
        "unknown weight",
        GOOD.replace("data =", 'roadside = "mast"\ndata =', 1),
        CSV,
        'roadside = "mast": must be one',
    ),
    (
        "too many independent",
        GOOD.replace("data =", "independent_points = 6\ndata =", 1),
        CSV,
        "independent_points = 6: must be at most the number of points, 5",
    ),
    (
        "none independent",
        GOOD.replace("data =", "independent_points = 0\ndata =", 1),
        CSV,
        "independent_points = 0",
    ),
    ("text as flag", GOOD.replace("data =", 'fitted = "no"\ndata =', 1), CSV, "fitted"),
    (
        "unknown quantity",
        changed('quantity = "twice"', 'quantity = "twise"'),
        CSV,
        'quantity = "twise": no such quantity; did you mean "twice"?',
    ),
    (
        "wrong unit",
        changed('unit = "m/s"', 'unit = "km/h"'),
        CSV,
        'unit = "km/h": the unit of "twice" is "m/s"',
    ),
    (
        "need not given",
        changed('height_m = "height"\n', "").replace('x = "height_m"', ""),
        CSV,
        "needs the condition 'height_m'",
    ),
    (
        "unused condition",
        changed("gain_m = 0.5", "gain = 0.5"),
        CSV,
        "conditions.gain: 'gain' is not used by \"twice\"; did you mean 'gain_m'?",
    ),
    (
        "unused option",
        GOOD + '\n[options]\nmood = "x"\n',
        CSV,
        "options.mood: 'mood' is not used by \"twice\"; did you mean 'mode'?",
    ),
    ("bad option", GOOD + "\n[options]\nmode = inf\n", CSV, "options.mode: must be a text, a fin"),
    ("condition infinite", changed("0.5", "inf"), CSV, "gain_m = inf m: must be a finite number"),
    ("condition text", changed("gain_m = 0.5", 'gain_m = "1 m"'), CSV, "must be a number, without"),
    (
        "condition twice",
        changed("gain_m = 0.5", "height_m = 0.5"),
        CSV,
        "conditions.height_m: is given for each point too; keep one",
    ),
    ("figure", changed('x = "height_m"', 'x = "width_m"'), CSV, 'figure.x = "width_m": must be a'),
    ("no measured", changed('measured = "speed"\n', ""), CSV, "[columns]"),
    ("no data", changed('data = "values.csv"\n', ""), CSV, "measured values are missing"),
    (
        "missing data file",
        changed('data = "values.csv"', 'data = "value.csv"'),
        CSV,
        "value.csv: no such file; did you mean",
    ),
    ("data is folder", changed('data = "values.csv"', 'data = "."'), CSV, "is a folder"),
    ("missing column", GOOD, CSV.replace("speed,sd", "sped,sd"), "no column 'speed'; did you mean"),
    ("missing label", changed('label_column = "place"', 'label_column = "item"'), CSV, "'item'"),
    ("short row", GOOD, CSV.replace("b,2,2.1,0.1", "b,2,2.1"), "4: holds 3 values; the header"),
    (
        "long row",
        GOOD,
        CSV.replace("b,2,2.1,", "b,2,2,1,"),
        "4: holds 5 values; the header names 4",
    ),
    (
        "not a number",
        GOOD,
        CSV.replace("2.1", "fast"),
        "values.csv:4: speed = 'fast': must be a finite number in m/s",
    ),
    ("not finite", GOOD, CSV.replace("2.1", "nan"), "speed = 'nan': must be a finite number"),
    ("infinite", GOOD, CSV.replace("b,2,", "b,-inf,"), "height = '-inf': must be a finite"),
    ("empty cell", GOOD, CSV.replace("2.1", ""), "values.csv:4: speed = '': must be a finite"),
    ("digits", GOOD, CSV.replace("2.1", "2_1"), "speed = '2_1'"),
    (
        "negative sd",
        GOOD,
        CSV.replace("0.2", "-0.2"),
        "sd = '-0.2': must be a finite number at least 0 m/s",
    ),
    ("no rows", GOOD, CSV[: CSV.index("a,1")], "holds a header but no rows"),
    ("nothing", GOOD, "# only this\n", "holds no header and no rows"),
    ("endless cell", GOOD, CSV.replace("b,2", "b" * 140_000 + ",2"), "values.csv:4: no row of"),
    ("data in two lines", changed("values.csv", "values\\ncsv"), CSV, "must be one line"),
    ("column twice", GOOD, CSV.replace("place,height", "speed,height"), "names a column twice"),
    ("unnamed column", GOOD, CSV.replace("place,height", ",height"), "has no name"),
    (
        "selected text",
        GOOD + '\n[select]\nplace = "f"\n',
        CSV,
        "values.csv: no row has place = 'f'",
    ),
    ("selected number", GOOD + "\n[select]\nplace = 3\n", CSV, "must be a text or a list of texts"),
    ("scale", GOOD + "\n[scale]\nwidth_m = 3\n", CSV, "scale.width_m: names no entry of [columns]"),
    ("overflow", GOOD + "\n[scale]\nheight_m = 1e308\n", CSV, "scale: makes values that are not"),
    ("vehicle", 'vehicle = "coche"\n' + GOOD, CSV, "unknown vehicle 'coche'; did you mean 'coach'"),
    ("two bodies", 'vehicle = "coach"\n' + GOOD + BODY, CSV, "vehicle and [body] exclude each"),
    (
        "body too low",
        GOOD + BODY.replace("0.050", "0.5"),
        CSV,
        "clearance_m = 0.5 m: must be below the vehicle's height_m",
    ),
    (
        "body in mm",
        GOOD + BODY.replace("1.044", "1044"),
        CSV,
        "length_m = 1044 m: must be at least",
    ),
    ("no reason", changed('reason = "set for a test"\n', ""), CSV, "'reason' is missing"),
    ("metric", changed('"rms"', '"rmse"'), CSV, 'did you mean "rms"?'),
    ("no limit", changed("limit = 0.2\n", ""), CSV, 'metric "rms" needs a limit'),
    ("low", changed("limit = 0.2", "limit = 0.2\nlow = 1"), CSV, 'only "ratio_range" has it'),
    ("range", changed('"rms"\nlimit = 0.2', '"ratio_range"\nlow = 1'), CSV, "needs low and high"),
    (
        "turned range",
        changed('"rms"\nlimit = 0.2', '"ratio_range"\nlow = 2\nhigh = 1'),
        CSV,
        "mark.low = 2",
    ),
    (
        "share",
        changed('"rms"\nlimit = 0.2', '"fac2"\nlimit = 80'),
        CSV,
        "must be at least 0 and at most 1",
    ),
    (
        "negative",
        changed("limit = 0.2", "limit = -1"),
        CSV,
        "mark.limit = -1.0: must be at least 0",
    ),
    ("point text", POINTS + ONE.replace("= 1.0\nh", '= "x"\nh'), None, "must be a finite number"),
    ("point nan", POINTS + ONE.replace("= 1.0\nh", "= nan\nh"), None, "= nan: must be a finite"),
    ("point short", POINTS + ONE + "[[points]]\nmeasured = 1.0\n", None, "'height_m' is missing"),
    ("point more", POINTS + ONE + ONE + "gain_m = 1\n", None, "is missing in the first point"),
    ("points and data", changed("[columns]", ONE + "[columns]"), CSV, "exclude each other"),
    ("columns alone", POINTS + ONE + '[columns]\nheight_m = "x"\n', None, "columns"),
]


@pytest.mark.parametrize(("text", "csv", "words"), [b[1:] for b in BAD], ids=[b[0] for b in BAD])
def test_each_mistake_is_one_clear_line(
    text: str, csv: str | None, words: str, tmp_path: Path
) -> None:
    path = write(tmp_path, text, csv)
    with pytest.raises(CaseError) as caught:
        read_comparison(path, tmp_path, KNOWN)
    (line,) = caught.value.problems
    assert words in line
    assert line.startswith(str(tmp_path))
    assert "\n" not in line
    assert caught.value.exit_status == 2


def test_the_line_is_given(tmp_path: Path) -> None:
    path = write(tmp_path, changed('unit = "m/s"', 'unit = "km/h"'))
    with pytest.raises(CaseError, match=r"ref\.toml:5: unit"):
        read_comparison(path, tmp_path, KNOWN)


def test_all_problems_of_all_files_are_told_at_once(tmp_path: Path) -> None:
    write(tmp_path, changed('unit = "m/s"', 'unit = "km/h"'), name="a.toml")
    write(tmp_path, changed("limit = 0.2", "limit = -1"), name="b/c.toml")
    write(tmp_path, name="good.toml")
    with pytest.raises(CaseError) as caught:
        read_all(tmp_path, KNOWN)
    assert [line.split(":")[0].rsplit("/", 1)[1] for line in caught.value.problems] == [
        "a.toml",
        "c.toml",
    ]


def test_two_files_of_one_name(tmp_path: Path) -> None:
    write(tmp_path, name="a.toml")
    write(tmp_path, name="a/comparison.toml")
    with pytest.raises(CaseError, match="has the same name as"):
        read_all(tmp_path, KNOWN)


def test_folders_without_reference_files(tmp_path: Path) -> None:
    with pytest.raises(CaseError, match=r"holds no reference file \(\*\.toml\)"):
        read_all(tmp_path, KNOWN)
    with pytest.raises(CaseError, match="no such folder"):
        read_all(tmp_path / "none", KNOWN)
    path = write(tmp_path)
    with pytest.raises(CaseError, match="is a file, not a folder"):
        read_all(path, KNOWN)


def test_bytes_that_are_no_text(tmp_path: Path) -> None:
    path = write(tmp_path)
    (tmp_path / "values.csv").write_bytes(CSV.encode() + b"f,1,\xff,1\n")
    with pytest.raises(CaseError, match=r"values\.csv:8: is not UTF-8 text"):
        read_comparison(path, tmp_path, KNOWN)
    (tmp_path / "values.csv").write_bytes(b"a\0b")
    with pytest.raises(CaseError, match="is not a text file"):
        read_comparison(path, tmp_path, KNOWN)
    path.write_bytes(b"\xff\xfe\x00")
    with pytest.raises(CaseError, match="UTF-16"):
        read_comparison(path, tmp_path, KNOWN)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="no named pipes here")
def test_pipes_for_files_are_refused_at_once(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD, None)
    os.mkfifo(tmp_path / "values.csv")  # opened without a writer it would wait for ever
    with pytest.raises(CaseError, match=r"values\.csv: is not a regular file"):
        read_comparison(path, tmp_path, KNOWN)
    path.unlink()
    os.mkfifo(path)
    with pytest.raises(CaseError, match=r"ref\.toml: cannot be read: is no regular file"):
        read_comparison(path, tmp_path, KNOWN)


def test_nothing_of_a_file_that_is_no_table_is_shown(tmp_path: Path) -> None:
    path = write(tmp_path, GOOD, "root:x:0:0:secret\ndaemon:x:1:1:words\n")
    with pytest.raises(CaseError) as caught:
        read_comparison(path, tmp_path, KNOWN)
    shown = str(caught.value).replace(str(tmp_path), "")
    assert "is no table" in shown
    assert not any(word in shown for word in ("root", "daemon", "secret", "words"))
