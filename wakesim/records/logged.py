"""What a passing log allows beyond statistics: clocks, single passes, average ones, constants.

The log's clock is laid on that of the record, the error of its single times is found, and the model
makes the air of exactly the logged passes; average passes, points, decay and profile follow.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, field, replace
from typing import Literal

import numpy as np

from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.errors import CaseError
from wakesim.progress import Progress
from wakesim.records.alignment import Alignment, Clock, align
from wakesim.records.ambient_mast import (
    SLOW_S,
    SlowWind,
    known_at,
    reached,
    slow_wind,
    with_wind_of,
)
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.decisive import along_road, decisive, large_classes
from wakesim.records.fit import FitResult, TimeError, find_time_error, fit
from wakesim.records.forward import TIME_ERRORS_S, ForwardSeries, LogErrors, spread_nodes
from wakesim.records.inputs import Inputs, with_invented
from wakesim.records.instrument import SPEED_ONLY
from wakesim.records.judgement import Judgement, part_of, taken, without_wind
from wakesim.records.modelled import (
    LARGEST_OFFSET_S,
    Cache,
    Scenario,
    forward_at,
    logged_scenario,
    modelled_records,
    other_law,
)
from wakesim.records.pass_average import ClassSignature, PointMetrics, point_metrics, signatures
from wakesim.records.passing_log import PassingLog
from wakesim.records.statistics import usual_block_s
from wakesim.traffic.scene import field_settings, wake_memory
from wakesim.traffic.stream import Passes

Ambient = Literal["case", "record", "mast"]

DRAWS, FEW_DRAWS = 5, 2  # of the turbulence, for records up to and beyond an hour
_LONGEST_TO_FIT_S = 3600.0  # of a record, to find the error of the log's times
_FEWEST_SAMPLES = 50  # of a record that a log must cover
_LEFT_OUT_SHARE = 0.02  # of a record, more of which left out is stated


@dataclass
class Work:
    """A comparison on its way: the part of the record that is compared, what the notes say so far.

    ``components``: u and v are compared, not the speed alone.
    """

    inputs: Inputs
    ambient: Ambient
    progress: Progress
    record: AnemometerRecord
    components: bool
    notes: list[str]
    cache: Cache = field(default_factory=dict)

    @classmethod
    def begin(cls, inputs: Inputs, ambient: Ambient, progress: Progress) -> Work:
        """The record where it has all that is compared, and where an ambient mast has samples."""
        record = inputs.record
        notes = [*inputs.case.warnings, *record.warnings, *inputs.notes]
        components = record.u_m_s is not None and inputs.instrument.kind not in SPEED_ONLY
        if components:
            record = _complete(record)
        if inputs.mast is not None:
            known = known_at(inputs.mast, record.time_s)
            if not known.all():
                notes.append(
                    f"{100 * (1.0 - known.mean()):.0f} % of the record is left out: the ambient "
                    "mast has no samples then"
                )
            record = part_of(record, known)
        slow = ambient if inputs.mast is None else "mast"
        return cls(inputs, slow, progress, record, components, notes)

    @property
    def scalar_average(self) -> bool:
        """Whether a recorded speed is a mean of speeds, not the size of a mean velocity."""
        return self.inputs.instrument.kind in SPEED_ONLY

    @property
    def fitted_channels(self) -> str:
        """What constants are fitted to."""
        return "u, v" if self.components else "speed"

    def in_its_wind(self, case: Case) -> Case:
        """The case marked as invented where the record is, in the ambient mast's wind."""
        case = with_invented(case, self.inputs.invented)
        if self.inputs.mast is None:
            return case
        span = float(self.record.time_s[0]), float(self.record.time_s[-1])
        return with_wind_of(case, self.inputs.mast, span)

    def slow_wind(self, case: Case, shift_s: float) -> SlowWind | None:
        """Slow changes of the ambient mast's wind, on a clock that begins at ``shift_s``."""
        mast = self.inputs.mast
        height = self.inputs.mount.height_m
        return None if mast is None else slow_wind(case, mast, height, shift_s)

    def wind_u(self, case: Case, time_s: Array, shift_s: float) -> Array:
        """Those along the road at times (n,) of the record, 0 without a mast."""
        wind = self.slow_wind(case, shift_s)
        return np.zeros(time_s.size) if wind is None else wind.at(time_s)[0]

    def compared(self, record: AnemometerRecord) -> AnemometerRecord:
        """The record as it is compared: less its slow wind where that is asked for."""
        return without_wind(record, SLOW_S) if self.ambient == "record" else record

    def draws(self, scenario: Scenario, **options: object) -> list[AnemometerRecord]:
        """Draws of the modelled record."""
        number = DRAWS if scenario.duration_s <= 3600.0 else FEW_DRAWS
        return modelled_records(scenario, self.cache, draws=number, **options)  # type: ignore[arg-type]


