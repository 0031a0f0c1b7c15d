"""What is carried from the rows to the likelihood, and how it is added up over units.

With F the columns that are left and V the covariance matrix of the observations as far as
it has been built, six things are carried: ``A = F'V^-1 F``, ``A_i = F'V^-1 V_i V^-1 F``,
``A_ij = F'V^-1 V_i V^-1 V_j V^-1 F`` (symmetrised in i, j), the traces
``t_i = tr(V^-1 V_i)`` and ``t_ij = tr(V^-1 V_i V^-1 V_j)``, and ``log|V|``.

Where V is not linear in its parameters (a serial range), ``F'V^-1 V_ij V^-1 F`` and
``tr(V^-1 V_ij)`` of the second derivatives V_ij that are not zero are carried beside.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from silagetrial.mixed.covariance import Floats, Ints
from silagetrial.mixed.design import Border

__all__ = ["Carried", "pairs", "run_length", "scatter", "sum_units", "total"]


@dataclass(frozen=True)
class Carried:
    """The six things, for u units of T data sets, m parameters and their m(m+1)/2 pairs.

    Attributes
    ----------
    a : (T, u, c, c) array
    a_i : (m, T, u, c, c) array
    a_ij : (m (m + 1) / 2, T, u, c, c) array
        Pairs (0,0), (1,0), (1,1), (2,0) ...
    a_second : (s, T, u, c, c) array
        Of the s second derivatives of V that are not zero.
    log_det : (T, u) array
    t_i, t_ij, t_second : (m, T, u), (m (m + 1) / 2, T, u), (s, T, u) arrays
    """

    a: Floats
    a_i: Floats
    a_ij: Floats
    a_second: Floats
    log_det: Floats
    t_i: Floats
    t_ij: Floats
    t_second: Floats


@cache
def pairs(m: int) -> tuple[Ints, Ints]:
    """Return the pairs of m parameters in the order carried: (0,0), (1,0), (1,1), (2,0) ..."""
    left, right = np.tril_indices(m)
    return left.astype(np.int64), right.astype(np.int64)


def total(x: Floats, each: int, axis: int) -> Floats:
    """Add up runs of `each` neighbours along an axis."""
    if each == 1:
        return x
    shape = (*x.shape[:axis], x.shape[axis] // each, each, *x.shape[axis + 1 :])
    return np.asarray(x.reshape(shape).sum(axis=axis + 1))


def run_length(units: int, starts: Ints) -> int:
    """How many units lie in each run beginning at one of `starts`; 1 where that differs."""
    each = units // len(starts)
    return each if np.array_equal(starts, np.arange(0, units, each)) else 1


def sum_units(carried: Carried, starts: Ints) -> Carried:
    """Add up runs of units, each beginning at one of `starts`."""
    if len(starts) == carried.a.shape[1]:
        return carried
    each = run_length(carried.a.shape[1], starts)

    def summed(x: Floats, axis: int) -> Floats:
        """Sum over the units of one level."""
        if each > 1:  # several times faster than reduceat
            return total(x, each, axis)
        return np.asarray(np.add.reduceat(x, starts, axis=axis))

    return Carried(
        a=summed(carried.a, 1),
        a_i=summed(carried.a_i, 2),
        a_ij=summed(carried.a_ij, 2),
        a_second=summed(carried.a_second, 2),
        log_det=summed(carried.log_det, 1),
        t_i=summed(carried.t_i, 2),
        t_ij=summed(carried.t_ij, 2),
        t_second=summed(carried.t_second, 2),
    )


def scatter(carried: Carried, border: Border) -> Carried:
    """Add each top unit's local border columns into the columns of all border levels."""
    fixed = carried.a.shape[-1] - border.index.shape[1]
    tail = np.broadcast_to(border.width + 1 + np.arange(fixed), (len(border.index), fixed))
    index = np.column_stack([border.index, tail])
    size = border.width + 1 + fixed
    flat = (index[:, :, None] * size + index[:, None, :]).ravel()
    keep = np.delete(np.arange(size), border.width)

    def spread(x: Floats) -> Floats:
        """Scatter local columns into the border."""
        lead = x.shape[:-3]
        rows = x.reshape(-1, flat.size)
        out = np.zeros((len(rows), size * size))
        for i, row in enumerate(rows):
            out[i] = np.bincount(flat, row, minlength=size * size)
        return np.asarray(out.reshape(*lead, 1, size, size)[..., keep[:, None], keep])

    one = np.zeros(1, dtype=np.int64)
    corners = {n: getattr(carried, n)[..., :1, :1] for n in ("a", "a_i", "a_ij", "a_second")}
    summed = sum_units(replace(carried, **corners), one)
    return replace(
        summed,
        a=spread(carried.a),
        a_i=spread(carried.a_i),
        a_ij=spread(carried.a_ij),
        a_second=spread(carried.a_second),
    )
