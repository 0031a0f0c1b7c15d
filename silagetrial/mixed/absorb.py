"""Absorb columns with a covariance into V: the one step behind every use of the likelihood.

With F the columns that are left and V the covariance matrix of the observations as far as
it has been built, six things are carried: ``A = F'V^-1 F``, ``A_i = F'V^-1 V_i V^-1 F``,
``A_ij = F'V^-1 V_i V^-1 V_j V^-1 F`` (symmetrised in i, j), the traces
``t_i = tr(V^-1 V_i)`` and ``t_ij = tr(V^-1 V_i V^-1 V_j)``, and ``log|V|``.  `absorb` adds
random effects Z with covariance G to V by Woodbury's identity and hands back the same six
things for the other columns; the fixed effects leave by the same algebra.  Nothing is ever
n by n, and G may be indefinite: no square root of it is taken.

Where V is not linear in its parameters (a serial range), ``F'V^-1 V_ij V^-1 F`` and
``tr(V^-1 V_ij)`` of the second derivatives V_ij that are not zero are carried beside.

References
----------
Harville, D. A. (1977). Maximum likelihood approaches to variance component estimation and
to related problems. JASA 72, 320-338.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cache

import numpy as np

from silagetrial.mixed.covariance import Bools, Floats, Ints
from silagetrial.mixed.design import Border, Part

__all__ = [
    "Carried",
    "absorb",
    "add_last_residual",
    "pairs",
    "project",
    "reorder",
    "scatter",
    "sum_units",
]


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


def absorb(carried: Carried, g: Floats, parts: Sequence[Part]) -> tuple[Carried, Bools]:
    """Add the first k columns as random effects with covariance G to V.

    Parameters
    ----------
    carried : Carried
        For the columns [Z W].
    g : (T, k) or (T, k, k) array
        G, its diagonal only where that is all.
    parts : sequence of Part
        Derivatives G_h of G by its own parameters, which join the carried ones.

    Returns
    -------
    carried : Carried
        For the columns W.
    definite : (T,) bool array
        Whether V stayed positive definite.

    Notes
    -----
    With ``K = G (I + A_ZZ G)^-1`` and ``N = (I + A_ZZ G)^-1``: ``V^-1`` loses
    ``D^-1 Z K Z' D^-1``, ``C = Z'V^-1 W = N A_ZW`` and ``M = Z'V^-1 Z = N A_ZZ``.
    """
    k = g.shape[-1]
    rows = carried.a[..., :k, :]
    turned = rows[..., :k] * g[:, None, None] if g.ndim == 2 else rows[..., :k] @ g[:, None]
    n, log_det = _inverse(np.eye(k) + turned)
    both_sides = n @ rows
    m, c = both_sides[..., :k], both_sides[..., k:]
    big_k = _covariance_times(g, n)
    kept, y, ezz = project(carried, k, big_k, _covariance_times(g, c))
    e, m_old = n @ y, n @ ezz @ n.mT
    own = [c[..., part.rows, :] for part in parts]
    gc = [_times(part, x) for part, x in zip(parts, own, strict=True)]
    new_i = [_outer(x, gx) for x, gx in zip(own, gc, strict=True)]
    t_new = [_trace(_times(part, _block(m, part, part))) for part in parts]
    both, t_both = [kept.a_ij], [kept.t_ij]
    for h, part in enumerate(parts):
        old = _outer(e[..., part.rows, :], gc[h]) / 2
        both.append(old + old.mT)
        t_both.append(_trace(_times(part, _block(m_old, part, part))))
        for i in range(h + 1):
            block = _block(m, part, parts[i])
            new = _outer(gc[h], block @ gc[i]) / 2
            both.append((new + new.mT)[None])
            around = _times(part, _times(parts[i], block.mT).mT)
            t_both.append((around * block).sum(axis=(-1, -2))[None])
    return (
        replace(
            kept,
            a_i=np.concatenate([kept.a_i, np.stack(new_i)]),
            a_ij=np.concatenate(both),
            log_det=kept.log_det + np.where(np.isfinite(log_det), log_det, 0.0),
            t_i=np.concatenate([kept.t_i, np.stack(t_new)]),
            t_ij=np.concatenate(t_both),
        ),
        np.isfinite(log_det).all(axis=1) & _stays_definite(g, m),
    )


def _covariance_times(g: Floats, x: Floats) -> Floats:
    return g[:, None, :, None] * x if g.ndim == 2 else g[:, None] @ x


def _times(part: Part, x: Floats) -> Floats:
    """Multiply by the part's values, which are mostly the identity."""
    return x if part.values is None else part.values @ x


