"""Inference for fixed effects in small samples: Kenward-Roger and Satterthwaite.

References
----------
Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from
restricted maximum likelihood. Biometrics 53, 983-997.
Giesbrecht, F. G. & Burns, J. C. (1985). Two-stage analysis based on a mixed model.
Biometrics 41, 477-486.  Fai, A. H. T. & Cornelius, P. L. (1996). Approximate F-tests of
multiple degree of freedom hypotheses. J. Statist. Comput. Simul. 54, 363-378.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
from scipy import special

from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.evaluation import Evaluation

Method: TypeAlias = Literal["kenward-roger", "satterthwaite"]


@dataclass(frozen=True)
class FTest:
    """F tests of ``L b = 0`` for T data sets.

    Attributes
    ----------
    num_df : int
        Rank q of L.
    den_df, statistic, p_value : (T,) arrays
    scaling : (T,) array
        Kenward and Roger's lambda, already in `statistic`; 1 for Satterthwaite.
    a1, a2 : (T,) arrays
        Kenward and Roger's A1 and A2; NaN for Satterthwaite.
    """

    num_df: int
    den_df: Floats
    statistic: Floats
    p_value: Floats
    scaling: Floats
    a1: Floats
    a2: Floats


def theta_covariance(at: Evaluation) -> Floats:
    """W, (T, m, m): inverse of the expected information on the (co)variances."""
    d = np.sqrt(np.diagonal(at.expected, axis1=1, axis2=2))
    scaled = at.expected / (d[:, :, None] * d[:, None, :])
    return np.asarray(np.linalg.inv(scaled) / (d[:, :, None] * d[:, None, :]))


def kenward_roger_covariance(at: Evaluation) -> Floats:
    """Return the adjusted covariance matrix of the coefficients, (T, p, p).

    ``Phi_A = Phi + 2 Phi {sum_ij W_ij (Q_ij - P_i Phi P_j)} Phi``; the structure is linear
    in its parameters, so the second-derivative term is zero.
    """
    w = theta_covariance(at)
    t, m, p, _ = at.p.shape
    weighted_p = (w @ at.p.reshape(t, m, p * p)).reshape(at.p.shape)
    inner = (w.reshape(t, 1, m * m) @ at.q.reshape(t, m * m, p * p)).reshape(t, p, p)
    inner = inner - (at.p @ at.phi[:, None] @ weighted_p).sum(axis=1)
    adjusted = at.phi + 2.0 * at.phi @ inner @ at.phi
    return np.asarray((adjusted + adjusted.mT) / 2)


def contrast_df(at: Evaluation, rows: Floats, w: Floats) -> Floats:
    """Degrees of freedom of each contrast ``l'b``: ``2 (l'Phi l)^2 / (g'W g)``.

    Parameters
    ----------
    rows : (r, p) array
        Contrasts of the orthonormal coefficients.
    w : (T, m, m) array
        Covariance of the (co)variance estimates: from the expected information this is
        Kenward and Roger's, from the observed one Satterthwaite's.

    Returns
    -------
    (T, r) array
        Infinite where no (co)variance touches the contrast.
    """
    lp = rows @ at.phi
    variance = np.einsum("tra,ra->tr", lp, rows)
    gradient = -((lp[:, None] @ at.p) * lp[:, None]).sum(axis=-1).mT
    spread = np.einsum("tri,tij,trj->tr", gradient, w, gradient)
    positive = spread > 0
    return np.where(positive, 2.0 * variance**2 / np.where(positive, spread, 1.0), np.inf)


def kenward_roger_f(at: Evaluation, rows: Floats, value: Floats) -> FTest:
    """Kenward and Roger's scaled F test of ``L b = 0``.

    Parameters
    ----------
    rows : (q, p) array
        Independent rows L on the orthonormal coefficients.
    value : (T, q) array
        Estimates L b, in units of the batch's scale.
    """
    q = len(rows)
    w = theta_covariance(at)
    f = _quadratic(value, rows @ kenward_roger_covariance(at) @ rows.T) / q
    phi_l = at.phi @ rows.T
    middle = np.linalg.inv(rows @ phi_l)
    theta = phi_l @ middle @ phi_l.mT  # Phi L'(L Phi L')^-1 L Phi
    u = theta[:, None] @ at.p  # its trace and products are those of Theta Phi P_i Phi
    traces = np.trace(u, axis1=2, axis2=3)
    products = np.einsum("tiab,tjba->tij", u, u)
    a1 = np.einsum("tij,ti,tj->t", w, traces, traces)
    a2 = np.einsum("tij,tij->t", w, products)
    if q == 1:
        # Lambda is exactly 1 and m = 2 / A; the general form loses all digits near m = 2.
        df, scaling = (
            np.where(a2 > 0, 2.0 / np.where(a2 > 0, a2, 1.0), np.inf),
            np.ones(len(a2)),
        )
    else:
        df, scaling = _f_moments(a1, a2, q)
    f = scaling * f
    return FTest(q, df, f, f_tail(f, q, df), scaling, a1, a2)


def _quadratic(value: Floats, covariance: Floats) -> Floats:
    """Return ``v' C^-1 v`` of stacked vectors and matrices."""
    solved = np.linalg.solve(covariance, value[..., None])[..., 0]
    return np.asarray((value * solved).sum(axis=1))


def _f_moments(a1: Floats, a2: Floats, q: int) -> tuple[Floats, Floats]:
    """Denominator df m and lambda from A1 and A2 by matching two moments of F."""
    touched = a2 > 0
    a2 = np.where(touched, a2, 1.0)
    b = (a1 + 6.0 * a2) / (2.0 * q)
    g = ((q + 1.0) * a1 - (q + 4.0) * a2) / ((q + 2.0) * a2)
    d = 3.0 * q + 2.0 * (1.0 - g)
    c1, c2, c3 = g / d, (q - g) / d, (q + 2.0 - g) / d
    v0, v1, v2 = 1.0 + c1 * b, 1.0 - c2 * b, 1.0 - c3 * b
    v0 = np.where(np.abs(v0) < 1e-10, 0.0, v0)
    mean = 1.0 - a2 / q
    tiny = (np.abs(mean) < 1e-10) & (np.abs(v1) < 1e-10)
    ratio = np.where(tiny, 1.0, mean / np.where(tiny | (v1 == 0), 1.0, v1))
    # m = 4 + (q + 2) / (q rho - 1) with q rho = ratio^2 v0 / v2, written so that v2 may be 0.
    over = ratio**2 * v0 - v2
    m = 4.0 + np.where(over == 0, np.inf, (q + 2.0) * v2 / np.where(over == 0, 1.0, over))
    near_two = np.abs(m - 2.0) < 0.01
    scaling = np.where(near_two, 1.0, m * mean / np.where(near_two, 1.0, m - 2.0))
    return np.where(touched, m, np.inf), np.where(touched, scaling, 1.0)


def satterthwaite_f(at: Evaluation, rows: Floats, value: Floats, w: Floats) -> FTest:
    """F test of ``L b = 0`` with Fai and Cornelius' denominator degrees of freedom.

    Parameters
    ----------
    rows : (q, p) array
        Independent rows L on the orthonormal coefficients.
    value : (T, q) array
        Estimates L b, in units of the batch's scale.
    w : (T, m, m) array
        Covariance of the (co)variance estimates from the observed information.
    """
    q = len(rows)
    covariance = rows @ at.phi @ rows.T
    f = _quadratic(value, covariance) / q
    _, vector = np.linalg.eigh(covariance)
    nus = np.stack(
        [
            contrast_df(at.take(np.array([t])), vector[t].T @ rows, w[t : t + 1])[0]
            for t in range(len(f))
        ]
    )
    df = np.array([_pooled_df(nu) for nu in nus])
    nothing = np.full(len(f), np.nan)
    return FTest(q, df, f, f_tail(f, q, df), np.ones(len(f)), nothing, nothing)


def _pooled_df(nu: Floats) -> float:
    """Denominator df of an F whose q squared t statistics have these df."""
    if np.ptp(nu) < 1e-8 * nu.max():
        return float(nu.mean())
    if (nu <= 2.0).any():
        return 2.0
    total = float((nu / (nu - 2.0)).sum())
    return 2.0 * total / (total - len(nu))


def f_tail(f: Floats, num_df: int, den_df: Floats) -> Floats:
    """Upper tail area of F; infinite denominator df give the chi-square's."""
    finite = np.isfinite(den_df)
    tail = special.fdtrc(float(num_df), np.where(finite, den_df, 1.0), np.maximum(f, 0.0))
    if np.all(finite):  # mostly, and the other tail costs several times as much
        return np.asarray(tail)
    return np.where(finite, tail, special.chdtrc(float(num_df), num_df * np.maximum(f, 0.0)))


def t_tail(t: Floats, df: Floats) -> Floats:
    """Two-sided tail area of Student's t; infinite df give the normal's."""
    return f_tail(np.asarray(t) ** 2, 1, np.asarray(df))


def t_quantile(level: float, df: Floats) -> Floats:
    """Two-sided critical value of Student's t; infinite df give the normal's."""
    df = np.asarray(df, dtype=float)
    finite = np.isfinite(df)
    half = (1.0 + level) / 2.0
    return np.where(finite, special.stdtrit(np.where(finite, df, 1.0), half), special.ndtri(half))
