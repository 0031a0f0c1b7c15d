r"""Power of t and F tests, of equivalence and of non-inferiority, from the exact distributions.

With a contrast of true size d, standard error se and an error variance of nu degrees of freedom,
``t = estimate / standard error`` is noncentral t with noncentrality ``d / se``; an F statistic of q
contrasts is noncentral F with noncentrality ``(Lb)'(L V L')^-1 (Lb)``.  Both tails of a two-sided
test count.  Infinite degrees of freedom give the normal and the chi-square.

Equivalence by two one-sided tests, both of which use the same standard error, by Owen's integral:
with ``u = s / sigma`` of density f,

.. math:: \int_0^{u_1} \left[\Phi\left(\frac{high - d}{se} - t u\right)
          - \Phi\left(\frac{low - d}{se} + t u\right)\right] f(u)\, du,
          \quad u_1 = (high - low) / (2\, t\, se).

The difference of two noncentral t tails in its place is wrong: it may be negative.

References
----------
Owen, D. B. (1965). A special case of a bivariate non-central t-distribution. Biometrika 52,
437-446.
Phillips, K. F. (1990). Power of the two one-sided tests procedure in bioequivalence. J.
Pharmacokin. Biopharm. 18, 137-144.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import special

from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.noncentral import noncentral_f_cdf, noncentral_t_cdf, over_deviation
from silagetrial.mixed.smallsample import t_quantile

__all__ = [
    "OWEN_ERROR",
    "equivalence_power",
    "f_power",
    "non_inferiority_power",
    "t_power",
    "variance_factor",
]

OWEN_ERROR = 1e-9
"""Error of `equivalence_power` from 1 degree of freedom, measured against more nodes."""


def t_power(
    difference: npt.ArrayLike,
    std_error: npt.ArrayLike,
    df: npt.ArrayLike,
    *,
    alpha: float = 0.05,
    critical: npt.ArrayLike | None = None,
) -> Floats:
    """Power of the two-sided t test, both tails.

    Parameters
    ----------
    difference, std_error, df : array_like
        True difference, its standard error (above zero) and the error's degrees of freedom.
    alpha : float
        Size of the test.
    critical : array_like, optional
        Critical value of |t|, in place of the one that `alpha` gives.

    Returns
    -------
    array
    """
    nc = np.abs(np.asarray(difference, dtype=float) / np.asarray(std_error, dtype=float))
    limit = t_quantile(1.0 - alpha, np.asarray(df)) if critical is None else np.asarray(critical)
    return 1.0 - noncentral_t_cdf(limit, df, nc) + noncentral_t_cdf(-limit, df, nc)


def f_power(
    noncentrality: npt.ArrayLike, num_df: int, den_df: npt.ArrayLike, *, alpha: float = 0.05
) -> Floats:
    """Power of the F test.

    Parameters
    ----------
    noncentrality : array_like
        ``(Lb)'(L V L')^-1 (Lb)``.
    num_df : int
    den_df : array_like
    alpha : float
    """
    df = np.asarray(den_df, dtype=float)
    finite = np.isfinite(df)
    limit = np.where(
        finite,
        special.fdtri(num_df, np.where(finite, df, 1.0), 1.0 - alpha),
        special.chdtri(num_df, alpha) / num_df,
    )
    return 1.0 - noncentral_f_cdf(limit, num_df, df, noncentrality)


def non_inferiority_power(
    difference: npt.ArrayLike,
    std_error: npt.ArrayLike,
    df: npt.ArrayLike,
    *,
    margin: float,
    alpha: float = 0.025,
) -> Floats:
    """Power to show that a difference is below a margin, by one one-sided test.

    Parameters
    ----------
    difference, std_error, df : array_like
        True difference (higher is worse), its standard error and degrees of freedom.
    margin : float
        Largest difference that does not matter.
    alpha : float
        Size of the one-sided test.
    """
    nc = (margin - np.asarray(difference, dtype=float)) / np.asarray(std_error, dtype=float)
    limit = t_quantile(1.0 - 2.0 * alpha, np.asarray(df))
    return 1.0 - noncentral_t_cdf(limit, df, nc)


def equivalence_power(
    difference: npt.ArrayLike,
    std_error: npt.ArrayLike,
    df: npt.ArrayLike,
    *,
    low: float,
    high: float,
    alpha: float = 0.05,
) -> Floats:
    """Power of two one-sided tests, by Owen's integral; error at most `OWEN_ERROR`.

    Parameters
    ----------
    difference, std_error, df : array_like
        True difference, its standard error and degrees of freedom.
    low, high : float
        Margins.
    alpha : float
        Size of each of the two tests.
    """
    d, se, df = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (difference, std_error, df))
    )
    t = t_quantile(1.0 - 2.0 * alpha, df)
    upper, lower = (((end - d) / se)[..., None] for end in (high, low))

    def shown(u: Floats) -> Floats:
        """Area of estimates that show it at a deviation u."""
        inside = special.ndtr(upper - t[..., None] * u) - special.ndtr(lower + t[..., None] * u)
        return np.asarray(np.maximum(inside, 0.0))

    return over_deviation(shown, df, (high - low) / (2.0 * t * se))


def variance_factor(df: npt.ArrayLike, *, confidence: float = 0.8) -> Floats:
    """Upper confidence limit of a variance, in estimates: ``nu / chi2(1 - confidence; nu)``.

    A trial planned with this multiple of an estimated variance has its power with the given
    confidence.

    Parameters
    ----------
    df : array_like
        Degrees of freedom of the estimate; infinite give 1.
    confidence : float
    """
    df = np.asarray(df, dtype=float)
    finite = np.isfinite(df)
    safe = np.where(finite, df, 1.0)
    return np.asarray(np.where(finite, safe / special.chdtri(safe, confidence), 1.0))
