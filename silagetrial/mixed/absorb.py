"""Absorb columns with a covariance into V: the one step behind every use of the likelihood.

`absorb` adds random effects Z with covariance G to the V of what is carried (`carried`) by
Woodbury's identity and hands back the same things for the other columns; the fixed effects
leave by the same algebra (`project`).  Nothing is ever n by n, and G may be indefinite: no
square root of it is taken.

References
----------
Harville, D. A. (1977). Maximum likelihood approaches to variance component estimation and
to related problems. JASA 72, 320-338.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from silagetrial.mixed.carried import Carried, pairs, total
from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.mixed.design import Level, Part

__all__ = ["absorb", "project"]

SMALL_PIVOT = 1e-3
"""Pivot of ``I + A_ZZ G`` too close to zero to divide by."""


def absorb(carried: Carried, g: Floats, level: Level, each: int = 1) -> tuple[Carried, Bools]:
    """Add the first k columns as random effects with covariance G to V.

    Parameters
    ----------
    carried : Carried
        For the columns [Z W].
    g : (T, k) or (T, k, k) array
        G, its diagonal only where that is all.
    level : Level
        Its parts are the derivatives G_h of G by its own parameters, which join the carried
        ones.
    each : int
        Runs of so many units are added up on the way.

    Returns
    -------
    carried : Carried
        For the columns W.
    definite : (T,) bool array
        Whether V stayed positive definite.

    Notes
    -----
    With ``N = (I + A_ZZ G)^-1`` and ``K = G N``: ``V^-1`` loses ``D^-1 Z K Z' D^-1``,
    ``C = Z'V^-1 W = N A_ZW`` and ``M = Z'V^-1 Z = N A_ZZ``.
    """
    k, parts, old = level.width, level.parts, len(carried.a_i)
    rows = carried.a[..., :k, :]
    turned = rows[..., :k] * g[:, None, None] if g.ndim == 2 else rows[..., :k] @ g[:, None]
    n, log_det = _inverse_of_one_plus(turned, level.disjoint)
    both_sides = n @ rows
    m, c = both_sides[..., :k], both_sides[..., k:]
    big_k = _covariance_times(g, n) if old else None
    kept, y, szz = project(carried, k, big_k, _covariance_times(g, c), each)
    a_i, a_ij, t_i, t_ij = _room(kept, old + len(parts))
    e, m_old = n @ y, n @ szz @ n.mT
    own = [c[..., part.rows, :] for part in parts]
    gc = [_times(part, x) for part, x in zip(parts, own, strict=True)]
    below = [_joined(x, each) for x in gc]
    at = len(kept.a_ij)
    for h, part in enumerate(parts):
        a_i[old + h] = _product(_joined(own[h], each), below[h])
        t_i[old + h] = total(_trace(_times(part, _block(m, part, part))), each, 1)
        if old:
            a_ij[at : at + old] = _symmetric(
                _product(_joined(e[..., part.rows, :], each), below[h])
            )
            traces = _trace(_times(part, _block(m_old, part, part)))
            t_ij[at : at + old] = total(traces, each, 2)
            at += old
        for i in range(h + 1):
            block = _block(m, part, parts[i])
            a_ij[at] = _symmetric(_product(below[h], _joined(block @ gc[i], each)))
            around = _times(part, _times(parts[i], block.mT).mT)
            t_ij[at] = total(_trace_of(around, block), each, 1)
            at += 1
    good = np.isfinite(log_det)
    log_det = kept.log_det + total(np.where(good, log_det, 0.0), each, 1)
    return (
        Carried(kept.a, a_i, a_ij, kept.a_second, log_det, t_i, t_ij, kept.t_second),
        _stays_definite(g, m, np.asarray(good.all(axis=1))),
    )


def _room(kept: Carried, size: int) -> tuple[Floats, Floats, Floats, Floats]:
    """A_i, A_ij, t_i and t_ij of `size` parameters, the first ones filled in."""
    out = []
    for x, count in (
        (kept.a_i, size), (kept.a_ij, size * (size + 1) // 2),
        (kept.t_i, size), (kept.t_ij, size * (size + 1) // 2),
    ):  # fmt: skip
        room = np.empty((count, *x.shape[1:]))
        room[: len(x)] = x
        out.append(room)
    return out[0], out[1], out[2], out[3]


def _covariance_times(g: Floats, x: Floats) -> Floats:
    return g[:, None, :, None] * x if g.ndim == 2 else g[:, None] @ x


def _times(part: Part, x: Floats) -> Floats:
    """Multiply by the part's values, which are mostly the identity."""
    return x if part.values is None else part.values @ x


