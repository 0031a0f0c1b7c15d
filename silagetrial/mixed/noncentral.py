r"""Noncentral t and F by integrating over the error's standard deviation.

With ``u = s / sigma``, ``nu u^2`` chi-square with nu degrees of freedom, every probability wanted
is an expectation over u of one about normal variables:

.. math:: P(T \le t) = E\,\Phi(t u - \delta), \qquad
          P(F \le f) = E\,P(\chi'^2_q(\lambda) \le q f u^2).

Gauss-Legendre in ``u^(1/4)``, in which the density is smooth at zero from 1 degree of freedom on.
scipy's nctdtr and ncfdtr give no number at some noncentralities above 8 (scipy 1.17).

References
----------
Johnson, N. L., Kotz, S. & Balakrishnan, N. (1995). Continuous Univariate Distributions, volume 2,
2nd ed., chapters 30 and 31.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache

import numpy as np
import numpy.typing as npt
from scipy import special

from silagetrial.mixed.covariance import Floats

__all__ = ["noncentral_f_cdf", "noncentral_t_cdf", "over_deviation"]

NODES = 400
NEAR = 7.5
"""Noncentrality up to which scipy's nctdtr is trusted."""
TAIL = 1e-15
"""Probability left out at each end of u."""


def over_deviation(
    inside: Callable[[Floats], Floats], df: npt.ArrayLike, upper: npt.ArrayLike = np.inf
) -> Floats:
    """Integrate a function of ``u = s / sigma`` over its distribution, up to a limit.

    Parameters
    ----------
    inside : callable
        From u, (..., nodes), to values of the same shape.
    df : array_like
        Degrees of freedom of s; infinite: u is 1.
    upper : array_like
        Largest u that counts.

    Returns
    -------
    array
        Of the shape of `df` and `upper` together.
    """
    df, upper = np.broadcast_arrays(np.asarray(df, dtype=float), np.asarray(upper, dtype=float))
    finite = np.isfinite(df)
    nu = np.where(finite, df, 1.0)[..., None]
    ends = np.sqrt(special.chdtri(nu, np.array([1.0 - TAIL, TAIL])) / nu)
    top = np.minimum(ends[..., 1], np.maximum(upper, 0.0)) ** 0.25
    bottom = np.minimum(ends[..., 0] ** 0.25, top)
    node, weight = _rule()
    half = ((top - bottom) / 2.0)[..., None]
    v = bottom[..., None] + half * (1.0 + node)
    u = np.where(finite[..., None], v**4, 1.0)
    log_density = (
        np.log(8.0) + nu / 2.0 * np.log(nu / 2.0) - special.gammaln(nu / 2.0)
        + (4.0 * nu - 1.0) * np.log(np.maximum(v, 1e-300)) - nu * v**8 / 2.0
    )  # fmt: skip
    values = inside(u)
    found = (values * np.exp(log_density) * weight * half).sum(axis=-1)
    return np.asarray(np.where(finite, found, np.where(upper >= 1.0, values[..., 0], 0.0)))


def noncentral_t_cdf(t: npt.ArrayLike, df: npt.ArrayLike, noncentrality: npt.ArrayLike) -> Floats:
    """P(T <= t) of the noncentral t, good to 1e-10 at any noncentrality from 1 df.

    By scipy's nctdtr, much the faster, up to the noncentrality where it begins to give no number.
    """
    t, df, nc = np.broadcast_arrays(*(np.asarray(x, dtype=float) for x in (t, df, noncentrality)))
    near = np.isfinite(df) & (np.abs(nc) < NEAR)
    # P(T <= t) with noncentrality nc is P(T >= -t) with -nc.
    turned = nc < 0
    below = special.nctdtr(np.where(near, df, 1.0), np.where(near, np.abs(nc), 0.0),
                           np.where(turned, -t, t))  # fmt: skip
    found = np.asarray(np.where(turned, 1.0 - below, below))
    far = ~(near & np.isfinite(found))
    if far.any():
        at, shift = t[far][:, None], nc[far][:, None]

        def below_t(u: Floats) -> Floats:
            """Normal area below t at a deviation u."""
            return np.asarray(special.ndtr(at * u - shift), dtype=np.float64)

        found[far] = over_deviation(below_t, df[far])
    return np.asarray(np.clip(found, 0.0, 1.0), dtype=np.float64)


def noncentral_f_cdf(
    f: npt.ArrayLike, num_df: int, den_df: npt.ArrayLike, noncentrality: npt.ArrayLike
) -> Floats:
    """P(F <= f) of the noncentral F, good to 1e-10 from 1 denominator df."""
    f, df, nc = np.broadcast_arrays(
        *(np.asarray(x, dtype=float) for x in (f, den_df, noncentrality))
    )
    scaled, shift, q = num_df * f[..., None], nc[..., None], float(num_df)

    def below(u: Floats) -> Floats:
        """Chi-square area below f at a deviation u."""
        return np.asarray(special.chndtr(scaled * u**2, q, shift), dtype=np.float64)

    return np.clip(over_deviation(below, df), 0.0, 1.0)


@cache
def _rule() -> tuple[Floats, Floats]:
    return np.polynomial.legendre.leggauss(NODES)
