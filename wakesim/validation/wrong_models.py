"""Deliberately wrong models: a mark that they meet too does not test the right one.

Each wrong model is the right one with the body or the conditions of the comparison scaled far off.
Those that change something the comparison gives are tried; a wrong model that moves the computed
values by less than ``UNSEEN`` of themselves is something the comparison cannot see, and says no
more than that.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace

import numpy as np

from wakesim.case.vehicle import Vehicle
from wakesim.errors import CaseError, NumericalError
from wakesim.validation.comparison import Array, Comparison
from wakesim.validation.metrics import metrics
from wakesim.validation.verdict import Verdict, mark_met

UNSEEN = 0.1  # rms change of the computed values over their rms


@dataclass(frozen=True)
class WrongModel:
    """Factors on the body and on conditions; ``name`` completes "a model with ..."."""

    name: str
    body: Mapping[str, float] = field(default_factory=dict)
    conditions: Mapping[str, float] = field(default_factory=dict)

    @property
    def of_body(self) -> bool:
        """Whether it is the body that is wrong, not its speed."""
        return bool(set(self.body) - {"mean_speed_m_s"})


@dataclass(frozen=True)
class Trial:
    """A wrong model on a comparison: whether the mark is met, and whether the values move."""

    model: WrongModel
    met: bool
    seen: bool


def _drag(factor: float) -> tuple[dict[str, float], dict[str, float]]:
    names = ("drag_coefficient", "drag_area_m2", "momentum_thickness_m", "force_m3_s2")
    return {"drag_coefficient": factor}, dict.fromkeys(names, factor)


def _section(factor: float) -> dict[str, float]:
    sides = dict.fromkeys(("width_m", "height_m", "clearance_m"), factor)
    return {**sides, "frontal_area_m2": factor**2}


def _speed(factor: float) -> tuple[dict[str, float], dict[str, float]]:
    names = ("speed_m_s", "mean_m_s", "from_speed_m_s", "to_speed_m_s")
    return {"mean_speed_m_s": factor}, dict.fromkeys(names, factor)


def _flow(factor: float) -> dict[str, float]:
    return dict.fromkeys(("flow_veh_h", "lane_flow_veh_h", "road_flow_veh_h"), factor)


WRONG_MODELS = (
    WrongModel("half the length", {"length_m": 0.5}),
    WrongModel("twice the length", {"length_m": 2.0}),
    WrongModel("half the width and height", _section(0.5)),
    WrongModel("twice the width and height", _section(2.0)),
    WrongModel("half the drag", *_drag(0.5)),
    WrongModel("twice the drag", *_drag(2.0)),
    WrongModel("0.6 times the speed", *_speed(0.6)),
    WrongModel("1.7 times the speed", *_speed(1.7)),
    WrongModel("half the traffic", {}, _flow(0.5)),
    WrongModel("twice the traffic", {}, _flow(2.0)),
)


def spoilt(c: Comparison, model: WrongModel) -> Comparison | None:
    """The comparison with the wrong model's factors; None when they change nothing it gives.

    Raises CaseError when no body can be so.
    """
    body, nose = c.body, c.nose_radius_m
    own = {k: f for k, f in model.body.items() if body is not None and _given(body, k)}
    if body is not None and own:
        scaled = {k: f * getattr(body, k) for k, f in own.items()}
        body = replace(body, drag_range=None, **scaled)
        nose = None if nose is None else nose * own.get("width_m", 1.0)
    factors = {k: f for k, f in model.conditions.items() if k in c.conditions}
    if not own and not factors:
        return None
    conditions = {k: factors.get(k, 1.0) * values for k, values in c.conditions.items()}
    return replace(c, body=body, nose_radius_m=nose, conditions=conditions)


def _given(body: Vehicle, key: str) -> bool:
    return getattr(body, key) is not None


def try_wrong_models(
    c: Comparison, compute: Callable[[Comparison], Array], computed: Array, undisturbed: str
) -> tuple[Trial, ...]:
    """Every wrong model that the comparison gives something to spoil and that can be computed.

    ``computed`` (n,) are the values of the right model; ``undisturbed`` names the condition that
    the quantity equals without a body, for changes count against what the body makes of it.
    """
    base = c.conditions[undisturbed] if undisturbed else np.zeros(c.size)
    scale = _rms(computed - base)
    found = []
    for model in WRONG_MODELS:
        try:
            wrong = spoilt(c, model)
            values = None if wrong is None else compute(wrong)
        except (CaseError, NumericalError, ValueError):
            continue
        if values is None:
            continue
        met = mark_met(c, metrics(c.measured, values, c.uncertainty))
        found.append(Trial(model, met, _rms(values - computed) >= UNSEEN * scale))
    return tuple(found)


def _rms(values: Array) -> float:
    return float(np.sqrt(np.mean(values**2)))


def judged(before: Verdict, c: Comparison, trials: tuple[Trial, ...]) -> Verdict:
    """Validated if the mark fails every wrong model that is seen, and a wrong body among them."""
    passed = [t.model.name for t in trials if t.met and t.seen]
    if passed:
        reason = f"the mark is also met by a wrong model, with {_or(passed)}"
        return Verdict("consistent", reason, before.met)
    failed = [t for t in trials if not t.met]
    bodies = [t for t in failed if t.model.of_body]
    if not failed or (c.body is not None and not bodies):
        kind = "wrong body" if failed else "wrong model"
        return Verdict("consistent", f"no {kind} misses the mark", before.met)
    reason = f"missed by wrong models, with {_or([t.model.name for t in failed])}"
    return Verdict("validated", reason, before.met)


def _or(names: list[str]) -> str:
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} or {names[-1]}"
