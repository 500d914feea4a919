"""The array types of annotations, and how every compiled loop of the package is compiled."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.float64]
Index = NDArray[np.int64]
Mask = NDArray[np.bool_]

# Sums may be reordered and contracted; NaN and infinity keep their meaning.
_REORDERED = {"contract", "arcp", "reassoc", "nsz"}


def kernel(
    *, parallel: bool = False, reorder: bool = True, inline: str = "never", part: bool = False
) -> Callable[[Callable[..., Any]], Any]:
    """Decorator of a compiled loop; loops run by ``numba.prange`` with ``parallel``.

    Compiled when first called and kept on disk. A loop on one thread lets other threads run
    meanwhile; ``parallel`` ones do not, for not every threading layer of numba allows two at once.
    Divisions by zero give infinity, as in numpy,
    which lets loops with a division be vectorised. ``reorder=False`` keeps the order of sums.
    ``part``: compiled into each loop that calls it. Otherwise it stands once in its own machine
    code and once in its caller's, which may differ in the last bit, and which of the two runs
    depends on what the process has loaded before.
    """
    import numba

    return numba.njit(  # type: ignore[no-any-return]
        cache=True,
        parallel=parallel,
        nogil=not parallel,
        inline=inline,
        forceinline=part,
        fastmath=_REORDERED if reorder else False,
        error_model="numpy",
    )


def graded(
    span: float, first: float, growth: float, largest: float = np.inf, *, fitted: bool = False
) -> Array:
    """Nodes from 0 to ``span`` or just beyond, with steps growing from ``first`` to ``largest``.

    ``fitted``: scaled so that the last node is at ``span``.
    """
    nodes, step = [0.0], first
    while nodes[-1] < span:
        nodes.append(nodes[-1] + step)
        step = min(step * growth, largest)
    out = np.array(nodes)
    return out * (span / out[-1]) if fitted else out
