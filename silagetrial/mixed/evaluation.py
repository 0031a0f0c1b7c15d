"""The restricted likelihood at one parameter vector per data set, and what goes with it."""

from __future__ import annotations

from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from silagetrial.mixed.carried import pairs
from silagetrial.mixed.covariance import Floats

__all__ = ["Evaluation"]


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
    a, a_i, a_ij : (T, p, p), (T, k, p, p), (T, k (k + 1) / 2, p, p) arrays
        ``X'V^-1 X``, ``X'V^-1 V_i V^-1 X`` and ``X'V^-1 V_i V^-1 V_j V^-1 X``, symmetrised, of
        the first k parameters: all, or all but the last one, which follows from linearity.
    """

    theta: Floats
    loglik: Floats
    score: Floats
    expected: Floats
    observed: Floats
    beta: Floats
    phi: Floats
    a: Floats
    a_i: Floats
    a_ij: Floats

    def take(self, index: npt.NDArray[Any]) -> Evaluation:
        """Return some of the data sets."""
        return Evaluation(**{f.name: getattr(self, f.name)[index] for f in fields(self)})

    @cached_property
    def p(self) -> Floats:
        """``P_i = -X'V^-1 V_i V^-1 X``, (T, m, p, p)."""
        if self.a_i.shape[1] == self.theta.shape[1]:
            return -self.a_i
        last = _last(self.theta, self.a, self.a_i)
        return -np.concatenate([self.a_i, last[:, None]], axis=1)

    @cached_property
    def q(self) -> Floats:
        """``Q_ij = X'V^-1 V_i V^-1 V_j V^-1 X``, symmetrised in i and j, (T, m, m, p, p)."""
        t, m = self.theta.shape
        k = self.a_i.shape[1]
        left, right = pairs(k)
        inner = np.empty((t, k, k, *self.a.shape[1:]))
        inner[:, left, right] = inner[:, right, left] = self.a_ij
        if k == m:
            return inner
        cross = _last(self.theta[:, None], -self.p[:, :-1], inner)
        q = np.empty((t, m, m, *self.a.shape[1:]))
        q[:, :k, :k] = inner
        q[:, k, :k] = q[:, :k, k] = cross
        q[:, k, k] = _last(self.theta, -self.p[:, -1], cross)
        return q


def _last(theta: Floats, whole: Floats, others: Floats) -> Floats:
    """What the last variance adds, of ``sum_i theta_i x_i = x``."""
    weighted = (theta[..., :-1, None, None] * others).sum(axis=-3)
    return np.asarray((whole - weighted) / theta[..., -1, None, None])
