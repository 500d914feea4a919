"""Turbulence closure of the cross-section: k and epsilon, after Launder and Spalding (1974).

    nu_t = c_mu g k^2/eps,   P = nu_t |grad u|^2,
    dk/dt = div(nu_t/sigma_k grad k) + P - eps,
    deps/dt = div(nu_t/sigma_eps grad eps) + (C1 P - C2 eps) eps/k

(B. E. Launder and D. B. Spalding, Comput. Methods Appl. Mech. Eng. 3 (1974) 269; constants there.)
Far wakes are weak shear flows: production falls behind dissipation, and the standard constants then
mix too slowly. The correction g is the algebraic stress form of W. Rodi (Z. angew. Math. Mech. 56
(1976) T219, from memory),

    c_mu = 2/3 (1 - b)/w (1 - (1 - b p)/w) / (1 + (p - 1)/w)^2,   p = P/eps, w = 2.8, b = 0.55,

0.09 at p = 1 and 0.167 at p = 0, as a ratio to its value at p = 1 and at most 1/2 + 1/2 of that
value above p = 1, where the standard constant is kept; ``weak_shear`` scales its excess over 1.

Without diffusion k and eps obey an equation with an exact solution for a fixed shear: with the time
scale T = k/eps and G = c_mu g |grad u|^2,

    dT/dt = (C2 - 1) - (C1 - 1) G T^2,      d(ln k)/dt = G T - 1/T,

a Riccati equation whose solution is a hyperbolic tangent. It keeps k and eps positive for any time
step, and gives the decay k ~ t^(-1/(C2 - 1)) exactly.
"""

from __future__ import annotations

from dataclasses import dataclass

from wakesim import constants

VON_KARMAN = constants.VON_KARMAN.value
LEAST_K = constants.LEAST_K.value  # m2/s2, of still air
LEAST_EPS = constants.LEAST_EPS.value  # m2/s3
RODI_W, RODI_B = constants.RODI_W.value, constants.RODI_B.value


@dataclass(frozen=True)
class Closure:
    """Constants of the closure."""

    c_mu: float = constants.CLOSURE_C_MU.value
    c1: float = constants.CLOSURE_C1.value
    c2: float = 1.92
    sigma_k: float = constants.CLOSURE_SIGMA_K.value
    sigma_eps: float = constants.CLOSURE_SIGMA_EPS.value
    weak_shear: float = 1.0