def _block(x: Floats, rows: Part, columns: Part) -> Floats:
    return x[..., rows.rows, :][..., columns.rows]


def _stays_definite(g: Floats, m: Floats) -> Bools:
    """Whether V + ZGZ' is positive definite, (T,): where G may be indefinite, M must not be.

    ``M = (A_ZZ^-1 + G)^-1`` is positive semidefinite just when V stays definite.  Z may have
    dependent columns, so that a little is added before Cholesky decides.
    """
    own = g if g.ndim == 2 else np.diagonal(g, axis1=1, axis2=2)
    doubtful = np.flatnonzero((own < 0).any(axis=1))
    good = np.ones(len(g), dtype=bool)
    if not len(doubtful):
        return good
    part = m[doubtful]
    if m.shape[-1] == 1:
        good[doubtful] = (part[..., 0, 0] > 0).all(axis=1)
        return good
    part = (part + part.mT) / 2
    slack = 1e-9 * np.abs(part).max(axis=(-1, -2))
    try:
        np.linalg.cholesky(part + slack[..., None, None] * np.eye(m.shape[-1]))
    except np.linalg.LinAlgError:
        smallest = np.linalg.eigvalsh(part)[..., 0]
        good[doubtful] = (smallest >= -slack).all(axis=1)
    return good


def project(carried: Carried, k: int, big_k: Floats, r: Floats) -> tuple[Carried, Floats, Floats]:
    """Take the first k columns out of V^-1 by ``V^-1 - V^-1 Z K Z'V^-1``, with R = K A_ZW.

    Returns the six things for the other columns, and per parameter ``A_i,ZW - A_i,ZZ R``
    and ``A_i,ZZ``, from which the terms of new parameters are made.
    """
    a_i, a_ij = carried.a_i, carried.a_ij
    kept_i, y, szz = _sandwich(a_i, k, r)
    kept_ij, _, sijzz = _sandwich(a_ij, k, r)
    kept_second, _, szz_second = _sandwich(carried.a_second, k, r)
    left, right = pairs(len(a_i))
    middle = _outer(y[left], big_k @ y[right]) / 2
    ks = big_k @ szz
    kept = Carried(
        a=carried.a[..., k:, k:] - _outer(carried.a[..., :k, k:], r),
        a_i=kept_i,
        a_ij=kept_ij - middle - middle.mT,
        a_second=kept_second,
        log_det=carried.log_det,
        t_i=carried.t_i - _trace(ks),
        t_ij=carried.t_ij - 2 * _trace(big_k @ sijzz) + _trace(ks[left] @ ks[right]),
        t_second=carried.t_second - _trace(big_k @ szz_second),
    )
    return kept, y, szz


def _sandwich(x: Floats, k: int, r: Floats) -> tuple[Floats, Floats, Floats]:
    """``[-R' I] X [-R' I]'``, ``X_ZW - X_ZZ R`` and ``X_ZZ`` of symmetric X."""
    s, szz = x[..., :k, k:], x[..., :k, :k]
    y = s - szz @ r
    return x[..., k:, k:] - _outer(s, r[None]) - _outer(r[None], y), y, szz


@cache
def pairs(m: int) -> tuple[Ints, Ints]:
    """Return the pairs of m parameters in the order carried: (0,0), (1,0), (1,1), (2,0) ..."""
    left, right = np.tril_indices(m)
    return left.astype(np.int64), right.astype(np.int64)


def _outer(x: Floats, y: Floats) -> Floats:
    """``x'y`` of stacked (k, w) matrices; one column needs no matrix product."""
    return x.mT * y if x.shape[-2] == 1 else x.mT @ y


