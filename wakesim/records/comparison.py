"""A measured record held against the model, with or without a log of the single passes.

With a log the model makes the air of exactly the logged passes: its clock is laid on that of the
record, and single moments, passes and blocks can be compared. Without one the case's own traffic
of the same clock hours is simulated, and only statistics can be. Either way the model's air is read
by the instrument at the record's own samples (wakesim.records.modelled) and both records go through
the same averages.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np

from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.errors import CaseError
from wakesim.records.alignment import Alignment, Clock, align
from wakesim.records.ambient_mast import known_at, reached, slow_wind, with_wind_of
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.decisive import along_road, decisive, large_classes
from wakesim.records.fit import FitResult, TimeError, find_time_error, fit
from wakesim.records.forward import TIME_ERRORS_S, ForwardSeries, LogErrors, spread_nodes
from wakesim.records.inputs import Inputs, with_invented
from wakesim.records.instrument import SPEED_ONLY
from wakesim.records.judgement import (
    QUANTITIES,
    Judgement,
    Pair,
    block_table,
    compare,
    judge,
    part_of,
    taken,
    unmatched,
    values_of,
    without_wind,
)
from wakesim.records.model_range import STRETCH_S, STRETCHES, ModelRange, model_range
from wakesim.records.modelled import (
    GAP_S,
    LARGEST_OFFSET_S,
    Cache,
    Scenario,
    SlowWind,
    forward_at,
    logged_scenario,
    modelled_records,
    other_law,
    simulated_scenario,
    windows_of,
)
from wakesim.records.pass_average import ClassSignature, PointMetrics, point_metrics, signatures
from wakesim.records.passing_log import PassingLog
from wakesim.records.statistics import Curves, block_edges, curves, usual_block_s
from wakesim.records.words import (
    AMBIENT_EXCUSE,
    NEEDS_COMPONENTS,
    SLOW_FROM_RECORD,
    SLOW_S,
)
from wakesim.traffic.scene import field_settings, wake_memory
from wakesim.traffic.stream import Passes

Ambient = Literal["case", "record", "mast"]
Say = Callable[[float, str], None]

_DRAWS, _FEW_DRAWS = 5, 2  # of the turbulence, for records up to and beyond an hour
_LONGEST_TO_FIT_S = 3600.0  # of a record, to find the error of the log's times


@dataclass(frozen=True)
class Comparison:
    """Everything that was found.

    ``case`` is the one used: with the log's classes, and marked when the record says that it is
    invented. ``record`` is the part that was compared, with times from its first sample, which is
    ``shift_s`` after that of the file; ``model`` one modelled record. ``clock`` is None without a
    log.
    """

    inputs: Inputs
    case: Case
    ambient: Ambient
    record: AnemometerRecord
    shift_s: float
    model: AnemometerRecord
    passes: Passes | None
    clock: Alignment | None
    time_error: TimeError | None
    judgements: tuple[Judgement, ...]
    points: tuple[PointMetrics, ...]
    signatures: tuple[ClassSignature, ...]
    curves: Curves
    spread: ModelRange
    pair: Pair
    fit: FitResult | None
    simulated_s: float
    hours: tuple[int, ...]
    notes: tuple[str, ...]


def compare_record(
    inputs: Inputs,
    *,
    fitted: bool = False,
    ambient: Ambient = "case",
    log_time_error_s: float | None = None,
    say: Say = lambda share, text: None,
) -> Comparison:
    """The comparison. ``log_time_error_s``: standard deviation of single times of the log, s; None
    to find it from the record.

    Raises CaseError with one line when the inputs do not allow it.
    """
    if fitted and inputs.log is None:
        raise CaseError(
            "--fit needs a passing log (--passes): without one a record says how much of "
            "everything there is, not which part of the model makes it"
        )
    has_components = inputs.record.u_m_s is not None and inputs.record.v_m_s is not None
    if ambient == "record" and inputs.mast is not None:
        raise CaseError("--ambient record and --ambient-mast: the slow wind is that of one of them")
    if ambient == "record" and not (has_components and inputs.instrument.kind not in SPEED_ONLY):
        raise CaseError(f"{inputs.record.path}: {NEEDS_COMPONENTS}")
    work = _Work(inputs, ambient, log_time_error_s, say)
    return work.with_log(inputs.log, fitted) if inputs.log else work.without_log()


class _Work:
    """One comparison on its way."""

    def __init__(
        self, inputs: Inputs, ambient: Ambient, time_error_s: float | None, say: Say
    ) -> None:
        self.inputs, self.say = inputs, say
        self.ambient: Ambient = ambient if inputs.mast is None else "mast"
        self.errors = LogErrors(time_s=time_error_s or 0.0)
        self.time_error = None
        if time_error_s is not None:
            self.time_error = TimeError(time_error_s, (time_error_s, time_error_s), "given")
        self.notes = [*inputs.case.warnings, *inputs.record.warnings, *inputs.notes]
        self.cache: Cache = {}
        record = inputs.record
        self.components = (
            record.u_m_s is not None
            and record.v_m_s is not None
            and inputs.instrument.kind not in SPEED_ONLY
        )
        if self.components:
            record = self._complete(record)
        if inputs.mast is not None:
            known = known_at(inputs.mast, record.time_s)
            if not known.all():
                self.notes.append(f"{100 * (1.0 - known.mean()):.0f} % of the record is left out: "
                                  "the ambient mast has no samples then")  # fmt: skip
            record = part_of(record, known)
        self.record = record

    def _complete(self, record: AnemometerRecord) -> AnemometerRecord:
        """Only samples with both components, where they are compared."""
        good = np.isfinite(record.u_m_s) & np.isfinite(record.v_m_s)  # type: ignore[arg-type]
        return record if good.all() else part_of(record, good)

    def _in_its_wind(self, case: Case) -> Case:
        """The case with what the record says to be invented, in the ambient mast's wind."""
        case = with_invented(case, self.inputs.invented)
        if self.inputs.mast is None:
            return case
        span = float(self.record.time_s[0]), float(self.record.time_s[-1])
        return with_wind_of(case, self.inputs.mast, span)

    # --- with a log -----------------------------------------------------------------------------

    def with_log(self, log: PassingLog, fitted: bool) -> Comparison:
        case = self._in_its_wind(log.case)
        self.notes += log.warnings
        given = bool(np.any(log.passes.wander_m))
        self.errors = replace(self.errors, lateral_known=given)
        self.say(0.02, "pass fields")
        find = self.time_error is None
        table = find and self.record.duration_s <= _LONGEST_TO_FIT_S
        first = self.inputs.first
        model = forward_at(case, first, self.errors, time_errors_s=TIME_ERRORS_S if table else None)
        self.record, clock = self._aligned(self.record, model, self.components)
        used = clock.clock if clock.significant else Clock()
        if find:
            self.say(0.08, "error of the log's times")
            self.time_error = self._time_error(case, log, clock, model if table else None)
            self.errors = replace(self.errors, time_s=self.time_error.sd_s)
            if table:
                model = replace(model, time_error_s=self.time_error.sd_s)
            else:
                model = forward_at(case, first, self.errors)
        found = self._fitted(case, clock) if fitted else None
        self.say(0.3, "modelled record")
        record, passes, shift = self._covered(log.passes, model, used)
        scenario = logged_scenario(
            self.inputs, case, log, record, passes, self.errors, self.components,
            self._slow_wind(case, shift),
        )  # fmt: skip
        draws = self._draws(scenario)
        other_case = other_law(case)
        other = self._draws(scenario, settings=field_settings(other_case))
        log_time = used.log_time(record.time_s + shift)
        families = [model]
        if self.components:
            families.append(forward_at(other_case, first, self.errors))
        sets = self._channels(record, draws, other, families, log_time)
        self.say(0.45, "average passes")
        wind = self._wind_u(case, record.time_s, shift)
        freed = sets[0] | ({"u": sets[0]["u"] - wind} if self.components else {})
        shapes, notes = signatures(record, passes, case, self.inputs.mount, freed, *sets[1:])
        self.notes += notes
        tests = []
        if self.components and clock.significant:
            tests = self._decisive(case, used, families)
        seen = self._seen(record), [self._seen(m) for m in draws]
        block = usual_block_s(seen[0].duration_s)
        points = point_metrics(seen[0], seen[1], self._nearest_way(case, passes), block)
        expected = sets[1]
        return self._finish(
            case, scenario, record, draws, seen, block, passes, clock, found,
            shapes=shapes, points=points, shift=shift, expected=expected, tests=tests,
        )  # fmt: skip

    def _aligned(
        self, record: AnemometerRecord, model: ForwardSeries, components: bool
    ) -> tuple[AnemometerRecord, Alignment]:
        """The record with its axes put right, and the log's clock against it; notes on both."""
        values = [record.u_m_s, record.v_m_s] if components else [record.speed_m_s]
        clock = align(
            record.time_s,
            values,  # type: ignore[arg-type]
            model,
            largest_offset_s=LARGEST_OFFSET_S,
            source=record.path,
        )
        self.notes += clock.notes
        if components:
            u, v = clock.axes @ np.array(values)
            record = replace(record, u_m_s=u, v_m_s=v)
        if not clock.significant:
            self.notes.append(
                "the log's clock was left as it is: comparisons of single moments and passes only "
                "hold if both clocks agree"
            )
        return record, clock

    def _slow_wind(self, case: Case, shift: float) -> SlowWind | None:
        """Slow changes of the ambient mast's wind, on a clock that begins at ``shift`` s."""
        mast = self.inputs.mast
        return None if mast is None else slow_wind(case, mast, self.inputs.mount.height_m, shift)

    def _wind_u(self, case: Case, time_s: Array, shift: float) -> Array:
        """Those along the road at the record's times (n,), 0 without a mast."""
        wind = self._slow_wind(case, shift)
        return np.zeros(time_s.size) if wind is None else wind.at(time_s)[0]

    def _decisive(
        self, case: Case, clock: Clock, families: Sequence[ForwardSeries]
    ) -> list[Judgement]:
        """Decay and, with a second anemometer, profile; the check of the ambient mast."""
        inputs, record = self.inputs, self.record
        wind = self._wind_u(case, record.time_s, 0.0)
        first = along_road(inputs.first, record, clock, families, wind)
        if first is None:
            self.notes.append("the log is too short to judge how wakes decay")
            return []
        second = None
        if inputs.second is not None:
            other = inputs.second
            there = [forward_at(c, other, self.errors) for c in (case, other_law(case))]
            turned, found = self._aligned(self._complete(other.record), there[0], True)
            if found.significant:
                ahead = self._second_ahead_s()
                wind = self._wind_u(case, turned.time_s + ahead, 0.0)
                second = along_road(other, turned, found.clock, there, wind)
        out, notes = decisive(case, first, second)
        self.notes += notes
        if inputs.second is not None and second is None:
            self.notes.append("the profile over height was not judged: the second record and the "
                              "log do not match")  # fmt: skip
        if inputs.mast is not None:
            large = large_classes(case, inputs.first.log.passes)
            chosen = np.isin(inputs.first.log.passes.vehicle, [i for i, _ in large])
            logged = inputs.first.log.passes
            moved = replace(logged, time_s=clock.record_time(logged.time_s))
            words = ", ".join(name for _, name in large)
            self.notes.append(reached(inputs.mast, moved, chosen, words))
        return out

    def _second_ahead_s(self) -> float:
        """Time of the second record's first sample on the clock of the main one, s."""
        mine, other = self.inputs.record, self.inputs.second
        assert other is not None
        if mine.start is not None and other.record.start is not None:
            return (other.record.start - mine.start).total_seconds()
        return other.record.clock_start_s - mine.clock_start_s

    def _time_error(
        self, case: Case, log: PassingLog, clock: Alignment, model: ForwardSeries | None
    ) -> TimeError:
        """How far the log's single times are off, from ``model``, tabulated over time errors, or
        from an hour of a longer record."""
        rounding = TimeError(log.stamp_step_s / math.sqrt(12.0), (math.nan, math.nan), "stamps")
        found = rounding
        if clock.significant:
            if model is None:
                start = max(float(clock.clock.log_time(self.record.time_s[:1])[0]), log.span_s[0])
                span = (start, start + _LONGEST_TO_FIT_S)
                model = forward_at(
                    case, self.inputs.first, self.errors, span, time_errors_s=TIME_ERRORS_S
                )
            found = find_time_error(
                self.record, model, clock.clock, self._channels_fitted,
                self.inputs.instrument.kind in SPEED_ONLY, log.stamp_step_s,
            )  # fmt: skip
        if found.origin == "stamps":
            self.notes.append(
                "how far the log's single times are off could not be found from the record; taken "
                f"is the rounding of its stamps, {found.sd_s:.2g} s (--log-time-error to say it)"
            )
        return found

    @property
    def _channels_fitted(self) -> str:
        return "u, v" if self.components else "speed"

    def _fitted(self, case: Case, clock: Alignment) -> FitResult | None:
        if not clock.significant:
            self.notes.append("no constants were fitted: log and record do not match")
            return None
        self.say(0.1, "fit")
        model = forward_at(case, self.inputs.first, self.errors, spreads=spread_nodes(case))
        return fit(
            self.record, model, clock=clock.clock, components=self._channels_fitted,
            scalar_average=self.inputs.instrument.kind in SPEED_ONLY,
        )  # fmt: skip

    def _nearest_way(self, case: Case, passes: Passes) -> Passes:
        """The passes on the carriageway nearest to the instrument."""
        offset = self.inputs.mount.offset_m
        nearest = min(case.road.lanes, key=lambda lane: abs(lane.centre_m - offset))
        same = [lane.carriageway == nearest.carriageway for lane in case.road.lanes]
        return passes.take(np.array(same)[passes.lane])

    def _covered(
        self, passes: Passes, model: ForwardSeries, clock: Clock
    ) -> tuple[AnemometerRecord, Passes, float]:
        """The part of the record that the log covers, the passes on its clock, its first time."""
        log_time = clock.log_time(self.record.time_s)
        inside = (log_time >= model.covered_s[0]) & (log_time <= model.covered_s[1])
        if inside.sum() < 50:
            raise CaseError(
                f"{self.record.path}: the passing log covers {int(inside.sum())} of its samples; "
                "at least 50 are needed"
            )
        lost = 1.0 - float(inside.mean())
        if lost > 0.02:
            self.notes.append(
                f"{100 * lost:.0f} % of the record is left out: before it less than "
                f"{wake_memory(self.inputs.case):g} s of traffic is logged, or none after"
            )
        shift = float(self.record.time_s[inside][0])
        moved = replace(passes, time_s=clock.record_time(passes.time_s) - shift)
        return taken(self.record, inside), moved, shift

    # --- without a log --------------------------------------------------------------------------

    def without_log(self) -> Comparison:
        case = self._in_its_wind(self.inputs.case)
        start = float(self.record.time_s[0])
        self.record = taken(self.record, np.ones(self.record.time_s.size, bool))
        wind = self._slow_wind(case, start)
        scenario, note = simulated_scenario(self.inputs, case, self.record, self.components, wind)
        self.notes += note
        self.say(0.1, "simulated traffic")
        draws = modelled_records(scenario, self.cache)
        seen = self._seen(self.record), [self._seen(m) for m in draws]
        return self._finish(
            case, scenario, self.record, draws, seen, usual_block_s(seen[0].duration_s), None,
            None, None,
        )  # fmt: skip

    # --- both -----------------------------------------------------------------------------------

    def _draws(self, scenario: Scenario, **options: object) -> list[AnemometerRecord]:
        number = _DRAWS if scenario.duration_s <= 3600.0 else _FEW_DRAWS
        return modelled_records(scenario, self.cache, draws=number, **options)  # type: ignore[arg-type]

    def _seen(self, record: AnemometerRecord) -> AnemometerRecord:
        """The record as it is compared: less its slow wind where that is asked for."""
        return without_wind(record, SLOW_S) if self.ambient == "record" else record

    def _channels(
        self,
        record: AnemometerRecord,
        draws: list[AnemometerRecord],
        other: list[AnemometerRecord],
        families: Sequence[ForwardSeries],
        log_time_s: Array,
    ) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
        """Channels (n,) for average passes: measured, model, model with the other law.

        The model's components are their means, its speed the mean over the draws.
        """
        if not self.components:
            measured = {"speed": record.speed_m_s}
            mean = [np.mean([m.speed_m_s for m in d], axis=0) for d in (draws, other)]
            return measured, {"speed": mean[0]}, {"speed": mean[1]}
        assert record.u_m_s is not None
        assert record.v_m_s is not None
        out = []
        for found in families:
            u, v = found.mean()
            grid = found.time_s
            out.append({n: np.interp(log_time_s, grid, x) for n, x in (("u", u), ("v", v))})
        return {"u": record.u_m_s, "v": record.v_m_s}, out[0], out[1]

    def _finish(
        self,
        case: Case,
        scenario: Scenario,
        record: AnemometerRecord,
        draws: list[AnemometerRecord],
        seen: tuple[AnemometerRecord, list[AnemometerRecord]],
        block_s: float,
        passes: Passes | None,
        clock: Alignment | None,
        found: FitResult | None,
        *,
        shapes: list[ClassSignature] | None = None,
        points: tuple[PointMetrics, ...] = (),
        shift: float = 0.0,
        expected: dict[str, Array] | None = None,
        tests: Sequence[Judgement] = (),
    ) -> Comparison:
        cut_in = self.inputs.mount.cut_in_m_s
        together = clock is not None and clock.significant
        pair = compare(*seen, cut_in, block_s, self.components, together)
        shown = curves(seen[0], seen[1], block_s, self.components, expected, record)
        self.say(0.5, "model interval")
        windows = scenario.windows
        if scenario.duration_s > STRETCHES * STRETCH_S:
            every = np.concatenate([w.time_s for w in windows])
            windows = windows_of(every, GAP_S, STRETCH_S, STRETCHES)

        def measure(model: AnemometerRecord) -> Array:
            one = self._seen(model)
            table = block_table(one, block_edges(one, block_s), cut_in, self.components)
            return np.concatenate([values_of(table.sum(axis=0)), shown.of_model(one)])

        spread = model_range(
            scenario,
            windows,
            measure,
            self.cache,
            lambda s: self.say(0.5 + 0.4 * s, "model interval"),
        )
        judged = self._judgements(pair, spread, case)
        matched = clock is None or clock.significant
        for shape in shapes or ():
            judged += shape.judgements if matched else map(unmatched, shape.judgements)
        judged += tests
        return Comparison(
            inputs=self.inputs, case=case, ambient=self.ambient, record=seen[0], shift_s=shift,
            model=seen[1][0], passes=passes, clock=clock, time_error=self.time_error,
            judgements=tuple(judged), points=points,
            signatures=tuple(shapes or ()), curves=shown.with_range(
                spread.down[len(QUANTITIES):], spread.up[len(QUANTITIES):]
            ),
            spread=spread, pair=pair, fit=found, simulated_s=scenario.duration_s,
            hours=tuple(sorted({w.seed for w in scenario.windows})) if clock is None else (),
            notes=tuple(dict.fromkeys(self.notes)),
        )  # fmt: skip

    def _judgements(self, pair: Pair, spread: ModelRange, case: Case) -> list[Judgement]:
        out = []
        slow = self.ambient == "record"
        for i, q in enumerate(QUANTITIES):
            reason = SLOW_FROM_RECORD if slow and q.key == "share_above_cut_in" else ""
            words = f"{q.words}, slow wind taken off" if slow and q.ambient else q.words
            out.append(
                judge(
                    q.key,
                    q.unit,
                    words,
                    (float(pair.record[i]), _both(pair.record_interval, i)),
                    (float(pair.model[i]), _both(pair.model_interval, i)),
                    (float(pair.ratio[i]), _both(pair.ratio_interval, i)),
                    (
                        max(0.0, float(pair.model[i] - spread.down[i])),
                        float(pair.model[i] + spread.up[i]),
                    ),
                    blocks=pair.blocks,
                    reason=reason,
                    excuse=AMBIENT_EXCUSE if self.ambient == "case" and q.ambient else "",
                )
            )
        return out


def _both(ends: Array, i: int) -> tuple[float, float]:
    return float(ends[0, i]), float(ends[1, i])


__all__ = ["Ambient", "Comparison", "compare_record"]
