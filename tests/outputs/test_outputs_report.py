"""report.html: self-contained, answer first, everything escaped."""

from __future__ import annotations

import math
import re
from html.parser import HTMLParser

import pytest
from synthetic_result import build_result, traffic_text

from wakesim.outputs import wording
from wakesim.outputs.figures import Rendered
from wakesim.outputs.page import inline_svg
from wakesim.outputs.report import balance_rows, write_report
from wakesim.outputs.wording import (
    change,
    count,
    energy,
    interval,
    number,
    place,
    share,
    significant,
)

VOID = {"meta", "br", "img", "hr", "link", "input"}


class Page(HTMLParser):
    """Tags, attributes and text; every opened element must be closed in order."""

    def __init__(self) -> None:
        super().__init__(convert_charrefs=True)
        self.open: list[str] = []
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.words: list[str] = []

    def handle_starttag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attrs):
        self.tags.append((tag, dict(attrs)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag, tag

    def handle_data(self, data):
        if self.open and self.open[-1] not in ("style", "script"):
            self.words.append(data)

    @property
    def text(self) -> str:
        return " ".join(" ".join(self.words).split())


def parse(source: str) -> Page:
    page = Page()
    page.feed(source)
    page.close()
    assert page.open == []
    return page


@pytest.fixture(scope="module")
def source(saved_traffic):
    return (saved_traffic / "report.html").read_text(encoding="utf-8")


@pytest.fixture(scope="module")
def page(source):
    return parse(source)


def test_nothing_is_loaded_from_elsewhere(source, page, saved_pass):
    for text, tree in (
        (source, page),
        (other := (saved_pass / "report.html").read_text(encoding="utf-8"), parse(other)),
    ):
        assert "http:" not in text
        assert "https:" not in text
        assert "@import" not in text
        assert all(target.startswith("#") for target in re.findall(r"url\(([^)]*)\)", text))
        for tag, attributes in tree.tags:
            assert tag not in ("script", "iframe", "object", "embed", "link", "img")
            for name in ("src", "href", "xlink:href", "action", "srcset"):
                assert attributes.get(name, "#").startswith("#"), (tag, name)


def test_ids_are_unique_and_references_resolve(page, source):
    ids = [attributes["id"] for _, attributes in page.tags if "id" in attributes]
    assert len(ids) == len(set(ids))
    wanted = {attributes["href"][1:] for _, attributes in page.tags if "href" in attributes}
    wanted |= set(re.findall(r"url\(#([^)]*)\)", source))
    assert len(wanted) > 20
    assert wanted <= set(ids)


def test_banner_only_for_invented_data(saved_pass):
    assert wording.INVENTED_BANNER not in (saved_pass / "report.html").read_text(encoding="utf-8")


def test_malicious_title_is_escaped(tmp_path):
    title = '<script>alert("x")</script><img src=http://e.org/x>'
    result = build_result(traffic_text(title=title))
    write_report(result, [], tmp_path / "report.html")
    tree = parse((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert title in tree.text
    assert all(tag not in ("script", "img") for tag, _ in tree.tags)


def test_figures_are_named_and_carry_no_fixed_size(page):
    figures = [attributes for tag, attributes in page.tags if tag == "svg"]
    assert len(figures) == 18
    for attributes in figures:
        assert attributes["role"] == "img"
        assert attributes["aria-label"]
        assert "width" not in attributes
        assert "viewbox" in attributes


def test_inline_svg_prefixes_every_reference():
    svg = (
        '<?xml version="1.0"?>\n<svg xmlns:xlink="http://x" width="9pt" viewBox="0 0 9 9">'
        '<g id="a" clip-path="url(#c)"><use xlink:href="#m"/></g></svg>'
    )
    text = str(inline_svg(svg, "p-", 'a "label"'))
    assert text == (
        '<svg viewBox="0 0 9 9" role="img" aria-label="a &#34;label&#34;">'
        '<g id="p-a" clip-path="url(#p-c)"><use href="#p-m"/></g></svg>'
    )
    assert Rendered("s", "k", "m", "c", svg).stem == "s"


def test_numbers_for_reading():
    assert number(-0.001) == "0.00"
    assert number(-1.234) == "−1.23"
    assert number(float("nan")) == "–"
    assert significant(0.0123456) == "0.0123"
    assert significant(1234.5) == "1234"
    assert significant(0.0) == "0"
    assert significant(0.06731, 2) == "0.067"
    assert significant(0.9996) == "1.00"
    assert significant(-0.0123456) == "−0.0123"
    assert significant(float("inf")) == "–"
    assert interval((0.263, 1.123), 2) == "0.26 to 1.12"
    assert interval((1.412, 1.438), 2) == "1.41 to 1.44"  # not 1.4 to 1.4
    assert interval((1.4, 1.4), 2) == "1.4 to 1.4"
    assert interval((0.9982, 1.0171), 3, "and") == "0.998 and 1.017"
    assert interval((0.0, 1.0171), 2) == "0.0 to 1.0"
    assert [place(y) for y in (-1.825, 4.5, 100.0, -9.55)] == ["−1.825", "4.50", "100.00", "−9.55"]
    assert [change(y) for y in (0.0441, -0.0529, 0.0001, -0.0001, 0.0)] == [
        "+0.044",
        "−0.053",
        "0.000",
        "0.000",
        "0.000",
    ]


def test_the_balance_of_the_drift_in_newtons_per_kilometre():
    balance = {"drag_in": 1e-4, "road_friction": 0.01, "outflow_left": -0.0099, "barrier": 0.0}
    rows = balance_rows(balance, 1.2)
    assert [row[0] for row in rows] == ["drag_in", "road_friction", "outflow_left"]
    assert [row[1] for row in rows] == pytest.approx([0.12, 12.0, -11.88])
    assert all(math.isnan(share) for *_, share in rows)  # opposite carriageways cancel
    one_way = balance_rows({"drag_in": -0.02, "road_friction": -0.02}, 1.2)
    assert one_way[1:] == [("road_friction", pytest.approx(-24.0), 1.0)]


def test_energies_shares_and_counts_for_reading():
    assert [energy(e) for e in (0.0, 12.34, 0.0123, 4.2e-7)] == [
        "0 kWh", "12.3 kWh", "12.3 Wh", "0.420 mWh",
    ]  # fmt: skip
    assert [share(part) for part in (0.1234, float("nan"))] == ["12 %", "an unknown share"]
    assert [count(n) for n in (123_456.0, 1.39e7)] == ["120000", "14 million"]
