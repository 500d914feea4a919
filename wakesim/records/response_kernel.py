"""Compiled first-order answer whose rate changes from moment to moment.

    dy/dt = r(t) (x(t) - y),     x and r linear between samples

with R = h (r_0 + r_1)/2 the integral of r over a step h and a = exp(-R):

    y_1 = a y_0 + b_0 x_0 + b_1 x_1 + m h (r_1 - r_0)(x_1 - x_0)/12,
    m = (1 - a)/R,   b_0 = m - a,   b_1 = 1 - m.

The last term is what rate and target share within the step (integral of r x less R times the mean
of x); a cup overspeeds by it. Exact for a constant rate, else to third order in the step.
"""

from __future__ import annotations

import numpy as np

from wakesim.arrays import kernel


@kernel()
def relax(targets, rate, step, first):
    """Answers (k, n) to ``targets`` (k, n) at rates (n,) 1/s; ``first`` (k,) before the start."""
    count, n = targets.shape
    out = np.empty((count, n))
    for j in range(count):
        out[j, 0] = first[j]
    for i in range(1, n):
        turned = 0.5 * (rate[i - 1] + rate[i]) * step
        a = np.exp(-turned)
        # (1 - a)/R by its series where the difference would lose its digits.
        mean = (1.0 - a) / turned if turned > 1e-4 else 1.0 - 0.5 * turned + turned * turned / 6.0
        shared = mean * step * (rate[i] - rate[i - 1]) / 12.0
        for j in range(count):
            before, after = targets[j, i - 1], targets[j, i]
            out[j, i] = (
                a * out[j, i - 1]
                + (mean - a) * before
                + (1.0 - mean) * after
                + shared * (after - before)
            )
    return out
