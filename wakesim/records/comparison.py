"""A measured record held against the model, with or without a log of the single passes.

With a log the model makes the air of exactly the logged passes: its clock is laid on that of the
record, and single moments, passes and blocks can be compared. Without one the case's own traffic
of the same clock hours is simulated, and only statistics can be. Either way the model's air is read
by the instrument at the record's own samples (wakesim.records.modelled) and both records go through
the same averages.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from wakesim.arrays import Array
from wakesim.case.schema import Case
from wakesim.errors import CaseError
from wakesim.records.anemometer import AnemometerRecord
from wakesim.records.fit import FitResult
from wakesim.records.inputs import Inputs
from wakesim.records.instrument import SPEED_ONLY
from wakesim.records.judgement import (
    QUANTITIES,
    Judgement,
    Pair,
    block_table,
    compare,
    judge,
    taken,
    unmatched,
    values_of,
)
from wakesim.records.logged import Ambient, Logged, Modelled, Progress, Work, model_logged
from wakesim.records.model_range import STRETCH_S, STRETCHES, ModelRange, model_range
from wakesim.records.modelled import GAP_S, modelled_records, simulated_scenario, windows_of
from wakesim.records.statistics import Curves, block_edges, curves, usual_block_s

_OTHER_WIND = " (wind other than the case's is part of it)"


@dataclass(frozen=True)
class Comparison:
    """Everything that was found.

    ``case`` is the one used: with the log's classes, and marked when the record says that it is
    invented. ``record`` is the part that was compared, with times from its first sample; ``model``
    one modelled record. ``logged`` is None without a log. ``hours`` are the clock hours simulated
    without one.
    """

    inputs: Inputs
    case: Case
    ambient: Ambient
    record: AnemometerRecord
    model: AnemometerRecord
    logged: Logged | None
    judgements: tuple[Judgement, ...]
    curves: Curves
    model_range: ModelRange
    pair: Pair
    simulated_s: float
    hours: tuple[int, ...]
    notes: tuple[str, ...]

    @property
    def fit(self) -> FitResult | None:
        """The fitted constants, None without them."""
        return None if self.logged is None else self.logged.fit


def compare_record(
    inputs: Inputs,
    *,
    fitted: bool = False,
    ambient: Ambient = "case",
    log_time_error_s: float | None = None,
    progress: Progress = lambda share, text: None,
) -> Comparison:
    """The comparison. ``log_time_error_s``: standard deviation of single times of the log, s; None
    to find it from the record. ``progress`` gets the share done and what comes next.

    Raises CaseError with one line when the inputs do not allow it.
    """
    _check_wanted(inputs, fitted, ambient)
    work = Work.begin(inputs, ambient, progress)
    if inputs.log is not None:
        modelled = model_logged(work, inputs.log, log_time_error_s, fitted)
    else:
        modelled = _model_simulated(work)
    return _judged(work, modelled)


def _check_wanted(inputs: Inputs, fitted: bool, ambient: Ambient) -> None:
    """Whether the record allows what is asked for. Raises CaseError."""
    if fitted and inputs.log is None:
        raise CaseError(
            "--fit needs a passing log (--passes): without one a record says how much of "
            "everything there is, not which part of the model makes it"
        )
    if ambient != "record":
        return
    if inputs.mast is not None:
        raise CaseError("--ambient record and --ambient-mast: the slow wind is that of one of them")
    if inputs.record.u_m_s is None or inputs.instrument.kind in SPEED_ONLY:
        raise CaseError(
            f"{inputs.record.path}: --ambient record needs u_m_s and v_m_s (or speed and direction "
            "with --road-bearing) of an instrument that shows them: the slow wind cannot be taken "
            "off a speed alone"
        )


def _model_simulated(work: Work) -> Modelled:
    """The air of the case's own traffic of the record's clock hours."""
    case = work.in_its_wind(work.inputs.case)
    wind = work.slow_wind(case, float(work.record.time_s[0]))
    record = taken(work.record, np.ones(work.record.time_s.size, bool))
    scenario, notes = simulated_scenario(work.inputs, case, record, work.components, wind)
    work.notes += notes
    work.progress(0.1, "simulated traffic")
    return Modelled(case, scenario, record, modelled_records(scenario, work.cache))


def _judged(work: Work, found: Modelled) -> Comparison:
    """Both records through the same averages, and the verdicts."""
    scenario, logged, cut_in = found.scenario, found.logged, work.inputs.mount.cut_in_m_s
    record, models = work.compared(found.record), [work.compared(m) for m in found.draws]
    block_s = usual_block_s(record.duration_s)
    together = logged is not None and logged.clock.significant
    pair = compare(record, models, cut_in, block_s, work.components, together)
    expected = None if logged is None else logged.expected
    shown = curves(record, models, block_s, work.components, expected, found.record)
    work.progress(0.5, "model interval")
    windows = scenario.windows
    if scenario.duration_s > STRETCHES * STRETCH_S:
        every = np.concatenate([w.time_s for w in windows])
        windows = windows_of(every, GAP_S, STRETCH_S, STRETCHES)

    def measure(model: AnemometerRecord) -> Array:
        one = work.compared(model)
        table = block_table(one, block_edges(one, block_s), cut_in, work.components)
        return np.concatenate([values_of(table.sum(axis=0)), shown.of_model(one)])

    def report(share: float) -> None:
        work.progress(0.5 + 0.4 * share, "model interval")

    moved = model_range(scenario, windows, measure, work.cache, report)
    judgements = _judgements(pair, moved, work.ambient)
    if logged is not None:
        for shape in logged.signatures:
            judgements += shape.judgements if together else map(unmatched, shape.judgements)
        judgements += logged.decisive
    count = len(QUANTITIES)
    return Comparison(
        inputs=work.inputs, case=found.case, ambient=work.ambient, record=record, model=models[0],
        logged=logged, judgements=tuple(judgements),
        curves=shown.with_range(moved.down[count:], moved.up[count:]),
        model_range=moved, pair=pair, simulated_s=scenario.duration_s,
        hours=tuple(sorted({w.seed for w in scenario.windows})) if logged is None else (),
        notes=tuple(dict.fromkeys(work.notes)),
    )  # fmt: skip


def _judgements(pair: Pair, moved: ModelRange, ambient: Ambient) -> list[Judgement]:
    """The verdicts on the quantities of both records."""
    slow_off = ambient == "record"
    out = []
    for i, quantity in enumerate(QUANTITIES):
        value = float(pair.model[i])
        out.append(
            judge(
                quantity.key,
                quantity.unit,
                quantity.words + (", slow wind taken off" if slow_off and quantity.ambient else ""),
                (float(pair.record[i]), _ends(pair.record_interval, i)),
                (value, _ends(pair.model_interval, i)),
                (float(pair.ratio[i]), _ends(pair.ratio_interval, i)),
                (max(0.0, float(value - moved.down[i])), float(value + moved.up[i])),
                blocks=pair.blocks,
                reason="the slow wind is taken off both"
                if slow_off and quantity.key == "share_above_cut_in"
                else "",
                excuse=_OTHER_WIND if ambient == "case" and quantity.ambient else "",
            )
        )
    return out


def _ends(interval: Array, i: int) -> tuple[float, float]:
    return float(interval[0, i]), float(interval[1, i])