@dataclass(frozen=True)
class Logged:
    """What only a log gives.

    ``passes`` are on the clock of the compared record, which begins ``shift_s`` after that of the
    file; ``expected`` are the model's mean channels at its samples.
    """

    passes: Passes
    clock: Alignment
    time_error: TimeError
    shift_s: float
    expected: dict[str, Array]
    signatures: tuple[ClassSignature, ...]
    points: tuple[PointMetrics, ...]
    decisive: tuple[Judgement, ...]
    fit: FitResult | None


@dataclass(frozen=True)
class Modelled:
    """The modelled air of a comparison: draws of ``record``, and what a log adds."""

    case: Case
    scenario: Scenario
    record: AnemometerRecord
    draws: list[AnemometerRecord]
    logged: Logged | None = None


def model_logged(work: Work, log: PassingLog, time_error_s: float | None, fitted: bool) -> Modelled:
    """The air of the logged passes at the record's samples, and all that the log allows.

    ``time_error_s``: standard deviation of the log's single times, None to find it. Raises
    CaseError where log and record contradict each other or do not overlap.
    """
    inputs, case = work.inputs, work.in_its_wind(log.case)
    work.notes += log.warnings
    errors = LogErrors(time_s=time_error_s or 0.0, lateral_known=bool(np.any(log.passes.wander_m)))
    work.progress(0.02, "pass fields")
    table = time_error_s is None and work.record.duration_s <= _LONGEST_TO_FIT_S
    times = TIME_ERRORS_S if table else None
    model = forward_at(case, inputs.first, errors, time_errors_s=times)
    work.record, clock = _aligned(work, work.record, model, work.components)
    used = clock.clock if clock.significant else Clock()
    if time_error_s is not None:
        found = TimeError(time_error_s, (time_error_s, time_error_s), "given")
    else:
        work.progress(0.08, "error of the log's times")
        found = _time_error(work, case, log, errors, clock, model if table else None)
        errors = replace(errors, time_s=found.sd_s)
        if table:
            model = replace(model, time_error_s=found.sd_s)
        else:
            model = forward_at(case, inputs.first, errors)
    constants = _fitted(work, case, errors, clock) if fitted else None
    work.progress(0.3, "modelled record")
    record, passes, shift = _covered(work, log.passes, model, used)
    scenario = logged_scenario(
        inputs, case, log, record, passes, errors, work.components, work.slow_wind(case, shift)
    )
    draws = work.draws(scenario)
    other = other_law(case)
    other_draws = work.draws(scenario, settings=field_settings(other))
    families = [model]
    if work.components:
        families.append(forward_at(other, inputs.first, errors))
    log_time = used.log_time(record.time_s + shift)
    measured, expected, with_other = _channels(work, record, draws, other_draws, families, log_time)
    work.progress(0.45, "average passes")
    if work.components:
        measured = measured | {"u": measured["u"] - work.wind_u(case, record.time_s, shift)}
    shapes, notes = signatures(record, passes, case, inputs.mount, measured, expected, with_other)
    work.notes += notes
    tests = []
    if work.components and clock.significant:
        tests = _decisive(work, case, errors, used, families)
    own = work.compared(record)
    near = _nearest_carriageway(work, case, passes)
    points = point_metrics(
        own, [work.compared(m) for m in draws], near, usual_block_s(own.duration_s)
    )
    logged = Logged(
        passes, clock, found, shift, expected, tuple(shapes), points, tuple(tests), constants
    )
    return Modelled(case, scenario, record, draws, logged)


def _complete(record: AnemometerRecord) -> AnemometerRecord:
    """Only samples with both components."""
    good = np.isfinite(record.u_m_s) & np.isfinite(record.v_m_s)  # type: ignore[arg-type]
    return record if good.all() else part_of(record, good)


def _aligned(
    work: Work, record: AnemometerRecord, model: ForwardSeries, components: bool
) -> tuple[AnemometerRecord, Alignment]:
    """The record with its axes put right, and the log's clock against it; notes on both."""
    values = [record.u_m_s, record.v_m_s] if components else [record.speed_m_s]
    clock = align(
        record.time_s, values, model, largest_offset_s=LARGEST_OFFSET_S, source=record.path
    )  # type: ignore[arg-type]  # fmt: skip
    work.notes += clock.notes
    if components:
        u, v = clock.axes @ np.array(values)
        record = replace(record, u_m_s=u, v_m_s=v)
    if not clock.significant:
        work.notes.append(
            "the log's clock was left as it is: comparisons of single moments and passes only "
            "hold if both clocks agree"
        )
    return record, clock


