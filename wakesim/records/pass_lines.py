"""What a pass looks like on average when its log is not exact.

A log gives the time of a pass to some tenths of a second and mostly no place in the lane. Traffic
is uniform in time over such errors, so the true time given the logged one scatters about it with
the logger's own standard deviation, and the expected velocity is the mean line of the class,

    E[u](X) = sum_w p_w (G * f_w)(X),

w over the lateral places (normal weights p_w, unless the log has them), G the normal density of
the time error carried to the distance V sigma_t. A regression on E[u] is then unbiased (regression
calibration: R. J. Carroll et al., "Measurement Error in Nonlinear Models", 2006, from memory);
on f itself it would find the pulse too weak. What is left scatters from pass to pass with variance

    var u(X) = (1 + s^2) sum_w p_w (G * f_w^2)(X) - E[u](X)^2,

s being the relative scatter of the strength of single passes about their class.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from scipy.ndimage import gaussian_filter1d

from wakesim.arrays import Array
from wakesim.errors import CaseError
from wakesim.traffic.lines import (
    FAR_CHANNELS,
    NEAR_CHANNELS,
    POINTS,
    WANDER_NODES,
    LineLibrary,
    air_relative_speed,
)

Respond = Callable[[Array, Array, float], tuple[Array, Array]]
"""(u, v, dt_s) -> (u, v) as the instrument shows them; linear, of unit gain in a steady wind."""

_LARGEST_TIME_S = 2.0


@dataclass(frozen=True)
class LogErrors:
    """How far the passing log may be off, standard deviations.

    ``time_s`` of the time of each pass, independent of each other (an error common to all is the
    clock offset, found by ``alignment``); a log to full seconds has 0.29 s. ``strength``: relative
    scatter of a pass about its class, from errors of the speed and from unlike vehicles (what a
    wrong speed does to the length of a pulse is left out).
    ``lateral_known``: the log has the place in the lane; if not, it is spread as the case's
    ``wander_sd_m`` says. Raises CaseError outside 0 to 2 s and 0 to 1.
    """

    time_s: float = 0.0
    strength: float = 0.0
    lateral_known: bool = False

    def __post_init__(self) -> None:
        for name, value, unit, top in (
            ("time_s", self.time_s, " s", _LARGEST_TIME_S),
            ("strength", self.strength, "", 1.0),
        ):
            if not 0.0 <= value <= top:
                raise CaseError(
                    f"error of the passing log: {name} = {value:g}{unit}: "
                    f"must be at least 0 and at most {top:g}{unit}"
                )


def expected_lines(library: LineLibrary, errors: LogErrors) -> LineLibrary:
    """The library with every line replaced by its mean over the place in the lane.

    The mean over the time error is the same smear in time for all passes, and left to the series.
    """
    data = np.empty_like(library.near.data)
    for rows, lines, _ in _lines_of_sights(library):
        data[rows] = _mean(lines, errors, library, 0.0).reshape(rows.stop - rows.start, -1)
    return replace(library, near=replace(library.near, data=data))


def scatter_lines(
    library: LineLibrary, errors: LogErrors, respond: Respond | None = None
) -> tuple[LineLibrary, LineLibrary]:
    """Libraries whose energy channel is the scatter of u, and of v, of one pass; the rest zero.

    Superposed like any library they give the variance of the sum over independent passes, m2/s2.
    ``respond`` (u, v, dt_s) -> (u, v) is the instrument that the pass is seen through. All points
    of the library are taken to be its middle one.
    """
    near = [np.zeros_like(library.near.data) for _ in range(2)]
    far = np.zeros_like(library.far.data).reshape(-1, FAR_CHANNELS, POINTS)
    wake = library.far.data.reshape(-1, FAR_CHANNELS, POINTS)[:, 0]
    far[:, 1] = errors.strength**2 * wake**2
    gain = 1.0 + errors.strength**2
    for rows, lines, relative in _lines_of_sights(library):
        middle = lines[..., POINTS // 2]
        seen = np.array([middle[:, :, 0] + middle[:, :, 2], middle[:, :, 1]])
        if respond is not None:
            dt = library.near.step_m / relative
            for w in range(seen.shape[1]):
                seen[:, w] = respond(seen[0, w], seen[1, w], dt)
        sd = relative * errors.time_s / library.near.step_m
        for component, out in zip(seen, near, strict=True):
            mean = _mean(component, errors, library, sd)
            square = _mean(component**2, errors, library, sd)
            channels = out[rows].reshape(*lines.shape[:2], NEAR_CHANNELS, POINTS)
            channels[:, :, 3] = np.maximum(gain * square - mean**2, 0.0)[:, :, None]
    flat = far.reshape(library.far.data.shape)
    u_far = replace(library.far, data=flat)
    v_far = replace(library.far, data=np.zeros_like(flat))
    return (
        replace(library, near=replace(library.near, data=near[0]), far=u_far),
        replace(library, near=replace(library.near, data=near[1]), far=v_far),
    )


def _lines_of_sights(library: LineLibrary) -> Iterator[tuple[slice, Array, float]]:
    """Rows of the table, lines (wander, rows, channels, points), speed in air, of each view."""
    count = WANDER_NODES.size
    for i, view in enumerate(library.views):
        first, rows = int(library.near.first[i * count]), int(library.near.rows[i * count])
        part = slice(first, first + count * rows)
        lines = library.near.data[part].reshape(count, rows, NEAR_CHANNELS, POINTS)
        relative = air_relative_speed(view.mean_speed_m_s, view.direction, view.wind_along_m_s)
        yield part, lines, float(relative)


def _mean(lines: Array, errors: LogErrors, library: LineLibrary, smear_rows: float) -> Array:
    """Mean over the place in the lane (first axis, kept) and the time error (second axis)."""
    out = lines
    if not errors.lateral_known and library.settings.wander_sd_m > 0.0:
        weight = np.exp(-0.5 * WANDER_NODES**2)
        mean = np.tensordot(weight / weight.sum(), lines, axes=1)
        out = np.broadcast_to(mean, lines.shape)
    if smear_rows > 0.0:
        out = gaussian_filter1d(out, smear_rows, axis=1, mode="nearest", truncate=6.0)
    return out
