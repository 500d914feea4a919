"""summary.json: valid, without NaN, every key documented."""

from __future__ import annotations

import json
import re
from dataclasses import replace
from pathlib import Path

from synthetic_result import build_result, traffic_text

from wakesim import quantities
from wakesim.outputs.summary import inputs_hash, summary


def load(folder):
    def refuse(text):
        raise AssertionError(f"{text} in JSON")

    text = (folder / "summary.json").read_text(encoding="utf-8")
    return json.loads(text, parse_constant=refuse)


def keys(value):
    """All keys outside the free mappings."""
    if isinstance(value, dict):
        for key, item in value.items():
            yield key
            if key not in ("by_class", "by_mechanism", "balance", "libraries"):
                yield from keys(item)
    elif isinstance(value, list):
        for item in value:
            yield from keys(item)


def test_the_description_of_the_files_is_that_of_the_quantities(saved_traffic, saved_pass):
    """``python -m wakesim.quantities > wakesim/outputs/README.md`` writes it; it has every key."""
    kept = Path(quantities.__file__).parent / "outputs" / "README.md"
    text = quantities.documentation()
    assert kept.read_text(encoding="utf-8") == text
    found = set(keys(load(saved_traffic))) | set(keys(load(saved_pass)))
    assert found - set(re.findall(r"\w+", text)) == set()


def test_values(saved_traffic, traffic_result):
    data = load(saved_traffic)
    assert data["format_version"] == 1
    assert data["invented_data"] is True
    assert data["study"] == "traffic"
    for record, mount in zip(data["mounts"], traffic_result.mounts, strict=True):
        values = mount.statistics
        assert record["name"] == mount.mount.name
        assert record["effective_speed_m_s"] == values.effective_speed_m_s
        assert record["sampling_interval_m_s"] == list(values.sampling_interval_m_s)
        assert record["model_interval_m_s"] == list(values.model_interval_m_s)
        assert record["by_class"] == values.by_class
        assert len(record["hourly"]) == 24
        assert len(record["model_variants"]) == 13
        assert record["whole_hour"] is None
        aside = [row["parameter"] for row in record["model_variants"] if not row["counted"]]
        assert aside == ["light crosswind", "light crosswind"]
        assert record["by_mechanism"]["drift"] == 0.10
        drift = record["drift"]
        assert drift["at_mount_m_s"] == values.drift.at_mount_m_s == 0.123
        assert drift["balance"] == values.drift.balance
        assert "speed_m_s" not in drift
        memories = [row["wake_memory_s"] for row in record["cutoff_sensitivity"]]
        assert memories == [15.0, 30.0, 60.0]
        assert record["warnings"] == ["close to a wall"]
    assert data["warnings"] == ["one synthetic warning"]
    assert any("road authority" in text for text in data["cautions"])
    assert any("No published measurement" in text for text in data["limits"])
    assert data["provenance"]["case_text"] == traffic_result.case.text


def test_single_pass_has_null_for_what_it_does_not_compute(saved_pass):
    data = load(saved_pass)
    for record in data["mounts"]:
        assert record["effective_speed_m_s"] is None
        assert record["hourly"] == []
        assert record["drift"] is None
        assert len(record["signatures"]) == 3
        over = record["kind"] == "overhead"
        for signature in record["signatures"]:
            assert signature["relief_peak"] == (None if over else 0.4)
            assert signature["relief_cube"] == (None if over else 0.08)


def test_nan_becomes_null(traffic_result):
    mount = traffic_result.mounts[0]
    nan = float("nan")
    statistics = replace(
        mount.statistics,
        model_interval_m_s=(nan, nan),
        measures={**mount.statistics.measures, "energy_pattern_factor": float("inf")},
        drift=replace(mount.statistics.drift, settling_s=float("inf")),
    )
    broken = replace(traffic_result, mounts=(replace(mount, statistics=statistics),))
    text = json.dumps(summary(broken), allow_nan=False)
    record = json.loads(text)["mounts"][0]
    assert record["model_interval_m_s"] == [None, None]
    assert record["energy_pattern_factor"] is None
    assert record["drift"]["settling_s"] is None


def test_listed_files_are_those_written(saved_traffic):
    listed = set(load(saved_traffic)["files"])
    there = {
        path.relative_to(saved_traffic).as_posix()
        for path in saved_traffic.rglob("*")
        if path.is_file()
    }
    assert listed == there


def test_inputs_hash_follows_the_inputs(traffic_result):
    same = build_result(traffic_text())
    assert inputs_hash(same) == inputs_hash(traffic_result)
    other_text = build_result(traffic_text(title="Another title"))
    assert inputs_hash(other_text) != inputs_hash(traffic_result)
    other_seed = replace(traffic_result, provenance={**traffic_result.provenance, "seed": 1})
    assert inputs_hash(other_seed) != inputs_hash(traffic_result)
    later = replace(traffic_result, provenance={**traffic_result.provenance, "platform": "other"})
    assert inputs_hash(later) == inputs_hash(traffic_result)


def test_limits_say_whether_the_drift_is_in_it(traffic_result, pass_result):
    off = build_result(traffic_text(drift=False))
    assert summary(off)["mounts"][0]["drift"] is None
    texts = {
        name: " ".join(summary(result)["limits"])
        for name, result in (("on", traffic_result), ("off", off), ("pass", pass_result))
    }
    assert "friction of road and verge, spreading and crosswind" in texts["on"]
    assert "no published measurement isolates it" in texts["on"]
    assert "the wall is taken as endless" in texts["on"].lower()  # there is a wall mount
    assert "not included" not in texts["on"]
    assert "air.drift.enabled = false" in texts["off"]
    assert "depends on that time" in texts["off"]
    assert "isolates it on open roads" not in texts["off"]
    assert "Single passes only" in texts["pass"]
    for text in texts.values():
        assert "slanted rear ends" in text
        assert "Vertical motion through the rotor" in text