def _block(x: Floats, rows: Part, columns: Part) -> Floats:
    return x[..., rows.rows, :][..., columns.rows]


def _stays_definite(g: Floats, m: Floats, good: Bools) -> Bools:
    """Whether V + ZGZ' is positive definite, (T,): where G may be indefinite, M must not be.

    Only asked where the determinant is `good`.
    ``M = (A_ZZ^-1 + G)^-1`` is positive semidefinite just when V stays definite.  Z may have
    dependent columns, so that a little is added before Cholesky decides.
    """
    own = g if g.ndim == 2 else np.diagonal(g, axis1=1, axis2=2)
    doubtful = np.flatnonzero(good & (own < 0).any(axis=1))
    if not len(doubtful):
        return good
    good = good.copy()
    part = m[doubtful]
    if m.shape[-1] == 1:
        # Zero where all rows of a unit are missing: what is not there is not indefinite.
        good[doubtful] = (part[..., 0, 0] >= 0).all(axis=1)
        return good
    part = (part + part.mT) / 2
    slack = 1e-9 * np.abs(part).max(axis=(-1, -2))
    try:
        np.linalg.cholesky(part + slack[..., None, None] * np.eye(m.shape[-1]))
    except np.linalg.LinAlgError:
        smallest = np.linalg.eigvalsh(part)[..., 0]
        good[doubtful] = (smallest >= -slack).all(axis=1)
    return good


def project(
    carried: Carried, k: int, big_k: Floats | None, r: Floats, each: int = 1
) -> tuple[Carried, Floats, Floats]:
    """Take the first k columns out of V^-1 by ``V^-1 - V^-1 Z K Z'V^-1``, with R = K A_ZW.

    K is not needed as long as no parameters are carried.  Returns the six things for the other
    columns, runs of `each` units added up, and per parameter and unit ``A_i,ZW - A_i,ZZ R`` and
    ``A_i,ZZ``, from which the terms of new parameters are made.
    """
    kept_i, y, szz = _sandwich(carried.a_i, k, r, each)
    kept_ij, _, sijzz = _sandwich(carried.a_ij, k, r, each)
    kept_second, _, szz_second = _sandwich(carried.a_second, k, r, each)
    t_i, t_ij, t_second = carried.t_i, carried.t_ij, carried.t_second
    if big_k is not None:
        left, right = pairs(len(t_i))
        ks = big_k @ szz
        kept_ij = kept_ij - _symmetric(_outer(y[left], (big_k @ y)[right], each))
        t_i = t_i - _trace(ks)
        t_ij = t_ij - 2 * _trace_of(big_k, sijzz) + _trace_of(ks[left], ks.mT[right])
        t_second = t_second - _trace_of(big_k, szz_second)
    kept = Carried(
        a=total(carried.a[..., k:, k:], each, 1) - _outer(carried.a[..., :k, k:], r, each),
        a_i=kept_i,
        a_ij=kept_ij,
        a_second=kept_second,
        log_det=total(carried.log_det, each, 1),
        t_i=total(t_i, each, 2),
        t_ij=total(t_ij, each, 2),
        t_second=total(t_second, each, 2),
    )
    return kept, y, szz


def _sandwich(x: Floats, k: int, r: Floats, each: int) -> tuple[Floats, Floats, Floats]:
    """``[-R' I] X [-R' I]'``, ``X_ZW - X_ZZ R`` and ``X_ZZ`` of symmetric X."""
    s, szz, rest = x[..., :k, k:], x[..., :k, :k], total(x[..., k:, k:], each, 2)
    if not len(x):
        return rest, s, szz
    y = s - szz @ r
    return rest - _outer(s, r, each) - _outer(r, y, each), y, szz


