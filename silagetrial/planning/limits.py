"""Values below the laboratory's limit: how many there will be, and what they take off a comparison.

The analysis counts a value below the limit as half the limit, up to half of the values of a
binding at an opening; beyond that the opening is counted and not modelled.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np
from scipy import special

from silagetrial.mixed.covariance import Floats
from silagetrial.planning.assumptions import COMPONENTS

__all__ = ["MOST_BELOW", "BelowLimit", "below_limit"]

MOST_BELOW = 0.5
"""Share below the limit beyond which an opening is counted, not modelled."""
NODES = 60
SHARED = ("site", "run", "pair")
"""What both bales of a pair have in common."""


@dataclass(frozen=True)
class BelowLimit:
    """What a limit does to the difference between two bindings.

    Attributes
    ----------
    first, second : float
        Share of values below the limit with the first and the second binding of the contrast.
    difference : float
        Mean difference of logarithms that is left.
    widening : float
        Standard deviation of the difference within a pair, in multiples of what it is without a
        limit; below 1 where substitution hides spread.
    """

    first: float
    second: float
    difference: float
    widening: float


def below_limit(variances: Floats, *, limit: float, first: float, second: float) -> BelowLimit:
    """Work out shares below a limit and the difference that half the limit leaves.

    Parameters
    ----------
    variances : (6,) array
        Of logarithms, in the order of `COMPONENTS`.
    limit : float
        The laboratory's limit, in the response's unit.
    first, second : float
        Medians of the two bindings.

    Notes
    -----
    Means and variances of a normal variable with its values below the limit replaced are exact;
    the covariance within a pair is integrated over what its bales share (Gauss-Hermite).  The
    standard error is taken to change as the standard deviation of a pair's difference does,
    which is approximate.
    """
    shared = sum(float(variances[COMPONENTS.index(name)]) for name in SHARED)
    own = float(variances.sum()) - shared
    node, weight = _normal_nodes()
    at = np.log(limit)
    found = [_replaced(np.log(m) + np.sqrt(shared) * node, own, at) for m in (first, second)]
    means = [weight @ mean for mean, _, _ in found]
    squares = [weight @ square for _, square, _ in found]
    product = weight @ (found[0][0] * found[1][0])
    spread = squares[0] + squares[1] - 2.0 * product - (means[0] - means[1]) ** 2
    shares = [float(weight @ share) for _, _, share in found]
    widening = float(np.sqrt(spread / (2.0 * own)))
    return BelowLimit(shares[0], shares[1], float(means[0] - means[1]), widening)


@cache
def _normal_nodes() -> tuple[Floats, Floats]:
    """Nodes and weights of the mean over a standard normal variable."""
    node, weight = np.polynomial.hermite_e.hermegauss(NODES)
    return node, weight / weight.sum()


def _replaced(mean: Floats, variance: float, limit: float) -> tuple[Floats, Floats, Floats]:
    """Mean and mean square of normal variables with half the limit below it; share below."""
    sd, half = np.sqrt(variance), limit - np.log(2.0)
    c = (limit - mean) / sd
    share = special.ndtr(c)
    density = np.exp(-(c**2) / 2.0) / np.sqrt(2.0 * np.pi)
    first = share * half + (1.0 - share) * mean + sd * density
    second = share * half**2 + (1.0 - share) * (mean**2 + variance) + sd * density * (mean + limit)
    return first, second, share
