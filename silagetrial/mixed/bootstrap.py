"""Parametric bootstrap-t of linear functions of the coefficients.

Data sets are drawn from the fitted model and fitted again; ``t* = (l'b* - l'b) / se*`` with
Kenward and Roger's standard error of each.  The distribution of t* does not depend on the
coefficients (y - Xb is all that REML sees), so that they are drawn as zeros; the same t* give
the interval and, being the distribution of t when ``l'b = 0``, the p value.

References
----------
Efron, B. & Tibshirani, R. J. (1993). An Introduction to the Bootstrap. Chapman & Hall,
section 12.5 (bootstrap-t).
Davison, A. C. & Hinkley, D. V. (1997). Bootstrap Methods and their Application. Cambridge,
section 4.2 (p = (1 + exceedances) / (1 + draws)).
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.mixed import smallsample
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.design import Design
from silagetrial.mixed.estimates import contrasts, labelled
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import check_choice, check_level
from silagetrial.mixed.functions import Functions
from silagetrial.mixed.likelihood import prepare
from silagetrial.mixed.maximise import maximise
from silagetrial.mixed.simulate import draw, over_chunks

__all__ = ["Bootstrap", "bootstrap"]

Interval: TypeAlias = Literal["equal tails", "symmetric"]
MOST_FAILED = 0.1
"""Share of data sets without a fit above which there is no answer."""


@dataclass(frozen=True)
class Bootstrap:
    """A bootstrap of r functions.

    Attributes
    ----------
    table : Table
        In the one vocabulary, with the Monte Carlo standard errors of the ends and of p.
    statistics : (draws, r) array
        t* of each data set; NaN where it could not be fitted.
    failed : int
        Data sets that could not be fitted.
    """

    table: Table
    statistics: Floats
    failed: int


def bootstrap(
    fit: Fit,
    functions: Functions | npt.ArrayLike,
    *,
    seed: int,
    draws: int = 2000,
    workers: int = 1,
    level: float = 0.95,
    method: Interval = "equal tails",
    names: Sequence[str] | None = None,
) -> Bootstrap:
    """Bootstrap-t intervals and p values of linear functions of the coefficients.

    Parameters
    ----------
    fit : Fit
    functions : Functions or (r, columns) array
    seed : int
        The same seed gives the same digits with any number of workers.
    draws : int
        Data sets simulated.
    workers : int
        Processes.
    level : float
        Confidence level.
    method : {"equal tails", "symmetric"}
        Quantiles of t* on each side, or of its size; the p value goes with them.
    names : sequence of str, optional
        Terms, when plain weights are given.

    Returns
    -------
    Bootstrap

    Raises
    ------
    NoAnswer
        More than a tenth of the data sets cannot be fitted.
    """
    check_choice("method", method, ("equal tails", "symmetric"))
    check_level(level)
    functions = labelled(functions, names)
    exact = contrasts(fit, functions, level=level)
    work = _Refits(fit.design, fit.theta, functions.rows[:, fit.frame.kept], fit.from_orthonormal)
    t = np.concatenate(over_chunks(work, draws=draws, seed=seed, workers=workers))
    good = t[np.isfinite(t).all(axis=1)]
    failed = draws - len(good)
    if failed > MOST_FAILED * draws:
        raise NoAnswer(
            found=f"{failed} of {draws} simulated data sets cannot be fitted",
            expected=f"at most {100 * MOST_FAILED:.3g} % without a fit",
            remedy="leave out the random term with the fewest levels, or fit with bound='zero'",
        )
    frame = exact.frame
    error, observed = (frame[c].to_numpy(dtype=float) for c in ("std_error", "statistic"))
    summary = [_summary(*each, level, method) for each in zip(good.T, observed, strict=True)]
    low, high, low_error, high_error, p, p_error = np.array(summary).T
    estimate = frame["estimate"].to_numpy(dtype=float)
    frame = frame.assign(
        p_value=p,
        conf_low=estimate + low * error,
        conf_high=estimate + high * error,
        conf_low_mc_error=low_error * error,
        conf_high_mc_error=high_error * error,
        p_value_mc_error=p_error,
    )
    note = (
        f"Parametric bootstrap-t, {method}: {len(good)} data sets, {failed} more could not be "
        f"fitted; seed {seed}. The mc errors are standard errors from simulation alone."
    )
    return Bootstrap(Table(frame, title="Bootstrap-t of contrasts", notes=(note,)), t, failed)


@dataclass(frozen=True)
class _Refits:
    """Draw data sets with all coefficients zero, fit them and give t* of each function."""

    design: Design
    theta: Floats
    rows: Floats
    from_orthonormal: Floats

    def __call__(self, rng: np.random.Generator, count: int) -> Floats:
        y = draw(self.design, np.zeros(self.design.p), self.theta, rng, count)
        batch = prepare(self.design, y)
        fits = maximise(self.design, batch)
        good = np.flatnonzero(fits.converged)
        at, batch = fits.evaluation.take(good), batch.take(good)
        inside = self.rows @ self.from_orthonormal
        beta = at.beta * batch.scale[:, None] + batch.offset
        value = beta @ inside.T + batch.level[:, None] * (self.rows @ self.design.constant)
        phi = smallsample.kenward_roger_covariance(at)
        error = np.sqrt(np.einsum("ra,tab,rb->tr", inside, phi, inside)) * batch.scale[:, None]
        out = np.full((count, len(self.rows)), np.nan)
        out[good] = value / error
        return out


def _summary(
    t: Floats, observed: float, level: float, method: Interval
) -> tuple[float, float, float, float, float, float]:
    """Ends in standard errors from the estimate, their Monte Carlo errors, p and its error."""
    half = (1.0 - level) / 2.0
    if method == "symmetric":
        size, error = _quantile(np.abs(t), level)
        low, high, low_error, high_error = -size, size, error, error
        beyond = int(np.count_nonzero(np.abs(t) >= abs(observed)))
        p = (1 + beyond) / (1 + len(t))
    else:
        upper, low_error = _quantile(t, 1.0 - half)
        lower, high_error = _quantile(t, half)
        low, high = -upper, -lower
        beyond = int(min(np.count_nonzero(t >= observed), np.count_nonzero(t <= observed)))
        p = min(2 * (1 + beyond) / (1 + len(t)), 1.0)
    tail = p if method == "symmetric" else p / 2.0
    p_error = float(np.sqrt(tail * (1.0 - tail) / len(t))) * p / tail
    return low, high, low_error, high_error, p, p_error


def _quantile(x: Floats, share: float) -> tuple[float, float]:
    """Quantile at (B + 1) share and its standard error, from the order statistics around it."""
    count = len(x)
    spread = np.sqrt(share * (1.0 - share) / count)
    around = np.clip([share, share - spread, share + spread], 0.0, 1.0)
    middle, below, above = np.quantile(x, around, method="weibull")
    return float(middle), float((above - below) / 2.0)