def _trace(x: Floats) -> Floats:
    return np.asarray(np.trace(x, axis1=-2, axis2=-1))


def _inverse(x: Floats) -> tuple[Floats, Floats]:
    """Inverse and log determinant of stacked matrices; NaN where the determinant is <= 0."""
    if x.shape[-1] == 1:
        good = x[..., 0, 0] > 0
        safe = np.where(good[..., None, None], x, 1.0)
        return 1.0 / safe, np.where(good, np.log(safe[..., 0, 0]), np.nan)
    sign, log_det = np.linalg.slogdet(x)
    good = sign > 0
    safe = np.where(good[..., None, None], x, np.eye(x.shape[-1]))
    return np.linalg.inv(safe), np.where(good, log_det, np.nan)


def sum_units(carried: Carried, starts: Ints) -> Carried:
    """Add up runs of units, each beginning at one of `starts`."""
    units = carried.a.shape[1]
    each = units // len(starts)
    alike = bool((starts == np.arange(len(starts)) * each).all()) and each * len(starts) == units

    def total(x: Floats, axis: int) -> Floats:
        if each == 1 and alike:
            return x
        if alike:  # several times faster than reduceat
            shape = (*x.shape[:axis], len(starts), each, *x.shape[axis + 1 :])
            return np.asarray(x.reshape(shape).sum(axis=axis + 1))
        return np.asarray(np.add.reduceat(x, starts, axis=axis))

    return Carried(
        a=total(carried.a, 1),
        a_i=total(carried.a_i, 2),
        a_ij=total(carried.a_ij, 2),
        a_second=total(carried.a_second, 2),
        log_det=total(carried.log_det, 1),
        t_i=total(carried.t_i, 2),
        t_ij=total(carried.t_ij, 2),
        t_second=total(carried.t_second, 2),
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


def add_last_residual(carried: Carried, theta: Floats, residual: Floats, n: Floats) -> Carried:
    """Complete with the last residual variance, which linearity gives free.

    ``sum_j s_j A_j = A``, ``sum_j s_j A_ij = A_i``, ``sum_j s_j t_j = n``,
    ``sum_j s_j t_ij = t_i``.
    """
    m = theta.shape[1]
    left, right = pairs(m)
    place = np.empty((m, m), dtype=np.int64)
    place[left, right] = place[right, left] = np.arange(len(left))
    w, s, st = (
        theta.T[:, :, None, None, None],
        residual[:, None, None, None],
        residual[:, None],
    )
    wt = theta.T[:, :, None]
    a_e = (carried.a - (w * carried.a_i).sum(axis=0)) / s
    t_e = (n[:, None] - (wt * carried.t_i).sum(axis=0)) / st
    a_ie = (carried.a_i - (w * carried.a_ij[place]).sum(axis=1)) / s
    t_ie = (carried.t_i - (wt * carried.t_ij[place]).sum(axis=1)) / st
    a_ee = (a_e - (w * a_ie).sum(axis=0)) / s
    t_ee = (t_e - (wt * t_ie).sum(axis=0)) / st
    return replace(
        carried,
        a_i=np.concatenate([carried.a_i, a_e[None]]),
        a_ij=np.concatenate([carried.a_ij, a_ie, a_ee[None]]),
        t_i=np.concatenate([carried.t_i, t_e[None]]),
        t_ij=np.concatenate([carried.t_ij, t_ie, t_ee[None]]),
    )


def reorder(carried: Carried, entered: list[int]) -> Carried:
    """Put parameters from the order in which they were absorbed into the vector's order."""
    if entered == sorted(entered):
        return carried
    place = np.argsort(entered)
    left, right = pairs(len(entered))
    high, low = (
        np.maximum(place[left], place[right]),
        np.minimum(place[left], place[right]),
    )
    both = high * (high + 1) // 2 + low
    return replace(
        carried,
        a_i=carried.a_i[place],
        a_ij=carried.a_ij[both],
        t_i=carried.t_i[place],
        t_ij=carried.t_ij[both],
    )
