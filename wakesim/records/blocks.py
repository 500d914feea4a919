"""Least squares on a record cut into blocks, and intervals that the blocks themselves give.

A record beside a road has residuals of unequal variance (turbulence comes with the wakes) and of
long memory (the ambient wind). Both are left to a working model: every cell, one component in one
block, has its own slow wind (a low polynomial) that is taken out of all columns (Frisch and Waugh,
Econometrica 1 (1933) 387); weights are one over the modelled variance. Estimates need no more than
that to be unbiased. Their spread is then taken from the blocks, each left out in turn,

    theta_(-b) - theta = -(A - A_b)^-1 g_b,   V = (G - 1)/G sum_b (theta_(-b) - mean)^2,

g_b and A_b the block's share of the estimating equations and of their Jacobian: the jackknife form
of the sandwich (J. G. MacKinnon and H. White, J. Econometrics 29 (1985) 305; for groups: R. M. Bell
and D. F. McCaffrey, Survey Methodology 28 (2002) 169; from memory). A few blocks with lorries may
carry the estimate; Student's t is taken with the effective number of blocks less one,
1/sum h_b^2 with h_b the share of the information in block b (after A. V. Carter, K. T. Schnepel
and D. G. Steigerwald, Rev. Econ. Stat. 99 (2017) 698, from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy import special

from wakesim.arrays import Array

_RIDGE = 1e-9


@dataclass(frozen=True)
class Cells:
    """Samples in order of their cell: cell c holds samples start[c] to start[c + 1].

    ``block`` (cells,) numbers the stretch of time of each cell from 0 to ``blocks`` - 1, ``of``
    (n,) is the cell of each sample.
    """

    start: NDArray[np.int64]
    block: NDArray[np.int64]
    of: NDArray[np.int64]
    blocks: int

    @classmethod
    def of_labels(cls, channel: NDArray[np.int64], block: NDArray[np.int64]) -> Cells:
        """Cells of samples that are in order of channel, and of block within it."""
        change = (np.diff(channel) != 0) | (np.diff(block) != 0)
        start = np.concatenate(([0], np.flatnonzero(change) + 1)).astype(np.int64)
        size = np.diff(np.append(start, channel.size))
        _, number = np.unique(block[start], return_inverse=True)
        of = np.repeat(np.arange(start.size), size)
        return cls(start, number.astype(np.int64), of, int(number.max()) + 1)

    @property
    def sizes(self) -> NDArray[np.int64]:
        """Samples of each cell (cells,)."""
        return np.diff(np.append(self.start, self.of.size))

    def sums(self, values: Array) -> Array:
        """Sums over the cells, (cells, ...), of values (n, ...)."""
        return np.asarray(np.add.reduceat(values, self.start, axis=0))

    def block_sums(self, values: Array) -> Array:
        """Sums over the blocks, all their cells together, (blocks, ...)."""
        out = np.zeros((self.blocks, *values.shape[1:]))
        np.add.at(out, self.block, self.sums(values))
        return out

    def local(self, values: Array, basis: Array, weight: Array) -> Array:
        """Coefficients (cells, l, k) of columns (n, k) on the cell's own basis (n, l)."""
        size = basis.shape[1]
        scaled = weight[:, None] * basis
        gram = self.sums((scaled[:, :, None] * basis[:, None, :]).reshape(-1, size * size))
        gram = gram.reshape(-1, size, size)
        scale = np.trace(gram, axis1=1, axis2=2) / size
        gram = gram + (_RIDGE * scale + 1e-300)[:, None, None] * np.eye(size)
        columns = values.shape[1]
        moment = self.sums((scaled[:, :, None] * values[:, None, :]).reshape(-1, size * columns))
        return np.linalg.solve(gram, moment.reshape(-1, size, columns))

    def spread_out(self, coefficients: Array, basis: Array) -> Array:
        """Sum of the basis with the cell's coefficients (cells, l, k), (n, k)."""
        out = np.zeros((basis.shape[0], coefficients.shape[2]))
        for j in range(basis.shape[1]):
            out += basis[:, j, None] * coefficients[self.of, j]
        return out

    def without_local(self, values: Array, basis: Array, weight: Array) -> Array:
        """Columns (n, k) less what the cell's own basis explains of them."""
        return values - self.spread_out(self.local(values, basis, weight), basis)


class Jackknife(NamedTuple):
    """Covariance (k, k) of the estimates, and the effective number of blocks of each (k,)."""

    covariance: Array
    effective_blocks: Array


def jackknife(score: Array, information: Array) -> Jackknife:
    """Spread of estimates from the shares of the blocks.

    ``score`` (blocks, k) at the estimate sums to zero, ``information`` (blocks, k, k) is the
    block's part of the Jacobian (minus the derivative of the score), symmetric or not. Raises
    numpy's LinAlgError when the whole is singular.
    """
    blocks = score.shape[0]
    whole = information.sum(axis=0)
    inverse = np.linalg.inv(whole)
    moved = np.empty_like(score)
    for b in range(blocks):
        moved[b] = -np.linalg.lstsq(whole - information[b], score[b], rcond=1e-12)[0]
    moved -= moved.mean(axis=0)
    covariance = (blocks - 1) / blocks * moved.T @ moved
    share = np.einsum("ij,bjk,ik->bi", inverse, information, inverse)
    share = np.maximum(share, 0.0)
    share /= np.maximum(share.sum(axis=0), 1e-300)
    return Jackknife(covariance, 1.0 / np.maximum((share**2).sum(axis=0), 1e-300))


def student(level: float, effective_blocks: float) -> float:
    """Two-sided quantile of Student's t at ``level`` for that many blocks."""
    freedom = max(effective_blocks - 1.0, 0.5)
    return float(special.stdtrit(freedom, 0.5 * (1.0 + level)))
