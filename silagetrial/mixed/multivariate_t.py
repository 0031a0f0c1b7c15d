r"""The largest of several correlated t statistics: its tail, its quantile, adjusted p-values.

With ``T = A theta rho / S`` (``A A' = R``, ``theta`` uniform on the unit sphere of dimension r, the
rank of R; ``rho^2`` chi-square on r; ``S^2`` chi-square on df over df) the radius integrates out,
for a singular R as for any other:

.. math:: P(\max_i |T_i| > c) = E_\theta\, \bar F_{r, df}\{c^2 / (r \max_i q_i)\},
          \qquad q_i = (a_i' \theta)^2 .

`direction_lattice` takes the expectation over theta, in one pass that serves every c and df, so
that tables and intervals come from the same numbers. Three control variates take most of its error
away, the first three Bonferroni sums ``S_m = sum over sets of m of P(all |T_i| > c)``: S_1 is the
Student t, S_2 is exact on the circle, S_3 is an integral over an ordinary sphere.

References
----------
Genz A, Bretz F (2009). Computation of Multivariate Normal and t Probabilities. Lecture Notes in
Statistics 195, Springer.
Sidak Z (1967). Rectangular confidence regions for the means of multivariate normal distributions.
Journal of the American Statistical Association 62, 626-633 (the upper bound).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import special

from silagetrial.errors import UsageError
from silagetrial.mixed.direction_lattice import (
    SHIFTS,
    DirectionRule,
    bin_projections,
    direction_rule,
)

__all__ = ["CriticalValue", "adjusted_p", "critical_value", "multivariate_t_cdf_abs"]

Floats = NDArray[np.float64]

LEAN = 1e-3
"""Pull of the control variates' weights to those of Bonferroni's series, as a share of variance."""
CORRELATION_TOLERANCE = 1e-8
ROOT_TOLERANCE = 1e-11
"""Relative, of the tail probability."""


@dataclass(frozen=True)
class CriticalValue:
    """Two-sided equicoordinate quantile: P(max |T_i| <= value) = level.

    Parameters
    ----------
    value : float
        The quantile, no unit.
    error : float
        Half-width of the 95 % interval of the lattice's error in `value`, from its shifts (bins
        add about 1e-6); 0 where the Student t is exact.
    probability_error : float
        The same for the tail probability at `value`.
    level : float
        Joint coverage.
    df : float
        Degrees of freedom, infinite for the normal.
    count, rank : int
        Statistics in the family, and how many of them are linearly independent.
    """

    value: float
    error: float
    probability_error: float
    level: float
    df: float
    count: int
    rank: int


def multivariate_t_cdf_abs(c: ArrayLike, correlation: ArrayLike, df: float) -> Floats:
    """Probability that no statistic of a family lies outside -c..c.

    Parameters
    ----------
    c : array_like
        Limits, any shape, not negative.
    correlation : array_like (k, k)
        Correlation matrix, which may be singular.
    df : float
        Degrees of freedom, any positive number; ``inf`` for the normal.

    Returns
    -------
    ndarray
        P(max |T_i| <= c), shape of `c`.

    Raises
    ------
    UsageError
        For a negative or missing limit, no correlation matrix, or df not positive.
    """
    limits = np.asarray(c, dtype=np.float64)
    if not np.all(limits >= 0.0):
        raise UsageError(
            found="a limit c that is negative or missing",
            expected="limits of zero or more",
            remedy="give the size of the statistic, without sign",
        )
    return 1.0 - _tail(limits.ravel(), _rule_of(correlation), _checked_df(df)).reshape(limits.shape)


def adjusted_p(statistics: ArrayLike, correlation: ArrayLike, df: float) -> Floats:
    """p-value of each statistic against the largest of its family, P(max |T| >= abs(t_i)).

    It comes from the lattice of `critical_value`: p < 1 - level if and only if abs(t_i) passes the
    critical value. It lies between the unadjusted p and that of Sidak (1967).

    Parameters
    ----------
    statistics : array_like (k,)
        The t statistics.
    correlation : array_like (k, k)
        Their correlation matrix, which may be singular.
    df : float
        Degrees of freedom, any positive number; ``inf`` for the normal.

    Returns
    -------
    ndarray (k,)
        Adjusted two-sided p-values.

    Raises
    ------
    UsageError
        For statistics not finite or not one per row, no correlation matrix, or df not positive.
    """
    rule = _rule_of(correlation)
    t = np.asarray(statistics, dtype=np.float64)
    if t.shape != (rule.count,) or not np.all(np.isfinite(t)):
        raise UsageError(
            found=f"statistics of shape {t.shape}, {np.count_nonzero(~np.isfinite(t))} not finite",
            expected=f"{rule.count} finite statistics, one per row of the correlation matrix",
            remedy="leave contrasts without an answer out of the family",
        )
    return _tail(np.abs(t), rule, _checked_df(df))


def critical_value(correlation: ArrayLike, df: float, *, level: float = 0.95) -> CriticalValue:
    """Two-sided equicoordinate critical value of a family of t statistics.

    At 95 % and 5 or more df the stated error stays under 1e-5 up to rank 3, under 1e-4 for most
    families up to rank 8, and reaches 5e-4 where ten or more statistics are closely correlated
    (1.4e-3 above 16, where S_3 is left out).

    Parameters
    ----------
    correlation : array_like (k, k)
        Correlation matrix, which may be singular.
    df : float
        Degrees of freedom, any positive number; ``inf`` for the normal.
    level : float
        Joint coverage, between 0 and 1.

    Returns
    -------
    CriticalValue
        The value with its stated error.

    Raises
    ------
    UsageError
        For a level outside 0..1, no correlation matrix, or df not positive.
    """
    if not 0.0 < level < 1.0:
        raise UsageError(
            found=f"level {level}",
            expected="a joint coverage between 0 and 1",
            remedy="write 95 % as 0.95",
        )
    rule, df, alpha = _rule_of(correlation), _checked_df(df), 1.0 - level
    single = _student_quantile(alpha, df)
    if rule.rank == 1:
        return CriticalValue(single, 0.0, 0.0, level, df, rule.count, rule.rank)
    sidak = _student_quantile(-math.expm1(math.log(level) / rule.count), df)
    value = _root(rule, df, alpha, single, sidak)
    near = value * np.array([1.0 - 1e-4, 1.0 + 1e-4])
    slope = float(np.diff(_tail(near, rule, df))[0] / np.diff(near)[0])
    by_shift = _tail_by_shift(np.array([value]), rule, df)[:, 0]
    spread = float(by_shift.std(ddof=1)) / math.sqrt(SHIFTS)
    p_error = float(special.stdtrit(SHIFTS - 1, 0.975)) * spread
    return CriticalValue(value, p_error / -slope, p_error, level, df, rule.count, rule.rank)


def _root(rule: DirectionRule, df: float, alpha: float, low: float, high: float) -> float:
    """Where the tail is alpha, between the Student t and the Sidak quantile (Illinois rule)."""
    f_low, f_high = (math.log(p / alpha) for p in _tail(np.array([low, high]), rule, df))
    if f_high > -ROOT_TOLERANCE:
        return high
    middle, f_middle, before = low, f_low, 0.0
    while abs(f_middle) > ROOT_TOLERANCE and high - low > ROOT_TOLERANCE * high:
        middle = high - f_high * (high - low) / (f_high - f_low)
        f_middle = math.log(float(_tail(np.array([middle]), rule, df)[0]) / alpha)
        stuck = 0.5 if f_middle * before > 0.0 else 1.0
        if f_middle > 0.0:
            low, f_low, f_high = middle, f_middle, f_high * stuck
        else:
            high, f_high, f_low = middle, f_middle, f_low * stuck
        before = f_middle
    return middle


def _tail(c: Floats, rule: DirectionRule, df: float) -> Floats:
    """P(max |T_i| > c), shape (len(c),), kept between its bounds."""
    single = _student_tail(c, df)
    if rule.rank == 1:
        return single
    sidak = -np.expm1(special.xlog1py(rule.count, -single))
    return np.asarray(np.clip(_tail_by_shift(c, rule, df).mean(axis=0), single, sidak))


def _tail_by_shift(c: Floats, rule: DirectionRule, df: float) -> Floats:
    """P(max |T_i| > c) by each shift of the lattice, shape (SHIFTS, len(c))."""
    radial = _radial_tail(c, rule.rank, df)
    measured = rule.measured @ radial.T
    known = [np.broadcast_to(rule.count * _student_tail(c, df), (SHIFTS, len(c)))]
    for dimension, measure in enumerate(rule.known, start=2):
        known.append(measure @ _radial_tail(c, dimension, df).T)
    weights = np.array([_control_weights(row, rule) for row in radial])
    excess = measured[:, 1:] - np.stack(known, axis=1)
    return np.asarray(measured[:, 0] - np.einsum("smc,cm->sc", excess, weights))


def _control_weights(radial: Floats, rule: DirectionRule) -> Floats:
    """Regression of the tail on its control variates over directions, shape (m,).

    It leans towards the Bonferroni series +1, -1, +1: where controls are nearly constant (three
    statistics at equal angles) free weights would run away and multiply rounding.
    """
    tails = radial[rule.thinned]
    controls = tails @ rule.sums
    controls -= controls.mean(axis=0)
    target = tails[:, -1] - tails[:, -1].mean()
    series = (-1.0) ** np.arange(controls.shape[1])
    lean = LEAN * (target @ target) + np.finfo(np.float64).tiny
    normal = controls.T @ controls + lean * np.eye(len(series))
    return np.asarray(series + np.linalg.solve(normal, controls.T @ (target - controls @ series)))


def _radial_tail(c: Floats, rank: int, df: float) -> Floats:
    """P(rho^2 q / S^2 > c^2) at the q of each bin of directions, shape (len(c), BINS)."""
    ratio = (c[:, None] / bin_projections()) ** 2
    tail = special.chdtrc(rank, ratio) if math.isinf(df) else special.fdtrc(rank, df, ratio / rank)
    return np.asarray(tail)


def _student_tail(c: Floats, df: float) -> Floats:
    return np.asarray(2.0 * (special.ndtr(-c) if math.isinf(df) else special.stdtr(df, -c)))


def _student_quantile(p: float, df: float) -> float:
    return float(-(special.ndtri(p / 2.0) if math.isinf(df) else special.stdtrit(df, p / 2.0)))


def _checked_df(df: float) -> float:
    if not df > 0.0:
        raise UsageError(
            found=f"{df} degrees of freedom",
            expected="a positive number, or infinity for the normal",
            remedy="use the smallest degrees of freedom of the family",
        )
    return float(df)


def _rule_of(correlation: ArrayLike) -> DirectionRule:
    matrix = np.array(correlation, dtype=np.float64, ndmin=2)
    square = matrix.ndim == 2 and matrix.shape[0] == matrix.shape[1] > 0
    if not (
        square
        and np.all(np.isfinite(matrix))
        and np.allclose(matrix, matrix.T, rtol=0.0, atol=CORRELATION_TOLERANCE)
        and np.allclose(np.diag(matrix), 1.0, rtol=0.0, atol=CORRELATION_TOLERANCE)
        and np.linalg.eigvalsh(matrix)[0] > -CORRELATION_TOLERANCE * len(matrix)
    ):
        raise UsageError(
            found=f"a matrix of shape {matrix.shape} that is not a correlation matrix",
            expected="a square symmetric matrix, ones on its diagonal, no negative eigenvalue",
            remedy="divide a covariance matrix by its standard deviations; leave out missing rows",
        )
    return direction_rule(matrix)