def _outer(x: Floats, y: Floats, each: int) -> Floats:
    """``x'y`` of stacked (k, w) matrices, added up over runs of `each` units."""
    return _product(_joined(x, each), _joined(y, each))


def _product(x: Floats, y: Floats) -> Floats:
    """``x'y`` of stacked matrices; one row needs no matrix product."""
    return x.mT * y if x.shape[-2] == 1 else x.mT @ y


def _joined(x: Floats, each: int) -> Floats:
    """Put the rows of runs of `each` units below one another."""
    if each == 1:
        return x
    *lead, units, k, w = x.shape
    return x.reshape(*lead, units // each, each * k, w)


def _symmetric(x: Floats) -> Floats:
    return (x + x.mT) / 2


def _trace(x: Floats) -> Floats:
    return np.asarray(np.trace(x, axis1=-2, axis2=-1))


def _trace_of(x: Floats, y: Floats) -> Floats:
    """``tr(x'y)``."""
    return np.asarray((x * y).sum(axis=(-1, -2)))


def _inverse_of_one_plus(x: Floats, disjoint: Sequence[slice]) -> tuple[Floats, Floats]:
    """Inverse and log determinant of stacked ``I + X``; NaN where the determinant is <= 0.

    X itself becomes ``I + X``.
    """
    diagonal = np.einsum("...ii->...i", x)
    diagonal += 1.0
    n, sign, log_det = _inverse(x, disjoint)
    return n, np.where(sign > 0, log_det, np.nan)


def _inverse(x: Floats, disjoint: Sequence[slice]) -> tuple[Floats, Floats, Floats]:
    """Inverse (where singular, anything), sign and logarithm of the determinant.

    Runs of columns between which X is diagonal are eliminated, as in Gauss's algorithm; what
    they leave, and pivots near zero, go to LAPACK, which exchanges rows.
    """
    if x.shape[-1] == 1:
        only = x[..., 0, 0]
        safe = np.where(only == 0, 1.0, only)
        return 1.0 / safe[..., None, None], np.sign(only), np.log(np.abs(safe))
    if not disjoint:
        sign, log_det = np.linalg.slogdet(x)
        safe = np.where((sign == 0)[..., None, None], np.eye(x.shape[-1]), x)
        return np.linalg.inv(safe), sign, log_det
    pivot = np.einsum("...ii->...i", x)[..., disjoint[0]]
    small = np.abs(pivot) < SMALL_PIVOT
    found = _eliminated(x, disjoint, np.where(small, 1.0, pivot))
    again = np.nonzero(small.any(axis=-1))
    if len(again[0]):
        for whole, part in zip(found, _inverse(x[again], ()), strict=True):
            whole[again] = part
    return found


def _eliminated(
    x: Floats, disjoint: Sequence[slice], pivot: Floats
) -> tuple[Floats, Floats, Floats]:
    """`_inverse` by the pivots of the first run, which is of the first or the last columns."""
    run, k = disjoint[0], x.shape[-1]
    rest = slice(run.stop, k) if run.start == 0 else slice(0, run.start)
    over = 1.0 / pivot
    down = x[..., run, rest] * over[..., None]
    across = x[..., rest, run] * over[..., None, :]
    n = np.empty_like(x)
    corner, sign, log_det = _inverse(x[..., rest, rest] - x[..., rest, run] @ down, disjoint[1:])
    back = corner @ across
    n[..., rest, rest] = corner
    np.negative(back, out=n[..., rest, run])
    np.negative(down @ corner, out=n[..., run, rest])
    n[..., run, run] = down @ back
    np.einsum("...ii->...i", n)[..., run] += over
    sign = sign * np.sign(pivot).prod(axis=-1)
    return n, sign, log_det + np.log(np.abs(pivot)).sum(axis=-1)
