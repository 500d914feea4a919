"""A measured record held against the model, with or without a log of the single passes.

With a log the model makes the air of exactly the logged passes: its clock is laid on that of the
record, and single moments, passes and blocks can be compared. Without one the case's own traffic
of the same clock hours is simulated, and only statistics can be. Either way the model's air is read
by the instrument at the record's own samples (wakesim.records.modelled) and both records go through
the same averages.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from wakesim.case.schema import Case
from wakesim.errors import CaseError
from wakesim.measures import series
from wakesim.records.alignment import Alignment, Clock, align
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.curves import Curves, curves
from wakesim.records.fit import FitResult, fit
from wakesim.records.forward import (
    ForwardSeries,
    forward,
    spread_nodes,
)
from wakesim.records.inputs import Inputs, with_invented
from wakesim.records.instrument import SPEED_ONLY, linear_response
from wakesim.records.judgement import Judgement, judge, unmatched
from wakesim.records.model_range import STRETCH_S, STRETCHES, ModelRange, model_range
from wakesim.records.modelled import (
    Cache,
    Scenario,
    fine_step,
    modelled_records,
    windows_of,
)
from wakesim.records.pass_lines import LogErrors
from wakesim.records.passing_log import PassingLog
from wakesim.records.points import PointMetrics, point_metrics
from wakesim.records.quantities import (
    QUANTITIES,
    Pair,
    block_table,
    compare,
    taken,
    values_of,
    without_wind,
)
from wakesim.records.scenarios import GAP_S, logged_scenario, simulated_scenario
from wakesim.records.signatures import ClassSignature, signatures
from wakesim.records.statistics import block_edges, usual_block_s
from wakesim.records.words import (
    AMBIENT_EXCUSE,
    NEEDS_COMPONENTS,
    SLOW_FROM_RECORD,
    SLOW_S,
)
from wakesim.traffic.stream import Passes

Array = NDArray[np.float64]
Ambient = Literal["case", "record"]
Say = Callable[[float, str], None]

_DRAWS, _FEW_DRAWS = 5, 2  # of the turbulence, for records up to and beyond an hour
_LARGEST_OFFSET_S = 60.0


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
    log_time_error_s: float = 0.0,
    say: Say = lambda share, text: None,
) -> Comparison:
    """The comparison. ``log_time_error_s``: standard deviation of single times of the log, s.

    Raises CaseError with one line when the inputs do not allow it.
    """
    if fitted and inputs.log is None:
        raise CaseError(
            "--fit needs a passing log (--passes): without one a record says how much of "
            "everything there is, not which part of the model makes it"
        )
    has_components = inputs.record.u_m_s is not None and inputs.record.v_m_s is not None
    if ambient == "record" and not (has_components and inputs.instrument.kind not in SPEED_ONLY):
        raise CaseError(f"{inputs.record.path}: {NEEDS_COMPONENTS}")
    work = _Work(inputs, ambient, log_time_error_s, say)
    return work.with_log(inputs.log, fitted) if inputs.log else work.without_log()


class _Work:
    """One comparison on its way."""

    def __init__(self, inputs: Inputs, ambient: Ambient, time_error_s: float, say: Say) -> None:
        self.inputs, self.ambient, self.say = inputs, ambient, say
        self.errors = LogErrors(time_s=time_error_s)
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
        self.record = record

    def _complete(self, record: AnemometerRecord) -> AnemometerRecord:
        """Only samples with both components, where they are compared."""
        good = np.isfinite(record.u_m_s) & np.isfinite(record.v_m_s)  # type: ignore[arg-type]
        return record if good.all() else taken(record, good)

    # --- with a log -----------------------------------------------------------------------------

    def with_log(self, log: PassingLog, fitted: bool) -> Comparison:
        case = with_invented(log.case, self.inputs.invented)
        self.notes += log.warnings
        given = bool(np.any(log.passes.wander_m))
        self.errors = replace(self.errors, lateral_known=given)
        self.say(0.02, "pass fields")
        model = self._forward(case, log)
        clock = self._aligned(model)
        found = self._fitted(case, log, clock) if fitted else None
        used = clock.clock if clock.significant else Clock()
        self.say(0.3, "modelled record")
        record, passes, shift = self._covered(log.passes, model, used)
        scenario = logged_scenario(
            self.inputs, case, log, record, passes, self.errors, self.components
        )
        draws = self._draws(scenario)
        other_case = replace(
            case,
            model=case.model.model_copy(
                update={"wake_law": "section" if case.model.wake_law == "couple" else "couple"}
            ),
        )
        other = self._draws(scenario, settings=series.field_settings(other_case))
        back = shift - used.offset_s
        sets = self._channels(record, draws, other, model, log, other_case, back)
        self.say(0.45, "average passes")
        shapes, notes = signatures(record, passes, case, self.inputs.mount, *sets)
        self.notes += notes
        seen = self._seen(record), [self._seen(m) for m in draws]
        block = usual_block_s(seen[0].duration_s)
        points = point_metrics(seen[0], seen[1], self._nearest_way(case, passes), block)
        expected = sets[1]
        return self._finish(
            case, scenario, record, draws, seen, block, passes, clock, found,
            shapes=shapes, points=points, shift=shift, expected=expected,
        )  # fmt: skip

    def _forward(self, case: Case, log: PassingLog, **options: object) -> ForwardSeries:
        record = self.inputs.record
        respond = linear_response(self.inputs.instrument, float(record.speed_m_s.mean()))
        return forward(
            case, self.inputs.mount, log.passes, -_LARGEST_OFFSET_S,
            record.duration_s + _LARGEST_OFFSET_S, respond=respond, errors=self.errors,
            **({"step_s": fine_step(record.duration_s)} | options),
        )  # fmt: skip

    def _aligned(self, model: ForwardSeries) -> Alignment:
        """The log's clock against the record's; a note when it cannot be found."""
        values = self.record.u_m_s if self.components else self.record.speed_m_s
        clock = align(
            self.record.time_s,
            values,  # type: ignore[arg-type]
            model,
            largest_offset_s=_LARGEST_OFFSET_S,
            speed=not self.components,
        )
        self.notes += clock.notes
        if not clock.significant:
            self.notes.append(
                "the log's clock was left as it is: comparisons of single moments and passes only "
                "hold if both clocks agree"
            )
        return clock

    def _fitted(self, case: Case, log: PassingLog, clock: Alignment) -> FitResult | None:
        if not clock.significant:
            self.notes.append("no constants were fitted: log and record do not match")
            return None
        self.say(0.1, "fit")
        model = self._forward(case, log, spreads=spread_nodes(case))
        return fit(
            self.inputs.record, model, clock=clock.clock,
            components="u, v" if self.components else "speed",
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
                f"{self.inputs.case.model.wake_memory_s:g} s of traffic is logged, or none after"
            )
        shift = float(self.record.time_s[inside][0])
        moved = replace(passes, time_s=passes.time_s + clock.offset_s - shift)
        return taken(self.record, inside), moved, shift

    # --- without a log --------------------------------------------------------------------------

    def without_log(self) -> Comparison:
        case = with_invented(self.inputs.case, self.inputs.invented)
        scenario, note = simulated_scenario(self.inputs, case, self.record, self.components)
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
        model: ForwardSeries,
        log: PassingLog,
        other_case: Case,
        back_s: float,
    ) -> tuple[dict[str, Array], dict[str, Array], dict[str, Array]]:
        """Channels (n,) for average passes: measured, model, model with the other family.

        The model's components are their means, its speed the mean over the draws.
        """
        if not self.components:
            measured = {"speed": record.speed_m_s}
            mean = [np.mean([m.speed_m_s for m in d], axis=0) for d in (draws, other)]
            return measured, {"speed": mean[0]}, {"speed": mean[1]}
        assert record.u_m_s is not None
        assert record.v_m_s is not None
        out = []
        for found in (model, self._forward(other_case, log)):
            u, v = found.mean()
            grid, at = found.time_s, record.time_s + back_s
            out.append({"u": np.interp(at, grid, u), "v": np.interp(at, grid, v)})
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
        return Comparison(
            inputs=self.inputs, case=case, ambient=self.ambient, record=seen[0], shift_s=shift,
            model=seen[1][0], passes=passes, clock=clock, judgements=tuple(judged), points=points,
            signatures=tuple(shapes or ()), curves=shown.with_range(spread, len(QUANTITIES)),
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
                    excuse="" if slow or not q.ambient else AMBIENT_EXCUSE,
                )
            )
        return out


def _both(ends: Array, i: int) -> tuple[float, float]:
    return float(ends[0, i]), float(ends[1, i])


__all__ = ["Ambient", "Comparison", "compare_record"]
