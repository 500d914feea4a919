"""Wind over rough ground, the drift's ground, and what is refused about them."""

from __future__ import annotations

import math
import re

import pytest
from case_texts import POST, TEXTS, edited, problems

from wakesim.air.profiles import wind_speed
from wakesim.case.air import Wind
from wakesim.case.load import load_case_text
from wakesim.errors import CaseError

WALL = TEXTS["wall-face.toml"]
ROUGH = "roughness_m = 0.03              # open land"
INTENSITY = "turbulence_intensity = 0.17     # neutral log law: 1 / ln(10 m / 0.03 m)"


def _wind(*changes: tuple[str, str]) -> Wind:
    wind = load_case_text(edited(WALL, *changes)).air.wind
    assert wind is not None
    return wind


# Roughness lengths as in shared/reference/roughness.csv.
@pytest.mark.parametrize(
    ("name", "length_m"),
    [("sea", 0.0002), ("paved", 0.0002), ("open", 0.03), ("very rough", 0.5), ("chaotic", 2.0)],
)
def test_a_roughness_class_stands_for_its_length(name: str, length_m: float) -> None:
    assert _wind((ROUGH, f'roughness_class = "{name}"')).roughness_m == length_m


def test_intensity_given_as_a_number_holds_at_every_height() -> None:
    wind = _wind()
    assert [wind.intensity(z) for z in (0.5, 2.0, 10.0)] == [0.17] * 3
    assert _wind((INTENSITY, "")).intensity(2.0) == 0.0


def test_intensity_from_the_roughness_follows_the_height() -> None:
    wind = _wind((INTENSITY, 'turbulence_intensity = "roughness"'))
    assert wind.intensity(3.0) == pytest.approx(0.217, abs=5e-4)  # the reference table, class 3
    assert wind.intensity(10.0) == pytest.approx(0.172, abs=5e-4)
    assert wind.intensity(0.03) == wind.intensity(-1.0) == 1.0
    assert wind.intensity(math.e * 0.03 * (1 + 1e-9)) == pytest.approx(1.0)
    lifted = _wind(
        (INTENSITY, 'turbulence_intensity = "roughness"\ndisplacement_m = 1.0'),
    )
    assert lifted.intensity(4.0) == pytest.approx(wind.intensity(3.0))


def test_ground_of_the_drift() -> None:
    plain = load_case_text(POST).air
    assert plain.eddy_diffusivity_m2_s is None
    assert plain.drift.enabled
    text = (
        "[air.drift]\nenabled = false\nroughness_road_m = 0.002\nroughness_verge_m = 0.1\n\n"
        "[[mounts]]"
    )
    air = load_case_text(
        edited(POST, ("still = true ", "still = true\neddy_diffusivity_m2_s = 0.4 "),
               ("[[mounts]]", text))
    ).air  # fmt: skip
    assert air.eddy_diffusivity_m2_s == 0.4
    assert not air.drift.enabled
    assert (air.drift.roughness_road_m, air.drift.roughness_verge_m) == (0.002, 0.1)


WIND = "[air.wind]\nspeed_m_s = 10.0\nangle_deg = 0.0\nreference_height_m = {}\n{}\n"


def windy(height: float, more: str, text: str = POST) -> str:
    """The case in a wind measured at a height."""
    return edited(text, ("still = true ", "# ")) + WIND.format(height, more)


@pytest.mark.parametrize(
    ("height", "more", "least"),
    [
        (0.0300001, "", "0.15 m"),  # 5e10 m/s at 2 m from the log law
        (0.05, "", "0.15 m"),  # 82 m/s at 2 m
        (2.2, "displacement_m = 2.0\nroughness_m = 0.05", "2.25 m"),
        (0.05, 'profile = "power"', "0.15 m"),
    ],
)
def test_a_wind_measured_in_the_roughness_is_refused(height: float, more: str, least: str) -> None:
    text = windy(height, more)
    (line,) = problems(text)
    number = text[: text.index("reference_height_m")].count("\n") + 1
    assert line.startswith(f"x.toml:{number}: air.wind.reference_height_m = {height!r} m: must be")
    assert line.endswith(f"= {least}")


def test_the_wind_at_a_mount_has_a_ceiling() -> None:
    assert problems(windy(0.15, "roughness_m = 0.03")) == []  # 26 m/s at 2 m
    (line,) = problems(
        windy(0.15, "roughness_m = 0.03").replace("speed_m_s = 10", "speed_m_s = 30")
    )
    assert "air.wind.speed_m_s" in line
    assert "makes 78.3 m/s at mounts[1].height_m = 2 m: must be at most 60 m/s there" in line


@pytest.mark.parametrize(
    ("name", "change", "key"),
    [
        ("lookup-table.toml", ("3.5, 12.0]", "3.5, 39.0]"), "table.wind_speed_m_s"),
        ("mounting-map.toml", ("to_m = 8.45,", "to_m = 48.5,"), "map.height_m"),
        ("energy-yield.toml", ("{ speed_m_s = 2.0", "{ speed_m_s = 39.0"), "energy.winds[1].sp"),
    ],
)
def test_the_ceiling_holds_for_every_wind_computed(
    name: str, change: tuple[str, str], key: str
) -> None:
    low = "\n[air.wind]\nspeed_m_s = 20\nangle_deg = 0\nreference_height_m = 0.15\n"
    text = re.sub(r"(?m)^still = true.*$", "", TEXTS[name])
    found = problems(edited(text, change) + low)
    assert any(key in line and "must be at most 60 m/s there" in line for line in found), found


@pytest.mark.parametrize("more", ["", "displacement_m = 1.0", 'profile = "power"\nexponent = 0.2'])
def test_the_ratio_of_heights_is_that_of_the_profiles(more: str) -> None:
    wind = load_case_text(windy(12.0, more)).air.wind
    assert wind is not None
    for height in (0.02, 1.5, 2.0, 10.0, 40.0):
        expected = float(wind_speed(wind, height)) / wind.speed_m_s
        assert wind.ratio(height) == pytest.approx(expected, rel=1e-12)


WHOLE = ("[compute]\n", "[compute]\nwhole_hour = true\n")


@pytest.mark.parametrize(
    ("text", "more"),
    [
        (windy(10.0, ""), "needs still air"),
        (edited(POST, ("still = true", "drift = { enabled = false }\nstill = true")), "air.drift"),
        (TEXTS["mounting-map.toml"] + "\n[compute]\n", 'study = "traffic"'),
    ],
)
def test_a_whole_hour_needs_traffic_in_still_air_with_its_mean(text: str, more: str) -> None:
    (line,) = problems(edited(text, WHOLE))
    assert line.startswith("x.toml:")
    assert "compute.whole_hour" in line
    assert more in line


def test_a_whole_hour_is_off_unless_asked_for() -> None:
    assert not load_case_text(POST).compute.whole_hour
    assert load_case_text(edited(POST, WHOLE)).compute.whole_hour


def test_a_wind_without_a_speed_is_one_clear_line() -> None:
    text = edited(WALL, ("speed_m_s = 2.0                 # at reference_height_m", ""))
    with pytest.raises(CaseError, match=r"air\.wind: 'speed' is missing"):
        load_case_text(text)
