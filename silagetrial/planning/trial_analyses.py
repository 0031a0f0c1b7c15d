"""The analyses that simulated trials go through, many trials at once.

An analysis is a callable of `Question`, `Grid` and `Drawn`; another one, such as a model of
values below a limit, joins by being given to `simulate_power` beside these two.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Protocol

import numpy as np
import numpy.typing as npt

from silagetrial.mixed.ascent import positive_definite
from silagetrial.mixed.covariance import Bools, Floats, Ints
from silagetrial.mixed.design import Design
from silagetrial.mixed.evaluation import Evaluation
from silagetrial.mixed.likelihood import Batch, prepare
from silagetrial.mixed.maximise import maximise
from silagetrial.mixed.smallsample import (
    contrast_df,
    kenward_roger_covariance,
    theta_covariance,
)
from silagetrial.planning.draws import Drawn
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.outcomes import Outcome, outcome_of
from silagetrial.planning.questions import Question

__all__ = ["FittedTrials", "PairedTAnalysis", "RemlAnalysis", "TrialAnalysis", "fit_trials"]

DECREMENT = 1e-10
"""Squared Newton decrement at which the fits of a simulation stop: 1e-5 of a standard error."""


class TrialAnalysis(Protocol):
    """Analyse T trials of one layout."""

    @property
    def name(self) -> str:
        """What the analysis is called in tables."""
        ...

    def __call__(self, question: Question, grid: Grid, drawn: Drawn, level: float) -> Outcome:
        """Estimate, test and interval of each contrast in each trial."""
        ...


@dataclass(frozen=True)
class FittedTrials:
    """REML fits of T trials, of which g converged.

    Attributes
    ----------
    good : (g,) int array
        Which of the trials converged.
    at : Evaluation
        Of the g trials.
    batch : Batch
        Of the g trials.
    observed : (g, m, m) array
        Inverse of the observed information in (co)variances.
    at_bound : (g, m) bool array
        Variances held at zero.
    negative, held : (T,) bool arrays
        As in `Outcome`.
    """

    good: npt.NDArray[np.intp]
    at: Evaluation
    batch: Batch
    observed: Floats
    at_bound: Bools
    negative: Bools
    held: Bools

    def estimate(self, rows: Floats, constant: Floats) -> Floats:
        """Linear functions of the coefficients, (g, r), on the scale of the model."""
        scale = self.batch.scale[:, None]
        shift = self.batch.level[:, None] * constant
        return np.asarray((self.at.beta * scale + self.batch.offset) @ rows.T + shift)

    def std_error(self, rows: Floats, covariance: Floats) -> Floats:
        """Standard errors of linear functions, (g, r), of the coefficients' covariance matrices.

        Parameters
        ----------
        covariance : (g, p, p) array
            In units of the batch's squared scale.
        """
        variance = np.einsum("ra,tab,rb->tr", rows, covariance, rows)
        usable = variance > 0  # False where the model has no such contrast
        return np.asarray(np.sqrt(np.where(usable, variance, np.nan)) * self.batch.scale[:, None])

    def outcome(self, estimate: Floats, std_error: Floats, df: Floats, *, level: float) -> Outcome:
        """Test and interval of (g, r) estimates among all T trials; NaN has no answer."""
        values = np.full((3, len(self.negative), estimate.shape[1]), np.nan)
        values[:, self.good] = estimate, std_error, df
        return outcome_of(*values, level=level, negative=self.negative, held=self.held)


def fit_trials(design: Design, drawn: Drawn) -> FittedTrials:
    """Fit trials of one design by REML.

    Parameters
    ----------
    design : Design
    drawn : Drawn
        T trials.
    """
    batch = prepare(design, drawn.y, drawn.present)
    fits = maximise(design, batch, tolerance=DECREMENT)
    # Equal values, such as those below a limit, can draw a fit to the edge of what is definite.
    good = np.flatnonzero(fits.converged & positive_definite(fits.evaluation.expected))
    at = fits.evaluation
    if len(good) < len(drawn.y):  # rarely: the rows are most of a batch, and costly to copy
        at, batch = at.take(good), batch.take(good)
    negative = np.zeros(len(drawn.y), dtype=bool)
    negative[good] = (at.theta < 0).any(axis=1)
    return FittedTrials(
        good,
        at,
        batch,
        fits.observed_covariance[good],
        fits.at_bound[good],
        negative,
        np.asarray(fits.converged & fits.at_bound.any(axis=1)),
    )


@dataclass(frozen=True)
class RemlAnalysis:
    """The model of the report: REML with Kenward and Roger's standard errors and df."""

    name: str = "REML, Kenward-Roger"

    def __call__(
        self,
        question: Question,
        grid: Grid,  # noqa: ARG002 - part of the protocol
        drawn: Drawn,
        level: float,
    ) -> Outcome:
        """Fit the trials and read off the contrasts."""
        fitted = fit_trials(question.design, drawn)
        at, rows = fitted.at, question.rows
        estimate = fitted.estimate(rows, question.constant)
        error = fitted.std_error(rows, kenward_roger_covariance(at))
        df = contrast_df(at, rows, theta_covariance(at))
        return fitted.outcome(estimate, error, df, level=level)


