"""Combination of one-at-a-time changes into the model interval."""

from __future__ import annotations

import pytest

from wakesim.case.catalogue import catalogue
from wakesim.flow.wake import WakeConstants
from wakesim.measures.spread import model_interval, variants
from wakesim.results import ModelVariant
from wakesim.traffic.lines import FieldSettings

SETTINGS = FieldSettings(WakeConstants(), True, 30.0, 0.25, 0.5)


def variant(name, change, base=2.0):
    return ModelVariant(name, "", base + change, change)


def test_changes_add_as_squares_each_parameter_once():
    found = (variant("a", 0.3), variant("a", -0.6), variant("b", 0.4), variant("b", 0.1))
    low, high = model_interval(2.0, found)
    assert high == pytest.approx(2.5)  # sqrt(0.3^2 + 0.4^2)
    assert low == pytest.approx(1.4)


def test_interval_never_goes_below_still_air():
    low, _ = model_interval(0.5, (variant("a", -0.4, 0.5), variant("b", -0.45, 0.5)))
    assert low == 0.0


def test_states_beside_the_interval_do_not_count():
    found = (variant("a", 0.3), ModelVariant("light crosswind", "", 1.0, -1.0, False))
    assert model_interval(2.0, found) == pytest.approx((2.0, 2.3))


@pytest.mark.parametrize("family", ["couple", "momentum"])
def test_every_parameter_is_moved_and_nothing_else(family):
    settings = FieldSettings(WakeConstants(family=family), True, 30.0, 0.25, 0.5)
    names = [name for name, _, _ in variants(settings)]
    assert len(names) == len({(n, s) for n, s, _ in variants(settings)})
    assert {
        "wake family", f"spread of the {family} wake", "eddy diffusivity", "drag coefficients",
        "friction of road and verge",
        "recirculation length", "wake turbulence", "height of the wake turbulence",
            "vehicle dimensions", "lane position",
        "tail of the hull",
    } == set(names)  # fmt: skip


def test_drag_variants_stay_in_the_catalogue_range():
    from dataclasses import dataclass

    @dataclass(frozen=True)
    class Scene:
        sights: tuple

    from wakesim.traffic.lines import Sight

    lorry = catalogue()["artic_lorry_eu"]
    scene = Scene((Sight(lorry, -1.825, 1, 24.0, 1.0),))
    ends = [
        change(scene, SETTINGS)[0].sights[0].vehicle.drag_coefficient
        for name, _, change in variants(SETTINGS)
        if name == "drag coefficients"
    ]
    assert tuple(ends) == lorry.drag_range
