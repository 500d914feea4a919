"""report.html: self-contained, answer first, everything escaped."""

from __future__ import annotations

import math
import re
from dataclasses import replace
from html.parser import HTMLParser

import pytest
from synthetic_result import build_result, traffic_text

from wakesim.case.load import load_case_text
from wakesim.outputs import wording
from wakesim.outputs.drift_words import balance_rows, drift_section
from wakesim.outputs.figures import Rendered
from wakesim.outputs.report import answer, inline_svg, write_report
from wakesim.outputs.wording import change, interval, number, place, significant

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


def test_answer_stands_first_with_both_intervals(page, traffic_result):
    text = page.text
    for mount in traffic_result.mounts:
        values = mount.statistics
        said = f"The air has an effective speed of {significant(values.effective_speed_m_s)} m/s"
        assert said in text
        for ends, digits in ((values.sampling_interval_m_s, 3), (values.model_interval_m_s, 2)):
            assert f"{interval(ends, digits, 'and')} m/s" in text
            assert interval(ends, digits) in text
    order = ["Invented data", "The answer", "effective speed of", "Site", "Method", "Limits"]
    places = [text.index(words) for words in order]
    assert places == sorted(places)


def test_energy_is_given_with_the_betz_limit(traffic_result):
    mount = traffic_result.mounts[0]
    flux = mount.statistics.power_density_w_m2
    said = " ".join(answer(traffic_result, mount))
    assert f"{significant(flux, 2)} W per square metre" in said
    assert f"{significant(flux * 16 / 27, 2)} W (Betz limit)" in said
    assert f"2.00 m² of this rotor flow {significant(2 * flux, 2)} W" in said


def test_limits_cautions_warnings_and_provenance_are_there(page, traffic_result):
    text = page.text
    for words in (*wording.limits(traffic_result.case), *wording.CAUTIONS, *wording.SOURCES):
        assert " ".join(words.split()) in text
    assert "one synthetic warning" in text
    assert "close to a wall" in text
    assert traffic_result.case.sha256 in text
    assert "hourly_veh_h = [120, 90" in text
    assert "seed 20260101" in text


def test_tables_hold_variants_and_the_cut_off(page, traffic_result):
    text = page.text
    for variant in traffic_result.mounts[0].statistics.variants:
        assert f"{variant.parameter} {variant.setting}" in text
    assert "30 (this case)" in text
    assert "That time is no physics: these figures should agree" in text


def test_the_air_between_the_vehicles_is_told(page, traffic_result):
    text = page.text
    start = text.index("The air between the vehicles The road takes only about a tenth")
    part = text[start : text.index("By hour", start)]
    for words in (
        "wakes are followed for 30 s",
        "the drift, is 0.12 m/s on average at the mount and makes 10 % of the energy flux",
        "eddy viscosity around the lanes, from the traffic's own turbulence",
        "0.31 m²/s",
        "drag left to the traffic by the air that already moves along 96.2 %",
        "time for 90 % of the mean air when traffic sets in at once 8 min",
        "drag of the vehicles 24.5 100",
        "friction of road and verge 18.4 75",
        "out at the side of low y −1.23 −5",
        "spreading upward 4.90 20",
        "Opposite carriageways push the air opposite ways",
        "weak-shear factor 4 gives",
        "eddy viscosity × 0.6 gives",
        "Roughness of the road: × 3 gives",
        "a state of the air beside the model interval: 0.5 m/s towards -y gives",
        "No published measurement isolates this flow on open roads",
    ):
        assert words in part, words
    assert "friction of walls" not in part  # parts that are 0
    table = text[text.index("Effective speed with one uncertain constant moved") :]
    heading = table.index("Beside the interval: states of the air")
    assert table.index("roughness of the road") < heading < table.index("light crosswind")


def test_drift_that_is_given_slow_or_cancelled_is_told(traffic_result):
    mount = traffic_result.mounts[0]
    old = mount.statistics
    balance = {"drag_in": 1e-4, "road_friction": 0.01, "outflow_left": -0.0099}
    drift = replace(old.drift, settling_s=float("inf"), balance=balance)
    mount = replace(mount, statistics=replace(old, drift=drift))
    text = traffic_text().replace("still = true", "still = true\neddy_diffusivity_m2_s = 0.31")
    section = drift_section(replace(traffic_result, case=load_case_text(text)), mount)
    facts = dict(section["facts"])
    assert facts["mixing: eddy viscosity around the lanes, given by the case"] == "0.31 m²/s"
    assert "not within an hour" in facts.values()
    density = traffic_result.air_density_kg_m3
    assert [row[1] for row in section["balance"]] == pytest.approx(
        [1e-1 * density, 10.0 * density, -9.9 * density]
    )
    assert all(math.isnan(share) for *_, share in section["balance"])  # they cancel
    one_way = balance_rows({"drag_in": -0.02, "road_friction": -0.02, "barrier": 0.0}, 1.2)
    assert one_way[1:] == [("friction of road and verge", pytest.approx(-24.0), 1.0)]


def test_report_without_drift_says_so(tmp_path):
    write_report(build_result(traffic_text(drift=False)), [], tmp_path / "report.html")
    text = parse((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "The sustained drift is switched off in this case" in text
    assert "The mean air of the traffic is not included" in text
    assert "Where the drag goes" not in text
    assert "The mean of all wakes is the steady balance" not in text


def test_banner_only_for_invented_data(saved_pass):
    assert wording.INVENTED_BANNER not in (saved_pass / "report.html").read_text(encoding="utf-8")


def test_single_pass_report_has_no_effective_speed(saved_pass):
    text = parse((saved_pass / "report.html").read_text(encoding="utf-8")).text
    assert "there is no effective speed" in text
    assert "sampling interval" not in text
    assert text.count("One pass of each vehicle class, mount") == 4


def test_malicious_title_is_escaped(tmp_path):
    title = '<script>alert("x")</script><img src=http://e.org/x>'
    result = build_result(traffic_text(title=title))
    write_report(result, [], tmp_path / "report.html")
    tree = parse((tmp_path / "report.html").read_text(encoding="utf-8"))
    assert title in tree.text
    assert all(tag not in ("script", "img") for tag, _ in tree.tags)


def test_model_interval_that_was_not_computed_is_said(traffic_result, tmp_path):
    mount = traffic_result.mounts[0]
    nan = float("nan")
    statistics = replace(mount.statistics, model_interval_m_s=(nan, nan), variants=())
    result = replace(
        traffic_result, mounts=(replace(mount, statistics=statistics),), tolerance_met=False
    )
    write_report(result, [], tmp_path / "report.html")
    text = parse((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert "not computed" in text
    assert "the real uncertainty is larger" in text
    assert "the sampling interval is wider than asked" in text
    assert "nan" not in text.lower().split()


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


def test_relief_is_told_where_the_plane_has_an_answer(page, saved_pass, pass_result, tmp_path):
    text = page.text
    assert wording.RELIEF in text
    assert "2D peak (times) 2D cube (times)" in text
    assert "2.5 12" in text  # 1 / 0.4 and 1 / 0.08
    several = parse((saved_pass / "report.html").read_text(encoding="utf-8")).text
    assert several.count(wording.RELIEF) == 3
    gantry = replace(pass_result, mounts=pass_result.mounts[3:])
    write_report(gantry, [], tmp_path / "report.html")
    over = parse((tmp_path / "report.html").read_text(encoding="utf-8")).text
    assert wording.RELIEF not in over
    assert "2D peak" not in over