@dataclass(frozen=True)
class PairedTAnalysis:
    """The exact companion: the paired t of each contrast, computed pair by pair.

    Re-cored bales: each pair's own weighted sum of openings, n - 1 df.  Separate bales: the
    means of the openings' pairs, each with its own variance (Welch-Satterthwaite).  Where sites
    are the replicates, each site's mean over its pairs is one value.  Where something else is,
    such as a run of bales of one binding, pairs have no t.
    """

    name: str = "paired t"

    def __call__(self, question: Question, grid: Grid, drawn: Drawn, level: float) -> Outcome:
        """Compute the paired t of each contrast of each trial."""
        if question.unit not in ("bale", "site"):
            nothing = np.full((len(drawn.y), len(question.weights)), np.nan)
            return outcome_of(nothing, nothing, nothing, level=level)
        differences, sites = pair_differences(grid, drawn), question.unit == "site"
        if sites:
            differences = _site_means(grid, differences)
        parts = []
        for weights in question.weights:
            used = np.flatnonzero(weights)
            if not len(used):
                parts.append((np.full(len(drawn.y), np.nan),) * 3)
                continue
            values, w = differences[:, :, used], weights[used]
            together = grid.recored or sites
            parts.append(_one_sample(values @ w) if together else _combined(values, w))
        estimate, error, df = (np.stack(column, axis=1) for column in zip(*parts, strict=True))
        return outcome_of(estimate, error, df, level=level)


def pair_differences(grid: Grid, drawn: Drawn) -> Floats:
    """Second minus first binding, (T, pairs, openings); NaN where a pair is not complete.

    Several samples of a bale at an opening count as their mean.
    """
    pairs, openings = int(grid.pair.max()) + 1, len(grid.days)
    cell = grid.pair * openings + grid.opening
    means = [_cell_means(drawn, cell, grid.binding == which, pairs * openings) for which in (0, 1)]
    return (means[1] - means[0]).reshape(len(drawn.y), pairs, openings)


def _cell_means(drawn: Drawn, cell: Ints, chosen: Bools, cells: int) -> Floats:
    """Mean of the chosen rows in each cell, (T, cells)."""
    indicator = np.zeros((len(cell), cells))
    indicator[np.flatnonzero(chosen), cell[chosen]] = 1.0
    if drawn.present is None:
        total, count = drawn.y @ indicator, indicator.sum(axis=0)[None]
    else:
        total = np.where(drawn.present, drawn.y, 0.0) @ indicator
        count = drawn.present @ indicator
    return np.where(count > 0, total / np.where(count > 0, count, 1.0), np.nan)


def _site_means(grid: Grid, differences: Floats) -> Floats:
    first = np.unique(grid.pair, return_index=True)[1]
    site = grid.site[first]
    return np.stack(
        [_mean(differences[:, site == s], axis=1) for s in range(int(site.max()) + 1)], axis=1
    )


def _mean(values: Floats, *, axis: int) -> Floats:
    """Mean of what is there; NaN where nothing is."""
    there = ~np.isnan(values)
    count = there.sum(axis=axis)
    total = np.where(there, values, 0.0).sum(axis=axis)
    return np.where(count > 0, total / np.maximum(count, 1), np.nan)


def _one_sample(own: Floats) -> tuple[Floats, Floats, Floats]:
    """Mean of the units' own values, its standard error and df, each (T,)."""
    n = (~np.isnan(own)).sum(axis=1).astype(float)
    mean = _mean(own, axis=1)
    square = np.where(np.isnan(own), 0.0, (own - mean[:, None]) ** 2).sum(axis=1)
    enough = n > 1
    variance = np.where(enough, square / np.where(enough, n - 1.0, 1.0), np.nan)
    return mean, np.sqrt(variance / np.maximum(n, 1.0)), np.where(enough, n - 1.0, np.nan)


def _combined(values: Floats, w: Floats) -> tuple[Floats, Floats, Floats]:
    """Weighted sum of the openings' means, each with its own variance."""
    parts = [_one_sample(values[:, :, k] * w[k]) for k in range(len(w))]
    estimate = np.sum([mean for mean, _, _ in parts], axis=0)
    variances = np.stack([error**2 for _, error, _ in parts])
    total = variances.sum(axis=0)
    df = np.stack([df for _, _, df in parts])
    over = (variances**2 / df).sum(axis=0)
    df = np.where(over > 0, total**2 / np.where(over > 0, over, 1.0), np.nan)
    return estimate, np.sqrt(total), df