def _time_error(
    work: Work, case: Case, log: PassingLog, errors: LogErrors, clock: Alignment,
    model: ForwardSeries | None,
) -> TimeError:  # fmt: skip
    """How far the log's single times are off, from ``model``, tabulated over time errors, or from
    an hour of a longer record."""
    found = TimeError(log.stamp_step_s / math.sqrt(12.0), (math.nan, math.nan), "stamps")
    if clock.significant:
        if model is None:
            first = float(clock.clock.log_time(work.record.time_s[:1])[0])
            start = max(first, log.span_s[0])
            span = (start, start + _LONGEST_TO_FIT_S)
            model = forward_at(case, work.inputs.first, errors, span, time_errors_s=TIME_ERRORS_S)
        found = find_time_error(
            work.record, model, clock.clock, work.fitted_channels, work.scalar_average,
            log.stamp_step_s,
        )  # fmt: skip
    if found.origin == "stamps":
        work.notes.append(
            "how far the log's single times are off could not be found from the record; taken is "
            f"the rounding of its stamps, {found.sd_s:.2g} s (--log-time-error to say it)"
        )
    return found


def _fitted(work: Work, case: Case, errors: LogErrors, clock: Alignment) -> FitResult | None:
    """Constants fitted to the record, None where log and record do not match."""
    if not clock.significant:
        work.notes.append("no constants were fitted: log and record do not match")
        return None
    work.progress(0.1, "fit")
    model = forward_at(case, work.inputs.first, errors, spreads=spread_nodes(case))
    return fit(
        work.record, model, clock=clock.clock, components=work.fitted_channels,
        scalar_average=work.scalar_average,
    )  # fmt: skip


def _covered(
    work: Work, passes: Passes, model: ForwardSeries, clock: Clock
) -> tuple[AnemometerRecord, Passes, float]:
    """The part of the record that the log covers, the passes on its clock, its first time."""
    log_time = clock.log_time(work.record.time_s)
    inside = (log_time >= model.covered_s[0]) & (log_time <= model.covered_s[1])
    if inside.sum() < _FEWEST_SAMPLES:
        raise CaseError(
            f"{work.record.path}: the passing log covers {int(inside.sum())} of its samples; "
            f"at least {_FEWEST_SAMPLES} are needed"
        )
    lost = 1.0 - float(inside.mean())
    if lost > _LEFT_OUT_SHARE:
        work.notes.append(
            f"{100 * lost:.0f} % of the record is left out: before it less than "
            f"{wake_memory(work.inputs.case):g} s of traffic is logged, or none after"
        )
    shift = float(work.record.time_s[inside][0])
    moved = replace(passes, time_s=clock.record_time(passes.time_s) - shift)
    return taken(work.record, inside), moved, shift


def _channels(
    work: Work,
    record: AnemometerRecord,
    draws: list[AnemometerRecord],
    other: list[AnemometerRecord],
    families: Sequence[ForwardSeries],
    log_time_s: Array,
) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
    """Channels (n,) for average passes: measured, model, model with the other law.

    The model's components are their means, its speed the mean over the draws.
    """
    if not work.components:
        mean = [np.mean([m.speed_m_s for m in d], axis=0) for d in (draws, other)]
        return {"speed": record.speed_m_s}, {"speed": mean[0]}, {"speed": mean[1]}
    assert record.u_m_s is not None
    assert record.v_m_s is not None
    out = [
        {name: np.interp(log_time_s, f.time_s, x) for name, x in zip("uv", f.mean(), strict=True)}
        for f in families
    ]
    return {"u": record.u_m_s, "v": record.v_m_s}, out[0], out[1]


def _decisive(
    work: Work, case: Case, errors: LogErrors, clock: Clock, families: Sequence[ForwardSeries]
) -> list[Judgement]:
    """Decay and, with a second anemometer, profile; the check of the ambient mast."""
    inputs, record = work.inputs, work.record
    wind = work.wind_u(case, record.time_s, 0.0)
    first = along_road(inputs.first, record, clock, families, wind)
    if first is None:
        work.notes.append("the log is too short to judge how wakes decay")
        return []
    second = None
    if inputs.second is not None:
        other = inputs.second
        there = [forward_at(c, other, errors) for c in (case, other_law(case))]
        turned, found = _aligned(work, _complete(other.record), there[0], True)
        if found.significant:
            wind = work.wind_u(case, turned.time_s + other.record.ahead_of(inputs.record), 0.0)
            second = along_road(other, turned, found.clock, there, wind)
    out, notes = decisive(case, first, second)
    work.notes += notes
    if inputs.second is not None and second is None:
        work.notes.append(
            "the profile over height was not judged: the second record and the log do not match"
        )
    if inputs.mast is not None:
        logged = inputs.first.log.passes
        large = large_classes(case, logged)
        moved = replace(logged, time_s=clock.record_time(logged.time_s))
        chosen = np.isin(logged.vehicle, [i for i, _ in large])
        names = ", ".join(name for _, name in large)
        work.notes.append(reached(inputs.mast, moved, chosen, names))
    return out


def _nearest_carriageway(work: Work, case: Case, passes: Passes) -> Passes:
    """The passes on the carriageway nearest to the instrument."""
    offset, lanes = work.inputs.mount.offset_m, case.road.lanes
    nearest = min(lanes, key=lambda lane: abs(lane.centre_m - offset))
    same = [lane.carriageway == nearest.carriageway for lane in lanes]
    return passes.take(np.array(same)[passes.lane])
