"""Figures: valid files, units on every axis, the same bytes twice, nothing over anything."""

from __future__ import annotations

import xml.etree.ElementTree as ET
from dataclasses import replace
from itertools import islice
from types import SimpleNamespace

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import FancyBboxPatch
from matplotlib.text import Text
from PIL import Image
from synthetic_result import build_result, single_pass_text, traffic_text

from wakesim.case.load import load_case, load_case_text
from wakesim.case.vehicle import catalogue
from wakesim.constants import INPUTS
from wakesim.measures.results import WholeHour
from wakesim.outputs import wording
from wakesim.outputs.figures import (
    Drawing,
    cross_section,
    drawings,
    drift,
    freeze_layout,
    render,
    render_figures,
    slugs,
    traffic,
    uncertainty,
)
from wakesim.outputs.figures.style import decade, house_style
from wakesim.outputs.figures.traffic import typical_busy_window
from wakesim.outputs.tables import busiest_window
from wakesim.runtime import cases_path

KINDS = {
    "cross-section",
    "signature",
    "series",
    "distribution",
    "split",
    "drift",
    "hours",
    "uncertainty",
    "spectrum",
}
UNITS = ("(m)", "(s)", "(m/s)", "(s/m)", "(%)", "(h)", "(Hz)", "(m²/s²)", "(vehicles/h)")
WITHOUT_UNIT = {"lane"}  # categories
PNG_SIGNATURE = b"\x89PNG\r\n\x1a\n"


@pytest.fixture(scope="module")
def drawn(traffic_result, pass_result):
    with house_style():
        found = [*drawings(traffic_result), *drawings(pass_result)]
        for drawing in found:
            freeze_layout(drawing.figure)
    return found


def test_every_kind_is_drawn_for_every_mount(drawn, traffic_result):
    assert {(d.mount, d.kind) for d in drawn[:18]} == {
        (m.mount.name, kind) for m in traffic_result.mounts for kind in KINDS
    }
    assert {d.kind for d in drawn[18:]} == {"cross-section", "signature"}
    assert len(drawn) == 26


def test_axis_labels_have_units(drawn):
    for drawing in drawn:
        labels = {
            text
            for axes in drawing.figure.axes
            for text in (axes.get_xlabel(), axes.get_ylabel())
            if text
        }
        assert labels - WITHOUT_UNIT, drawing.stem
        for text in labels - WITHOUT_UNIT:
            assert text.endswith(UNITS), (drawing.stem, text)


def test_the_lowest_axes_have_a_label_on_x(drawn):
    for drawing in drawn:
        shown = [axes for axes in drawing.figure.axes if axes.get_visible()]
        lowest = min(shown, key=lambda axes: axes.get_position().y0)
        assert lowest.get_xlabel(), drawing.stem


def test_invented_data_is_marked_and_only_there(drawn):
    for drawing in drawn:
        texts = [text.get_text() for text in drawing.figure.texts]
        assert ("invented data" in texts) == (drawing in drawn[:18]), drawing.stem


def test_texts_stay_inside_and_legends_off_the_axes(drawn):
    for drawing in drawn:
        figure = drawing.figure
        renderer = FigureCanvasAgg(figure).get_renderer()
        frame = figure.bbox
        for axes in figure.axes:
            if not axes.get_visible():
                continue
            box = axes.get_tightbbox(renderer)
            assert box.x0 >= frame.x0 - 1, drawing.stem
            assert box.x1 <= frame.x1 + 1, drawing.stem
            assert box.y0 >= frame.y0 - 1, drawing.stem
            for legend in figure.legends:
                key = legend.get_window_extent(renderer)
                assert key.y0 >= axes.get_window_extent(renderer).y1 - 1, drawing.stem
                assert key.x1 <= frame.x1 + 1, drawing.stem


def test_uncertainty_is_drawn(drawn, traffic_result):
    values = traffic_result.mounts[0].statistics
    own = {d.kind: d.figure for d in drawn if d.mount == traffic_result.mounts[0].mount.name}
    bars = own["distribution"].axes[2].get_lines()
    ends = [tuple(np.asarray(line.get_xdata(), dtype=float)) for line in bars]
    assert values.model_interval_m_s in ends
    assert values.sampling_interval_m_s in ends
    tornado = own["uncertainty"].axes[0]
    bars = tornado.patches[1:]
    widths = sorted(round(p.get_width(), 9) for p in bars)
    assert widths == sorted(round(v.change_m_s, 9) for v in values.variants)


