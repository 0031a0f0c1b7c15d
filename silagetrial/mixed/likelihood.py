"""The restricted likelihood, its derivatives and what small-sample inference needs of it.

The residual supplies six things per base unit (`residual`), random effects and fixed effects
are absorbed one after another (`absorb`).  Everything has a leading axis of T data sets which
share a design.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from silagetrial.mixed.absorb import absorb, project
from silagetrial.mixed.carried import Carried, pairs, run_length, scatter, sum_units
from silagetrial.mixed.covariance import Bools, Floats, Ints
from silagetrial.mixed.design import Design
from silagetrial.mixed.evaluation import Evaluation
from silagetrial.mixed.residual import Supply, supply

__all__ = ["Batch", "Evaluation", "blank", "evaluate", "prepare"]


@dataclass(frozen=True)
class Batch:
    """Responses of T data sets of one design, ready for evaluation.

    Attributes
    ----------
    rows : Supply
        What the rows supply at any parameter vector; y is its OLS residual over `scale`.
    n : (T,) array
        Rows present.
    scale : (T,) array
        Unit of y; variances are in units of ``scale ** 2``.
    offset : (T, p) array
        OLS coefficients (of the orthonormal X) that were taken off y.
    level : (T,) array
        Constant that was taken off y before.
    full_rank : (T,) bool array
        False where so many rows are missing that X lost rank.
    """

    rows: Supply
    n: Floats
    scale: Floats
    offset: Floats
    level: Floats
    full_rank: Bools

    def take(self, index: npt.NDArray[Any]) -> Batch:
        """Return some of the data sets."""
        return Batch(
            self.rows.take(index), self.n[index], self.scale[index],
            self.offset[index], self.level[index], self.full_rank[index],
        )  # fmt: skip


def prepare(design: Design, y: Floats, present: Bools | None = None) -> Batch:
    """Centre and scale responses and form the cross-products of each finest unit.

    Parameters
    ----------
    design : Design
    y : (T, n) array
        In the order of the data's rows; values where `present` is False are not read.
    present : (T, n) bool array, optional
        Rows that each data set has; all, when left out.

    Returns
    -------
    Batch
    """
    q = design.q
    mask = None if present is None else present[:, design.order].astype(float)
    values = y[:, design.order]
    if mask is not None:
        values = np.where(mask > 0, values, 0.0)
    level = np.zeros(len(y))
    if design.constant.any():
        # A constant taken off first is exact in floating point, however large the mean of y is.
        first = np.zeros(len(y), dtype=int) if mask is None else mask.argmax(axis=1)
        level = values[np.arange(len(y)), first]
        values = values - level[:, None]
        values = values if mask is None else values * mask
    gram = q.T @ q if mask is None else (q.T[None] * mask[:, None, :]) @ q
    size = np.linalg.eigvalsh(gram)[..., 0]
    full_rank = np.broadcast_to(size > 1e-9, (len(y),))
    solvable = np.where((size > 1e-9)[..., None, None], gram, np.eye(design.p))
    offset = np.zeros((len(y), design.p))
    residual = values
    for _ in range(2):  # once more takes off what rounding left of a large mean
        step = np.linalg.solve(solvable, (residual @ q)[..., None])[..., 0]
        offset = offset + step
        residual = residual - step @ q.T
        if mask is not None:
            residual = residual * mask
    n = np.full(len(y), float(design.n)) if mask is None else mask.sum(axis=1)
    scale = np.sqrt((residual**2).sum(axis=1) / np.maximum(n - design.p, 1.0))
    usable = np.where(scale > 0, scale, 1.0)
    rows = supply(design, residual / usable[:, None], mask)
    usable_sets = full_rank & (scale > 0) & (n > design.p)
    return Batch(rows, n, scale, offset, level, usable_sets)


def blank(design: Design, present: Bools | None = None) -> Batch:
    """Return a batch without responses: what depends on the design alone.

    Parameters
    ----------
    design : Design
    present : (T, n) bool array, optional
        Rows that each of T layouts has, in the order of the data; when left out, one layout with
        all of them.
    """
    mask = None if present is None else present[:, design.order].astype(float)
    count = 1 if present is None else len(present)
    n, full_rank = np.full(count, float(design.n)), np.ones(count, dtype=bool)
    if mask is not None:
        gram = (design.q.T[None] * mask[:, None, :]) @ design.q
        n, full_rank = mask.sum(axis=1), np.linalg.eigvalsh(gram)[:, 0] > 1e-9
    return Batch(
        supply(design, np.zeros((count, design.n)), mask), n, np.ones(count),
        np.zeros((count, design.p)), np.zeros(count), full_rank,
    )  # fmt: skip


def evaluate(design: Design, theta: Floats, batch: Batch) -> Evaluation:
    """Evaluate the restricted likelihood and its derivatives.

    Parameters
    ----------
    design : Design
    theta : (T, m) array
        Random parameters, then the residual variance.
    batch : Batch

    Returns
    -------
    Evaluation

    Notes
    -----
    ``l = -1/2 [(n - p) log 2 pi + log|V| + log|X'V^-1 X| + y'Py]``; data sets in which V is
    not positive definite get ``-inf``.
    """
    first = theta.shape[1] - len(design.residual.parameters)
    unit = batch.rows.unit(theta[:, first:])
    ratio = theta / unit[:, None]
    carried, valid = batch.rows.carried(ratio[:, first:])
    valid = valid & batch.full_rank
    entered = list(range(first, first + batch.rows.carried_parameters))
    for at, level in enumerate(design.levels):
        border = design.border if level is design.levels[-1] else None
        carried = sum_units(carried, level.starts) if border is None else scatter(carried, border)
        if level.width:
            own = ratio[:, level.parameters]
            g = own @ level.diagonal if level.is_diagonal else np.tensordot(own, level.basis, 1)
            each = _units_in_next(design, at, carried.a.shape[1])
            carried, definite = absorb(carried, g, level, each)
            valid = valid & definite
            entered += [int(i) for i in level.parameters]
    carried = sum_units(carried, np.zeros(1, dtype=np.int64))
    return _finish(carried, np.array(entered, dtype=np.int64), theta, unit, batch, design, valid)


def _units_in_next(design: Design, at: int, units: int) -> int:
    """How many units of a level make one of the next, if always as many, else 1."""
    following = design.levels[at + 1 :]
    if not following:
        return units
    if len(following) == 1 and design.border is not None:
        return 1
    return run_length(units, following[0].starts)


def _finish(
    carried: Carried, entered: Ints, theta: Floats, unit: Floats, batch: Batch, design: Design,
    valid: Bools,
) -> Evaluation:  # fmt: skip
    """Absorb X and read off the likelihood, its derivatives and the pieces for inference.

    What is carried is of ``V / unit``, of parameters in the order in which they entered.
    """
    p, n = design.p, batch.n
    axx = carried.a[:, 0, :p, :p]
    axx = np.where(valid[:, None, None], (axx + axx.mT) / 2, np.eye(p))
    sign, log_det_x = np.linalg.slogdet(axx)
    valid = valid & (sign > 0)
    axx = np.where(valid[:, None, None], axx, np.eye(p))
    phi: Floats = np.asarray(np.linalg.inv(axx), dtype=np.float64)
    beta = phi @ carried.a[:, 0, :p, p:]
    left_over, _, _ = project(carried, p, phi[:, None], beta[:, None])
    ypy = left_over.a[:, 0, 0, 0] / unit
    log_v = left_over.log_det[:, 0]
    loglik = -0.5 * ((n - p) * np.log(2 * np.pi * unit) + log_v + log_det_x + ypy)
    score, expected, observed = _derivatives(left_over, entered, theta, unit, batch, design, ypy)
    one, of_x = unit[:, None, None], (slice(None), slice(None), 0, slice(p), slice(p))
    place = np.argsort(entered)
    a_i, a_ij = carried.a_i[of_x][place], carried.a_ij[of_x][_pair_places(place)]
    return Evaluation(
        theta=theta,
        loglik=np.where(valid, loglik, -np.inf),
        score=score,
        expected=expected,
        observed=observed,
        beta=beta[..., 0],
        phi=phi * one,
        a=axx / one,
        a_i=np.moveaxis(a_i / one**2, 0, 1),
        a_ij=np.moveaxis(a_ij / one**3, 0, 1),
    )


def _derivatives(
    left_over: Carried, entered: Ints, theta: Floats, unit: Floats, batch: Batch, design: Design,
    ypy: Floats,
) -> tuple[Floats, Floats, Floats]:  # fmt: skip
    """Score, expected and observed information from traces and quadratic forms in P.

    ``score_i = (y'P V_i P y - tr(P V_i)) / 2``, ``expected_ij = tr(P V_i P V_j) / 2``,
    ``observed_ij = y'P V_i P V_j P y - expected_ij`` and what second derivatives of V add.
    """
    traces = _by_parameter(left_over.t_i[..., 0], left_over.t_ij[..., 0], entered)
    of_y, of_yy = left_over.a_i[..., 0, 0, 0] / unit, left_over.a_ij[..., 0, 0, 0] / unit
    forms = _by_parameter(of_y, of_yy, entered)
    if len(entered) < theta.shape[1]:
        ratio = theta[:, :-1] / unit[:, None]
        traces = _with_last(*traces, batch.n - design.p, ratio)
        forms = _with_last(*forms, ypy, ratio)
    expected, observed = traces[1] / 2, forms[1] - traces[1] / 2
    first = theta.shape[1] - len(design.residual.parameters)
    for at, (i, j) in enumerate(batch.rows.second_derivatives()):
        change = (left_over.t_second[at, :, 0] - left_over.a_second[at, :, 0, 0, 0]) / 2
        observed[:, first + i, first + j] += change
        observed[:, first + j, first + i] += change * (i != j)
    square = unit[:, None, None] ** 2
    return (forms[0] - traces[0]) / (2 * unit[:, None]), expected / square, observed / square


def _by_parameter(single: Floats, both: Floats, entered: Ints) -> tuple[Floats, Floats]:
    """(T, k) and (T, k, k) in the order of the parameters from (k, T) and pairs of them."""
    k = len(entered)
    left, right = pairs(k)
    vector, matrix = np.empty(single.shape[::-1]), np.empty((single.shape[1], k, k))
    vector[:, entered] = single.T
    i, j = entered[left], entered[right]
    matrix[:, i, j] = matrix[:, j, i] = both.T
    return vector, matrix


def _with_last(x: Floats, both: Floats, whole: Floats, ratio: Floats) -> tuple[Floats, Floats]:
    """Add the last residual variance, one here, which linearity gives free.

    ``sum_i s_i x_i`` is the whole, ``sum_j s_j x_ij = x_i``: of ``x_i = tr(P V_i)`` the whole
    is n - p, of ``x_i = y'P V_i P y`` it is y'Py.
    """
    t, k = x.shape
    vector, matrix = np.empty((t, k + 1)), np.empty((t, k + 1, k + 1))
    vector[:, :k], matrix[:, :k, :k] = x, both
    vector[:, k] = whole - (ratio * x).sum(axis=1)
    cross = x - (both * ratio[:, None]).sum(axis=2)
    matrix[:, :k, k] = matrix[:, k, :k] = cross
    matrix[:, k, k] = vector[:, k] - (ratio * cross).sum(axis=1)
    return vector, matrix


def _pair_places(place: Ints) -> Ints:
    """Where the pairs of parameters are, given where the parameters are."""
    left, right = pairs(len(place))
    high = np.maximum(place[left], place[right])
    low = np.minimum(place[left], place[right])
    return np.asarray(high * (high + 1) // 2 + low, dtype=np.int64)
