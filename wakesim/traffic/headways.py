"""Time headways in one lane: exponential, shifted exponential and Cowan's M3.

All three are one family (R. J. Cowan, "Useful headway models", Transportation Research 9 (1975)
371-375). A share 1 - a of the vehicles follows at the minimum headway D, the free share a at D plus
an exponential time of rate k:

    P(headway > t) = 1 for t < D,  a exp(-k (t - D)) for t >= D,   k = a q / (1 - D q),

so that the mean is 1/q exactly. a = 1 is the shifted exponential, D = 0 and a = 1 the exponential.
The free share falls with flow: exp(-A q) ("bunching_s"), exp(-b D q) ("bunching_factor") or
1 - D q ("tanner").
"""

from __future__ import annotations

import math
from typing import NamedTuple, Protocol

import numpy as np
from numpy.typing import ArrayLike

from wakesim.arrays import Array
from wakesim.errors import CaseError

_SMALLEST_FREE_SHARE = 1e-9


class HeadwaySettings(Protocol):
    """What a headway model must have: the attributes of ``case.traffic.headway``."""

    @property
    def model(self) -> str: ...
    @property
    def minimum_s(self) -> float: ...
    @property
    def bunching_s(self) -> float | None: ...
    @property
    def bunching_factor(self) -> float | None: ...
    @property
    def tanner(self) -> bool: ...


class Parameters(NamedTuple):
    """The family's three numbers for one lane flow."""

    minimum_s: float
    free_share: float
    rate_per_s: float


def minimum_headway(headway: HeadwaySettings) -> float:
    """Minimum headway D in force, s: zero for the exponential model."""
    if headway.model == "exponential":
        return 0.0
    if headway.model in ("shifted_exponential", "cowan_m3"):
        return float(headway.minimum_s)
    known = "exponential, shifted_exponential, cowan_m3"
    raise CaseError(f"unknown headway model {headway.model!r}; known: {known}")


def check_flow(headway: HeadwaySettings, flow_veh_s: float, where: str = "lane") -> None:
    """Refuse a lane flow (veh/s) the model cannot carry, naming ``where`` and the limit.

    Raises CaseError when flow times minimum headway reaches one, ValueError for a flow that is
    negative or not a number.
    """
    if not (flow_veh_s >= 0.0 and math.isfinite(flow_veh_s)):
        raise ValueError(f"flow must be a number of at least 0 veh/s, not {flow_veh_s}")
    minimum = minimum_headway(headway)
    if flow_veh_s * minimum >= 1.0:
        raise CaseError(
            f"{where}: flow {3600.0 * flow_veh_s:.0f} veh/h in one lane is too much for a minimum "
            f"headway of {minimum:g} s: must be below {3600.0 / minimum:.0f} veh/h"
        )


def free_share(headway: HeadwaySettings, flow_veh_s: float) -> float:
    """Share of vehicles not following at the minimum headway, 0..1, at a lane flow in veh/s."""
    minimum = minimum_headway(headway)
    if headway.model != "cowan_m3":
        return 1.0
    if headway.tanner:
        return 1.0 - minimum * flow_veh_s
    if headway.bunching_s is not None:
        return math.exp(-headway.bunching_s * flow_veh_s)
    if headway.bunching_factor is not None:
        return math.exp(-headway.bunching_factor * minimum * flow_veh_s)
    raise CaseError("headway model cowan_m3 needs bunching_s, bunching_factor or tanner = true")


def parameters(headway: HeadwaySettings, flow_veh_s: float, where: str = "lane") -> Parameters:
    """Minimum headway (s), free share and rate (1/s) at a lane flow (veh/s, greater than 0).

    Raises CaseError when the flow cannot be carried (see ``check_flow``) or leaves no free vehicle.
    """
    check_flow(headway, flow_veh_s, where)
    if flow_veh_s == 0.0:
        raise ValueError("a lane without flow has no headways")
    minimum = minimum_headway(headway)
    share = free_share(headway, flow_veh_s)
    if share < _SMALLEST_FREE_SHARE:
        raise CaseError(
            f"{where}: at {3600.0 * flow_veh_s:.0f} veh/h in one lane the headway model leaves no "
            "free vehicle; lower the bunching"
        )
    return Parameters(minimum, share, share * flow_veh_s / (1.0 - minimum * flow_veh_s))


def survival(headway: HeadwaySettings, flow_veh_s: float, t: ArrayLike) -> Array:
    """Probability that a headway exceeds ``t`` (s), same shape as ``t``."""
    minimum, share, rate = parameters(headway, flow_veh_s)
    excess = np.asarray(t, dtype=np.float64) - minimum
    return np.where(excess < 0.0, 1.0, share * np.exp(-rate * np.maximum(excess, 0.0)))


def standard_deviation(headway: HeadwaySettings, flow_veh_s: float) -> float:
    """Standard deviation of the headway, s: sqrt(a (2 - a)) / k."""
    _, share, rate = parameters(headway, flow_veh_s)
    return math.sqrt(share * (2.0 - share)) / rate


def sample_headways(
    headway: HeadwaySettings, flow_veh_s: float, n: int, rng: np.random.Generator
) -> Array:
    """Independent headways, s, shape (n,)."""
    minimum, share, rate = parameters(headway, flow_veh_s)
    excess = rng.standard_exponential(n) / rate
    if share < 1.0:
        excess[rng.random(n) >= share] = 0.0
    return minimum + excess


def equilibrium_interval(
    headway: HeadwaySettings, flow_veh_s: float, rng: np.random.Generator
) -> tuple[float, float]:
    """Times since the last and until the next arrival at an arbitrary instant, s.

    The headway that spans a fixed instant has the length-biased density q h f(h) and the instant
    is uniform in it (D. R. Cox, "Renewal Theory", 1962, from memory). For this family that density
    is a mixture of D (weight q (1 - a) D), D + Exp(k) (q a D) and D + Gamma(2, k) (q a / k). A
    stream begun with it is stationary from the first second, without a warm-up.
    """
    minimum, share, rate = parameters(headway, flow_veh_s)
    stages = rng.standard_exponential(2) / rate
    pick, position = rng.random(2)
    bunched = flow_veh_s * (1.0 - share) * minimum
    once = flow_veh_s * share * minimum
    if pick < bunched:
        length = minimum
    elif pick < bunched + once:
        length = minimum + stages[0]
    else:
        length = minimum + stages[0] + stages[1]
    return float(position * length), float((1.0 - position) * length)