def test_variants_beside_the_interval_stand_below_in_a_lighter_style(drawn, traffic_result):
    values = traffic_result.mounts[0].statistics
    name = traffic_result.mounts[0].mount.name
    (drawing,) = [d for d in drawn if d.mount == name and d.kind == "uncertainty"]
    axes = drawing.figure.axes[0]
    words = {text.get_text(): text for text in axes.texts}
    level = words["beside the interval"].xy[1]
    aside = {round(v.change_m_s, 9) for v in values.variants if not v.counted}
    assert len(aside) == 2
    for bar in axes.patches[1:]:
        pale = bar.get_facecolor()[3] < 0.5
        assert pale == (round(bar.get_width(), 9) in aside)
        assert (bar.get_y() > level) == pale  # the axis runs downwards
    counted = tuple(v for v in values.variants if v.counted)
    mount = replace(traffic_result.mounts[0], statistics=replace(values, variants=counted))
    with house_style():
        plain = uncertainty.draw(traffic_result, mount, mount.statistics).axes[0]
    assert "beside the interval" not in [text.get_text() for text in plain.texts]


def test_model_uncertainty_has_no_negative_speeds(traffic_result):
    mount = traffic_result.mounts[0]
    for factor in (1.0, 0.02):  # slow air: the labels need room below zero
        low, high = (factor * end for end in mount.statistics.model_interval_m_s)
        statistics = replace(
            mount.statistics,
            measures={
                **mount.statistics.measures,
                "effective_speed_m_s": factor * mount.statistics.effective_speed_m_s,
            },
            model_interval_m_s=(low, high),
            variants=tuple(
                replace(v, change_m_s=factor * v.change_m_s) for v in mount.statistics.variants
            ),
        )
        with house_style():
            axes = uncertainty.draw(traffic_result, mount, statistics).axes[0]
            axes.figure.draw_without_rendering()
        shown = [t for t in axes.get_xticks() if axes.get_xlim()[0] <= t <= axes.get_xlim()[1]]
        assert len(shown) >= 3
        assert min(shown) >= 0.0
        assert axes.get_xlim()[0] < low
        assert axes.spines["bottom"].get_bounds()[0] >= 0.0


