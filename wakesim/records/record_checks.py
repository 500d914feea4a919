"""What makes a fast record unusable, and what makes it doubtful."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from wakesim.arrays import Array
from wakesim.case.instrument import Instrument
from wakesim.errors import CaseError
from wakesim.records.logger_cells import SHOWN_OF_A_KIND, Cells

SHORTEST_S = 60.0
FEWEST_SAMPLES = 50
MOST_MISSING = 0.5
_STUCK_S = 60.0  # equal readings for as long are doubtful
_STUCK_SAMPLES = 100
_STILL_SHARE = 0.05
_FAST_STEP_S = 2.0  # samples as far apart as this may be averages over changing directions
_SPARSE_STEPS = 2.5  # steps over averaging time beyond which most of the air is not seen
_ROUNDING_M_S = 0.05
_ROUNDING_SHARE = 0.02
_DOUBTFUL_MEAN_M_S = 20.0


def nominal_step(time: Array) -> float:
    """Step of a logger with jitter and gaps, s: the mean of the steps within half of the median."""
    step = np.diff(time)
    usual = float(np.median(step))
    return float(np.mean(step[(step > 0.5 * usual) & (step < 1.5 * usual)]))


def check_order(cells: Cells, time: Array) -> None:
    """Times of all rows rise strictly. Raises CaseError with the first lines that do not."""
    step = np.diff(time)
    bad = np.flatnonzero(~(step > 0.0))
    if bad.size == 0:
        return
    name = "time" if cells.time_us is not None else cells.header.name_of("time_s")
    lines = []
    for i in bad[:SHOWN_OF_A_KIND].tolist():
        head = f"{cells.source}:{cells.lines[i + 1]}: {name}"
        if step[i] == 0.0:
            lines.append(f"{head}: is the same as in the line above")
        else:
            lines.append(
                f"{head}: is {-step[i]:g} s before the line above; times must rise (was the "
                "clock set back, or are two files joined?)"
            )
    if bad.size > SHOWN_OF_A_KIND:
        lines.append(f"{cells.source}: {bad.size - SHOWN_OF_A_KIND} more lines of this kind")
    repeated = int(np.sum(step == 0.0))
    if repeated > 0.3 * time.size:
        lines.append(
            f"{cells.source}: {repeated} of {time.size} stamps are repeated: the logger does not "
            "write fractions of a second; write them, or seconds in a column time_s"
        )
    raise CaseError(lines)


def check_length(cells: Cells, time: Array, valid: NDArray[np.bool_]) -> None:
    """Long and full enough to say anything. Raises CaseError."""
    source, count = cells.source, int(valid.sum())
    if count < FEWEST_SAMPLES:
        raise CaseError(
            f"{source}: holds {count} samples with a speed; at least {FEWEST_SAMPLES} are needed"
        )
    length = float(np.ptp(time[valid]))
    if length < SHORTEST_S:
        raise CaseError(f"{source}: spans {length:.3g} s; at least {SHORTEST_S:g} s are needed")
    step = nominal_step(time)
    missing = 1.0 - count / (round(length / step) + 1)
    if missing > MOST_MISSING:
        raise CaseError(
            f"{source}: {100 * missing:.0f} % of the samples are missing at its step of {step:g} s "
            f"({count} in {length:g} s); at most {100 * MOST_MISSING:g} % may be"
        )


def check_stuck(source: str, speed: Array, u: Array | None, v: Array | None) -> None:
    """A sensor that always reads the same measures nothing. Raises CaseError."""
    for name, values in (("speed", speed), ("u_m_s", u), ("v_m_s", v)):
        if values is not None and not np.all(np.isnan(values)):
            low, high = float(np.nanmin(values)), float(np.nanmax(values))
            if low == high:
                raise CaseError(
                    f"{source}: {name} is {low:g} m/s in all {values.size} samples: a stuck or "
                    "unplugged sensor"
                )


def check_components(
    source: str,
    lines: NDArray[np.int32],
    speed: Array,
    u: Array,
    v: Array,
    w: Array | None,
    step_s: float,
    warnings: list[str],
) -> Array:
    """The horizontal speed, when speed and components can belong together; arrays (n,).

    A mean of speeds is never below the speed of the mean velocity; between samples that are not
    averages over long they are equal. Raises CaseError when more than 1 % of the samples break
    the first rule, or the usual ratio the second.
    """
    level = np.hypot(u, v)
    known = ~np.isnan(level)
    if not known.any():
        return speed
    if w is not None and step_s <= _FAST_STEP_S:
        whole = np.sqrt(level**2 + w**2)
        gap_whole, gap_level = np.nanmean(np.abs(speed - whole)), np.nanmean(np.abs(speed - level))
        if gap_whole < 0.5 * gap_level and gap_level > 0.01:
            warnings.append(
                "the speed is that of all three components; the horizontal speed, from u_m_s and "
                "v_m_s, is used instead"
            )
            return np.where(known, level, speed)
    over = known & (level > speed * (1.0 + _ROUNDING_SHARE) + _ROUNDING_M_S)
    if over.sum() > 0.01 * known.sum():
        i = int(np.argmax(over))
        raise CaseError(
            f"{source}:{lines[i]}: speed = {speed[i]:.3g} m/s: is less than that of u_m_s = "
            f"{u[i]:.3g} m/s and v_m_s = {v[i]:.3g} m/s together, {level[i]:.3g} m/s, here and in "
            f"{int(over.sum()) - 1} more lines; is one of the units wrong?"
        )
    ratio = float(np.mean(speed[known]) / max(float(np.mean(level[known])), 1e-9))
    if step_s <= _FAST_STEP_S and ratio > 1.5:
        raise CaseError(
            f"{source}: speed is on average {ratio:.3g} times the speed of u_m_s and v_m_s; is one "
            "of the units wrong (3.6: km/h, 2.24: mph)?"
        )
    return speed


def doubts(ignored: Sequence[str], speed: Array, step_s: float, gap_share: float) -> list[str]:
    """What is allowed and doubtful in a record, in words."""
    out = []
    if ignored:
        out.append(f"columns that are not read: {', '.join(ignored)}")
    if gap_share > 0.01:
        out.append(f"{100 * gap_share:.1f} % of the samples are missing")
    longest = _longest_run(speed)
    if longest >= max(_STUCK_SAMPLES, _STUCK_S / step_s):
        out.append(f"{longest} readings in a row are equal: a stuck sensor?")
    still = float(np.mean(speed == 0.0))
    if still > _STILL_SHARE:
        out.append(
            f"{100 * still:.0f} % of the readings are exactly 0 m/s: a cup or propeller below its "
            "starting speed? The slow air beside a road is then lost"
        )
    if speed.mean() > _DOUBTFUL_MEAN_M_S:
        out.append(f"the mean speed is {speed.mean():.3g} m/s: is the unit of the column right?")
    return out


def other_instrument(speed: Array, step_s: float, components: bool, instrument: Instrument) -> str:
    """Why a record looks like that of another instrument than the described one; "" when not."""
    signs = []
    if step_s > _SPARSE_STEPS * instrument.averaging_s > 0.0:
        signs.append(
            f"a value every {step_s:.3g} s, each said to be the mean over "
            f"{instrument.averaging_s:g} s"
        )
    fast = instrument.kind in ("sonic", "hot_wire", "other")
    if instrument.kind == "sonic" and not components:
        signs.append("a speed alone, where a sonic has components")
    if not fast and components:
        signs.append("components, which cups do not show")
    still = float(np.mean(speed == 0.0))
    if still > _STILL_SHARE and fast:
        signs.append(f"{100 * still:.0f} % exactly 0 m/s, as cups below their starting speed")
    if not signs:
        return ""
    return (
        f'the record does not look like that of the described instrument (kind = "'
        f'{instrument.kind}"): it has {"; ".join(signs)}. The model is read through the described '
        "one, so differences may be the instrument's: describe the one that was used "
        "([instrument], or --instrument)"
    )


def _longest_run(values: Array) -> int:
    """Samples in the longest run of equal readings above 0."""
    same = (np.diff(values) == 0.0) & (values[1:] > 0.0)
    ends = np.flatnonzero(~np.concatenate([[False], same, [False]]))
    return int(np.diff(ends).max())
