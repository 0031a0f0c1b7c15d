"""The restricted likelihood, its derivatives and what small-sample inference needs of it.

The residual supplies six things per base unit (`residual`), random effects and fixed effects
are absorbed one after another (`absorb`).  Everything has a leading axis of T data sets which
share a design.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np
import numpy.typing as npt

from silagetrial.mixed.absorb import (
    Carried,
    absorb,
    add_last_residual,
    pairs,
    project,
    reorder,
    scatter,
    sum_units,
)
from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.mixed.design import Design
from silagetrial.mixed.residual import Supply, supply


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


@dataclass(frozen=True)
class Evaluation:
    """Restricted log-likelihood and companions at one parameter vector per data set.

    Attributes
    ----------
    theta : (T, m) array
        Variances and covariances, in units of ``scale ** 2``.
    loglik : (T,) array
        Without the terms of the units of y and X (`Fits.loglik` has them); -inf where V is
        not positive definite.
    score : (T, m) array
    expected, observed : (T, m, m) arrays
        Information matrices of the restricted log-likelihood.
    beta : (T, p) array
        Coefficients of the orthonormal X, in units of ``scale``, `Batch.offset` taken off.
    phi : (T, p, p) array
        ``(X'V^-1 X)^-1``.
    p : (T, m, p, p) array
        ``P_i = -X'V^-1 V_i V^-1 X``.
    q : (T, m, m, p, p) array
        ``Q_ij = X'V^-1 V_i V^-1 V_j V^-1 X``, symmetrised in i and j.
    """

    theta: Floats
    loglik: Floats
    score: Floats
    expected: Floats
    observed: Floats
    beta: Floats
    phi: Floats
    p: Floats
    q: Floats

    def take(self, index: npt.NDArray[Any]) -> Evaluation:
        """Return some of the data sets."""
        return Evaluation(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


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


def blank(design: Design) -> Batch:
    """Return a batch of one data set without responses: what depends on the design alone."""
    none = np.zeros((1, design.n))
    return Batch(
        supply(design, none, None), np.array([float(design.n)]), np.ones(1),
        np.zeros((1, design.p)), np.zeros(1), np.ones(1, dtype=bool),
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
    count = len(design.residual.parameters)
    first = theta.shape[1] - count
    carried, valid = batch.rows.carried(theta[:, first:])
    valid = valid & batch.full_rank
    entered = list(range(first, first + batch.rows.carried_parameters))
    for level in design.levels:
        border = design.border if level is design.levels[-1] else None
        carried = sum_units(carried, level.starts) if border is None else scatter(carried, border)
        if level.width:
            own = theta[:, level.parameters]
            g = own @ level.diagonal if level.is_diagonal else np.tensordot(own, level.basis, 1)
            carried, definite = absorb(carried, g, level.parts)
            valid = valid & definite
            entered += [int(i) for i in level.parameters]
    carried = sum_units(carried, np.zeros(1, dtype=np.int64))
    if len(entered) < theta.shape[1]:
        last = np.where(theta[:, -1] > 0, theta[:, -1], 1.0)
        carried = add_last_residual(carried, theta[:, entered], last, batch.n)
        entered.append(theta.shape[1] - 1)
    second = [(first + i, first + j) for i, j in batch.rows.second_derivatives()]
    return _finish(reorder(carried, entered), theta, batch, design.p, valid, second)


def _finish(
    carried: Carried,
    theta: Floats,
    batch: Batch,
    p: int,
    valid: Bools,
    second: Sequence[tuple[int, int]],
) -> Evaluation:
    """Absorb X and read off the likelihood, its derivatives and the pieces for inference."""
    m = theta.shape[1]
    left, right = pairs(m)
    axx = carried.a[:, 0, :p, :p]
    axx = np.where(valid[:, None, None], (axx + axx.mT) / 2, np.eye(p))
    sign, log_det_x = np.linalg.slogdet(axx)
    valid = valid & (sign > 0)
    axx = np.where(valid[:, None, None], axx, np.eye(p))
    phi: Floats = np.asarray(np.linalg.inv(axx), dtype=np.float64)
    beta = phi @ carried.a[:, 0, :p, p:]
    left_over, _, _ = project(carried, p, phi[:, None], beta[:, None])
    q_form = left_over.a[:, 0, 0, 0]
    log_v = carried.log_det[:, 0]
    loglik = -0.5 * ((batch.n - p) * np.log(2 * np.pi) + log_v + log_det_x + q_form)
    score = -0.5 * (left_over.t_i[..., 0] - left_over.a_i[..., 0, 0, 0]).T
    expected, observed = np.empty((2, len(theta), m, m))
    q = np.empty((len(theta), m, m, p, p))
    half, ypypy = 0.5 * left_over.t_ij[..., 0].T, left_over.a_ij[..., 0, 0, 0].T
    expected[:, left, right] = expected[:, right, left] = half
    observed[:, left, right] = observed[:, right, left] = ypypy - half
    for at, (i, j) in enumerate(second):
        change = (left_over.t_second[at, :, 0] - left_over.a_second[at, :, 0, 0, 0]) / 2
        observed[:, i, j] += change
        observed[:, j, i] += change * (i != j)
    q[:, left, right] = q[:, right, left] = np.moveaxis(carried.a_ij[:, :, 0, :p, :p], 0, 1)
    return Evaluation(
        theta=theta,
        loglik=np.where(valid, loglik, -np.inf),
        score=score,
        expected=expected,
        observed=observed,
        beta=beta[..., 0],
        phi=phi,
        p=-np.moveaxis(carried.a_i[:, :, 0, :p, :p], 0, 1),
        q=q,
    )
