"""A quantity's values for conditions given as lists, or for a reference file of the project."""

from __future__ import annotations

from pathlib import Path

import numpy as np

from wakesim.runtime import validation_path
from wakesim.validation.comparison import Comparison, FigureSpec
from wakesim.validation.quantities import quantities
from wakesim.validation.reader import read_comparison

KNOWN = quantities()


def from_file(name):
    """A comparison of the validation folder, by its name."""
    return read_comparison(validation_path() / f"{name}.toml", validation_path(), KNOWN)


def computed(name):
    """Measured and computed values of a comparison of the validation folder."""
    comparison = from_file(name)
    return comparison.measured, KNOWN[comparison.quantity].function(comparison)


def comparison(name, conditions, body=None, nose_radius_m=None, **options):
    """A comparison of a quantity with nothing but ones, for conditions given as lists."""
    arrays = {k: np.atleast_1d(np.asarray(v, dtype=float)) for k, v in conditions.items()}
    size = max((a.size for a in arrays.values()), default=1)
    return Comparison(
        name="test", title="test", part="gust", quantity=name, unit=KNOWN[name].unit,
        source="test", status="exact", note="", fitted=False, own_law=False, variant=False,
        independent_points=size, roadside="input", consequence="", measured=np.ones(size),
        uncertainty=None,
        conditions={k: np.broadcast_to(a, (size,)) for k, a in arrays.items()},
        labels=("",) * size, body=body, nose_radius_m=nose_radius_m, options=options, mark=None,
        figure=FigureSpec(), path=Path("here.toml"),
    )  # fmt: skip


def compute(name, conditions, body=None, nose_radius_m=None, **options):
    """Value of a quantity for conditions given as lists."""
    unused = {*conditions, *options} - {*KNOWN[name].needs, *KNOWN[name].optional}
    assert not unused, f"{unused} are not documented by {name}"
    return KNOWN[name].function(comparison(name, conditions, body, nose_radius_m, **options))