def labelled(axis) -> list[str]:
    low, high = sorted(axis.get_view_interval())
    inside = [tick for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
    return [tick.label1.get_text() for tick in inside if tick.label1.get_text()]


@pytest.mark.parametrize("decades", [0.5, 1.0, 2.0, 4.0, 9.0])
def test_spectrum_has_several_labels_on_both_axes(traffic_result, decades):
    mount = traffic_result.mounts[0]
    frequency = np.linspace(0.01, 10.0, 400)
    shape = 10.0 ** (decades * (0.5 + 0.5 * np.sin(np.arange(400.0)) - 1.0))
    density = 0.037 * shape / frequency
    statistics = replace(
        mount.statistics,
        spectrum_hz=frequency,
        spectrum_m2_s=density,
        spectrum_passing_m2_s=0.1 * density,
    )
    with house_style():
        figure = traffic.draw_spectrum(traffic_result, mount, statistics)
        figure.draw_without_rendering()
        axes = figure.axes[0]
        assert len(labelled(axes.yaxis)) >= 2
        assert len(labelled(axes.xaxis)) >= 2


def test_spectrum_shows_the_parts_and_their_legend(traffic_result):
    mount = traffic_result.mounts[0]
    values = mount.statistics
    with house_style():
        figure = traffic.draw_spectrum(traffic_result, mount, values)
    lines = {line.get_label(): line for line in figure.axes[0].get_lines()}
    shown = [text.get_text() for text in figure.legends[0].get_texts()]
    assert shown == list(lines) == list(traffic._SPECTRUM_LEGEND)
    whole, swept, rest = (np.asarray(lines[k].get_ydata()) for k in list(lines)[1:4])
    np.testing.assert_allclose(swept + rest, whole, rtol=1e-12)
    bands, density = values.spectrum_hz[1:-1], values.spectrum_passing_m2_s[1:-1]
    np.testing.assert_allclose(swept, traffic.band_means(bands, bands * density)[1])
    low = figure.axes[0].get_ylim()[0]
    assert swept.max() > low


def test_share_of_fast_fluctuations():
    frequency = np.linspace(0.0, 1.0, 101)
    density = np.where(frequency < 0.495, 1.0, 3.0)
    density[0] = 100.0  # slow changes
    assert traffic.share_above(frequency, density) == pytest.approx(153.0 / 302.0)
    assert np.isnan(traffic.share_above(frequency, 0.0 * density))


def test_drift_figure_shows_signs_lanes_and_mount(drawn, traffic_result):
    for mount in traffic_result.mounts:
        (drawing,) = [d for d in drawn if d.mount == mount.mount.name and d.kind == "drift"]
        axes, bar = drawing.figure.axes
        assert bar.get_xlabel() == "mean along-road air of the traffic, towards +x (m/s)"
        low, high = bar.get_xlim()
        assert low == pytest.approx(-high)  # both directions: the middle of the colours is 0
        assert high >= np.abs(mount.statistics.drift.speed_m_s).max() * 0.9
        assert "−" in bar.get_xticklabels()[0].get_text()
        texts = [text.get_text() for text in axes.texts]
        assert texts == ["⊙ near", "⊗ far"]
        half = (mount.mount.rotor_width_m, mount.mount.rotor_height_m)
        boxes = [(p.get_width(), p.get_height()) for p in axes.patches]
        assert half in boxes
        assert 0.0 in bar.get_xticks()
        wall = mount.mount.wall_offset_m
        assert axes.get_xlim() == (-30.0, 20.0 if wall is None else pytest.approx(wall + 0.8))
        assert any(p.get_hatch() for p in axes.patches) == (wall is not None)
        assert axes.get_ylim()[1] == 10.0


@pytest.mark.parametrize("factor", [1.0, -1.0, 0.0, 1e-4, 40.0])
def test_drift_levels_follow_the_field(traffic_result, factor):
    mount = traffic_result.mounts[0]
    old = mount.statistics.drift
    one_way = np.abs(old.speed_m_s) * factor
    values = replace(mount.statistics, drift=replace(old, speed_m_s=one_way))
    steps = drift.levels(one_way)
    assert np.all(np.diff(steps) > 0)
    assert steps[0] <= one_way.min()
    assert steps[-1] >= one_way.max()
    assert steps[0] == 0.0 or steps[-1] == 0.0
    with house_style():
        figure = drift.draw(traffic_result, mount, values)
        figure.draw_without_rendering()
    labels = [text.get_text() for text in figure.axes[1].get_xticklabels()]
    ticks = figure.axes[1].get_xticks()
    for label, tick in zip(labels, ticks, strict=True):
        assert float(label.replace("−", "-")) == pytest.approx(tick, abs=1e-9)


def test_no_drift_no_drift_figure():
    result = build_result(traffic_text(drift=False))
    result = replace(result, mounts=result.mounts[:1])
    with house_style():
        assert {d.kind for d in drawings(result)} == KINDS - {"drift"}


CASES = sorted(path.name for path in cases_path().glob("*.toml"))


@pytest.mark.parametrize("name", [*CASES, "four kinds of mount"])
def test_words_of_the_cross_section_lie_over_nothing(name):
    case = load_case(cases_path(name)) if name in CASES else load_case_text(single_pass_text())
    for mount in case.mounts:
        with house_style():
            figure = cross_section.draw(SimpleNamespace(case=case), SimpleNamespace(mount=mount))
            renderer = FigureCanvasAgg(figure).get_renderer()
            figure.draw(renderer)
        axes = figure.axes[0]
        words = [
            (text.get_text(), Text.get_window_extent(text, renderer).shrunk(0.98, 0.8))
            for text in axes.texts
            if text.get_text()
        ]
        assert len(words) > 5
        vehicles = [p.get_window_extent() for p in axes.patches if isinstance(p, FancyBboxPatch)]
        rotor = next(p.get_window_extent() for p in axes.patches if p.get_alpha() == 0.75)
        for i, (one, box) in enumerate(words):
            assert not box.overlaps(rotor), (mount.name, one)
            for outline in vehicles:  # a name lies inside its outline
                inside = outline.containsx(box.x0) and outline.containsx(box.x1)
                assert inside or not box.overlaps(outline), (mount.name, one)
            for other, second in words[i + 1 :]:
                assert not box.overlaps(second), (mount.name, one, other)


def test_cross_section_is_to_scale(drawn):
    for drawing in drawn:
        if drawing.kind == "cross-section":
            drawing.figure.draw_without_rendering()
            axes = drawing.figure.axes[0]
            box = axes.get_window_extent()
            across = box.width / np.ptp(axes.get_xlim())
            up = box.height / np.ptp(axes.get_ylim())
            assert across == pytest.approx(up, rel=1e-6)


def test_files_are_valid_and_not_trivial(saved_traffic):
    svgs = sorted((saved_traffic / "figures").glob("*.svg"))
    assert len(svgs) == 18
    for path in svgs:
        root = ET.fromstring(path.read_bytes())
        assert root.tag == "{http://www.w3.org/2000/svg}svg"
        words = " ".join(text for text in root.itertext() if text.strip())
        assert "invented data" in words
        assert path.stat().st_size > 5000
        png = path.with_suffix(".png").read_bytes()
        assert png.startswith(PNG_SIGNATURE)
        assert int.from_bytes(png[16:20], "big") == 1080
        assert len(png) > 10_000


def test_png_holds_the_pixels_drawn(tmp_path):
    figure = Figure(figsize=(3.0, 2.0))
    figure.subplots().plot([0.0, 1.0, 0.5])
    render(lambda: iter([Drawing("one", "line", "", "a line", figure)]), tmp_path)
    with Image.open(tmp_path / "one.png") as image:
        assert image.info["dpi"] == pytest.approx((150, 150), rel=1e-3)
        found = np.asarray(image)
    assert found.shape == (300, 450, 3)
    figure.set_dpi(150)
    canvas = FigureCanvasAgg(figure)
    with house_style():
        canvas.draw()
    np.testing.assert_array_equal(found, np.asarray(canvas.buffer_rgba())[:, :, :3])


def test_two_saves_give_the_same_svg(tmp_path, traffic_result, saved_traffic):
    first = replace(traffic_result, mounts=traffic_result.mounts[:1])
    render(lambda: islice(drawings(first), 3), tmp_path)
    for path in tmp_path.glob("*.svg"):
        assert path.read_bytes() == (saved_traffic / "figures" / path.name).read_bytes()
        assert b"<dc:date>" not in path.read_bytes()
    assert len(list(tmp_path.glob("*.svg"))) == 3


def test_mount_names_give_distinct_file_names(pass_result):
    mount = pass_result.mounts[0]
    named = [
        replace(mount, mount=mount.mount.model_copy(update={"name": name}))
        for name in ("A b", "a b-3", "A.b", "__", "A_b")
    ]
    names = slugs(replace(pass_result, mounts=tuple(named)))
    assert len(set(names)) == 5
    assert all(name.replace("-", "").isalnum() for name in names)


def test_air_at_rest_is_drawn_without_complaint(traffic_result, recwarn):
    mount = traffic_result.mounts[0]
    old = mount.statistics
    series = replace(
        old.series,
        u_m_s=np.zeros_like(old.series.u_m_s),
        v_m_s=np.zeros_like(old.series.v_m_s),
        speed_m_s=np.zeros_like(old.series.speed_m_s),
        passes=old.series.passes.take(slice(0, 0)),
    )
    nan = float("nan")
    statistics = replace(
        old,
        series=series,
        measures={**mount.statistics.measures, "effective_speed_m_s": 0.0, "mean_speed_m_s": 0.0},
        sampling_interval_m_s=(0.0, 0.0),
        model_interval_m_s=(nan, nan),
        by_class=dict.fromkeys(old.by_class, nan),
        by_mechanism=dict.fromkeys(old.by_mechanism, nan),
        spectrum_m2_s=np.zeros_like(old.spectrum_m2_s),
        spectrum_passing_m2_s=np.zeros_like(old.spectrum_m2_s),
        drift=replace(old.drift, speed_m_s=np.zeros_like(old.drift.speed_m_s)),
        variants=(),
    )
    still = replace(traffic_result, mounts=(replace(mount, statistics=statistics),))
    with house_style():
        found = list(drawings(still))
        for drawing in found:
            freeze_layout(drawing.figure)
    assert {drawing.kind for drawing in found} == KINDS - {"uncertainty", "split"}
    assert [str(warning.message) for warning in recwarn] == []


def test_short_series_is_drawn(traffic_result):
    mount = traffic_result.mounts[0]
    old = mount.statistics.series
    cut = slice(0, 600)
    series = replace(
        old,
        **{
            key: getattr(old, key)[cut] for key in ("time_s", "hour", "u_m_s", "v_m_s", "speed_m_s")
        },
    )
    statistics = replace(mount.statistics, series=series)
    with house_style():
        for draw in (traffic.draw_series, traffic.draw_distribution):
            draw(traffic_result, mount, statistics).draw_without_rendering()


def test_names_with_dollar_signs_are_plain_text(tmp_path):
    text = single_pass_text().replace('label = "Town car"', 'label = "Car for $5 & <b>$x^$"')
    result = build_result(text)
    render_figures(replace(result, mounts=result.mounts[:1]), tmp_path)
    svg = (tmp_path / "verge-post-signature.svg").read_text(encoding="utf-8")
    assert "Car for $5 &amp; &lt;b&gt;$x^$" in svg


def test_typical_window_lies_in_the_busiest_hour(traffic_result):
    series = traffic_result.mounts[0].statistics.series
    window = typical_busy_window(series, 30.0)
    hours = set(series.hour[window].tolist())
    flows = [sum(traffic_result.case.traffic_state(hour).flow_veh_s) for hour in range(24)]
    assert len(hours) == 1
    assert flows[hours.pop()] > 0.85 * max(flows)
    cubes = series.speed_m_s**3
    hour = cubes[series.hour == series.hour[window.start]]
    parts = hour[: len(hour) // 600 * 600].reshape(-1, 600).mean(axis=1)
    best = np.abs(parts - hour.mean()).min()
    assert abs(cubes[window].mean() - hour.mean()) == pytest.approx(best)


def test_busiest_window_of_a_known_series():
    speed = np.ones(1000)
    speed[400:500] = 2.0
    assert busiest_window(speed, 0.1, 10.0) == slice(400, 500)
    assert busiest_window(speed, 0.1, 1000.0) == slice(0, 1000)


def test_decades():
    assert [decade(10.0**k) for k in (-5, -3, 0, 2, 4)] == ["10⁻⁵", "0.001", "1", "100", "10⁴"]
    assert [decade(x) for x in (0.02, 5.0, 2e-5, 5e4)] == ["0.02", "5", "2 · 10⁻⁵", "5 · 10⁴"]


@pytest.mark.parametrize("name", catalogue())
def test_cross_section_draws_the_catalogue(name):
    head, rest = single_pass_text().split('vehicles = ["town_car", "delivery_van", "long_lorry"]')
    case = load_case_text(f'{head}vehicles = ["{name}"]{rest}')
    result = SimpleNamespace(case=case)
    with house_style():
        for mount in case.mounts:
            axes = cross_section.draw(result, SimpleNamespace(mount=mount)).axes[0]
            words = " ".join(" ".join(text.get_text().split()) for text in axes.texts)
            label = case.vehicles[name].label
            assert label in words or cross_section.short_name(name) in words


def test_band_means_keep_the_level_and_the_bands():
    frequency = np.linspace(0.1, 10.0, 1000)
    centre, mean = traffic.band_means(frequency, np.full(1000, 3.0))
    np.testing.assert_allclose(mean, 3.0)
    assert np.all(np.diff(centre) > 0)
    assert len(centre) < 25


def test_notes_on_the_mean_air_name_inputs_of_the_model():
    assert set(wording.MEAN_AIR_VARIANTS) <= {item.name for item in INPUTS}


def test_whole_hour_adds_a_panel_of_march_minus_balance(traffic_result):
    mount = traffic_result.mounts[0]
    mean = mount.statistics.drift
    balance = mean.speed_m_s
    whole = WholeHour(
        17, 3400, 1.1, 1.2, 1.5, 1.6, mean.y_m, mean.z_m, balance + 0.3, balance
    )  # fmt: skip
    values = replace(mount.statistics, whole_hour=whole)
    result = replace(traffic_result, mounts=(replace(mount, statistics=values),))
    with house_style():
        figure = drift.draw(result, result.mounts[0], values)
        figure.draw_without_rendering()
    bars = [axes for axes in figure.axes if axes.get_xlabel().endswith("towards +x (m/s)")]
    assert len(bars) == 2
    assert "17:00" in bars[1].get_xlabel()
    # 0.3 m/s everywhere but on the road itself, where the air is at rest
    assert bars[1].get_xlim() == (0.0, pytest.approx(0.3, abs=0.1))
