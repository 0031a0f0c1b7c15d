"""Test of a random term by the restricted likelihood ratio and its simulated null.

The ratio's textbook mixture of chi-squares rejects too often with few pairs (5 % tests reject
7.0, 5.9 and 5.4 % at 3, 6 and 12 pairs), because it needs many independent units.

References
----------
Crainiceanu, C. M. & Ruppert, D. (2004). Likelihood ratio tests in linear mixed models with one
variance component. JRSS B 66, 165-185.
Self, S. G. & Liang, K.-Y. (1987). Asymptotic properties of maximum likelihood estimators and
likelihood ratio tests under nonstandard conditions. JASA 82, 605-610: the mixture.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd
from scipy import special

from silagetrial.display.table import Table
from silagetrial.errors import UsageError
from silagetrial.mixed.checks import no_maximum
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.design import Design, make_design
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.likelihood import prepare
from silagetrial.mixed.maximise import Fits, maximise
from silagetrial.mixed.simulate import draw, over_chunks

__all__ = ["variance_test"]

ROUNDING = 1e-8
"""A simulated ratio this near the observed one counts as reaching it."""


def variance_test(fit: Fit, term: str, *, seed: int, draws: int = 2000, workers: int = 1) -> Table:
    """Test whether a random term is there at all.

    Parameters
    ----------
    fit : Fit
    term : str
        Name of the random term, as in ``fit.variances``.
    seed : int
        The same seed gives the same digits with any number of workers.
    draws : int
        Data sets drawn from the model without the term.
    workers : int
        Processes.

    Returns
    -------
    Table
        ``term statistic p_value p_value_mc_error draws failed mixture_p``; the statistic is
        ``2 (l_R with - l_R without)``, zero where the variance is estimated below zero: the
        test is of a variance above zero.
    """
    terms = fit.frame.terms
    names = [t.name for t in terms]
    if term not in names:
        raise UsageError(
            found=f"no random term {term!r}",
            expected="one of " + (", ".join(names) or "the random terms: the fit has none"),
            remedy="correct the name",
        )
    kept = [t for t in terms if t.name != term]
    smaller = make_design(fit.frame.x, kept, fit.frame.residual)
    null = maximise(smaller, prepare(smaller, fit.frame.y[None]))
    if not null.converged[0]:
        raise no_maximum(f"{fit.frame.formula} without {term}", smaller, null)
    places = [i for i, p in enumerate(fit.parameters) if p.term == term]
    theta = null.evaluation.theta[0] * np.delete(fit.units, places)
    lone = places[0] if len(places) == 1 else None
    work = _Ratios(fit.design, smaller, theta, lone)
    simulated = np.concatenate(over_chunks(work, draws=draws, seed=seed, workers=workers))
    good = simulated[np.isfinite(simulated)]
    statistic = float(_ratio(fit.fits, null, lone)[0])
    p = (1.0 + np.count_nonzero(good >= statistic - ROUNDING)) / (1.0 + len(good))
    frame = pd.DataFrame(
        {
            "term": [term],
            "statistic": [statistic],
            "p_value": [p],
            "p_value_mc_error": [np.sqrt(p * (1.0 - p) / len(good))],
            "draws": [len(good)],
            "failed": [draws - len(good)],
            "mixture_p": [_mixture(statistic) if lone is not None else np.nan],
        }
    )
    note = (
        f"Restricted likelihood ratio against its distribution in data drawn without {term}; "
        f"seed {seed}. The mixture p is liberal with few levels and stands for comparison."
    )
    return Table(frame, title=f"Test of the variance of {term}", notes=(note,))


@dataclass(frozen=True)
class _Ratios:
    """Draw data sets from the smaller model, fit both and give their likelihood ratios."""

    design: Design
    smaller: Design
    theta: Floats
    lone: int | None

    def __call__(self, rng: np.random.Generator, count: int) -> Floats:
        y = draw(self.smaller, np.zeros(self.smaller.p), self.theta, rng, count)
        fits, null = (maximise(d, prepare(d, y)) for d in (self.design, self.smaller))
        return _ratio(fits, null, self.lone)


def _ratio(fits: Fits, null: Fits, lone: int | None) -> Floats:
    """``2 (l - l_0)``, zero for a lone variance at or below zero, NaN without either fit."""
    good = fits.converged & null.converged
    ratio = 2.0 * np.where(good, fits.loglik, 0.0) - 2.0 * np.where(good, null.loglik, 0.0)
    if lone is not None:
        ratio = np.where(fits.evaluation.theta[:, lone] <= 0, 0.0, ratio)
    return np.where(good, np.maximum(ratio, 0.0), np.nan)


def _mixture(statistic: float) -> float:
    """Tail of half a point mass at zero and half a chi-square with one degree of freedom."""
    return 1.0 if statistic <= 0 else 0.5 * float(special.chdtrc(1.0, statistic))
