"""Counts and sums over simulated trials: small, added in order, turned into figures at the end."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from silagetrial.mixed.covariance import Floats, Ints
from silagetrial.planning.outcomes import Outcome

__all__ = ["MEASURES", "Tally", "share_error", "summary"]

MEASURES = (
    "answered", "rejected", "covered", "error", "error_squared", "variance", "width",
    "width_squared", "df",
)  # fmt: skip
"""Sums kept for each contrast, over trials with an answer."""
STATES = ("negative", "held", "failed")
"""Counts kept for each analysis, over all trials."""
FAILURES = 20
"""Failed trials of each analysis whose places are kept: the first ones."""


@dataclass(frozen=True)
class Tally:
    """Sums over the trials of one or more chunks.

    Attributes
    ----------
    trials : int
    sums : (analyses, contrasts, measures) array
        In the order of `MEASURES`.
    states : (analyses, 3) array
        In the order of `STATES`.
    failures : tuple of (int, int, int)
        Place of the first failed trials: analysis, chunk, trial of the chunk.
    """

    trials: int
    sums: Floats
    states: Floats
    failures: tuple[tuple[int, int, int], ...] = ()

    @classmethod
    def of(
        cls,
        outcomes: tuple[Outcome, ...],
        truth: Floats,
        alpha: float,
        *,
        chunk: int = 0,
        trials: Ints | None = None,
    ) -> Tally:
        """Sum up the outcomes of several analyses of the same trials.

        Parameters
        ----------
        outcomes : tuple of Outcome
        truth : (T, r) array
            The contrasts' true values in each trial: an average over openings depends on which
            openings stay in the model.
        alpha : float
            Size of the tests.
        chunk : int
            Number of the chunk these trials are.
        trials : (T,) array, optional
            Number of each trial in the chunk; by default as they come.
        """
        place = np.arange(len(outcomes[0].failed)) if trials is None else trials
        return cls(
            len(outcomes[0].failed),
            np.stack([_sums(each, truth, alpha) for each in outcomes]),
            np.array([[getattr(o, name).sum() for name in STATES] for o in outcomes], dtype=float),
            tuple(
                (a, chunk, trial)
                for a, each in enumerate(outcomes)
                for trial in np.sort(place[each.failed])[:FAILURES].tolist()
            ),
        )

    def __add__(self, other: Tally) -> Tally:
        """Trials of both."""
        failures = (*self.failures, *other.failures)
        kept = [[f for f in failures if f[0] == a][:FAILURES] for a in range(len(self.states))]
        return Tally(
            self.trials + other.trials,
            self.sums + other.sums,
            self.states + other.states,
            tuple(place for each in kept for place in each),
        )


def _sums(outcome: Outcome, truth: Floats, alpha: float) -> Floats:
    there = np.isfinite(outcome.p_value)
    error = outcome.estimate - truth
    columns = (
        there, outcome.p_value < alpha, np.abs(error) <= outcome.half_width, error, error**2,
        outcome.std_error**2, 2.0 * outcome.half_width, 4.0 * outcome.half_width**2, outcome.df,
    )  # fmt: skip
    return np.stack([np.where(there, c, 0.0).sum(axis=0) for c in columns], axis=1)


def summary(
    tally: Tally,
    *,
    analyses: tuple[str, ...],
    contrasts: tuple[str, ...],
    truth: Floats,
    labels: Mapping[str, object] | None = None,
) -> list[dict[str, object]]:
    """Power or size, coverage, bias and width, each with its Monte Carlo standard error.

    Parameters
    ----------
    tally : Tally
    analyses, contrasts : tuple of str
    truth : (r,) array
    labels : mapping, optional
        Columns put in front, the same in each row.

    Returns
    -------
    list of dict
        One row an analysis and contrast.  ``rejected`` is the share of all trials, a trial
        without an answer counting as not significant; ``covered``, ``bias`` and the widths are
        over trials with an answer.  Each ``_mc`` is a Monte Carlo standard error.
    """
    rows: list[dict[str, object]] = []
    for a, analysis in enumerate(analyses):
        states = _state_shares(tally, a)
        for c, contrast in enumerate(contrasts):
            rows.append(
                {
                    **(labels or {}),
                    "analysis": analysis,
                    "contrast": contrast,
                    "truth": float(truth[c]),
                    "trials": tally.trials,
                    **_figures(tally.sums[a, c], tally.trials),
                    **states,
                }
            )
    return rows


def _state_shares(tally: Tally, analysis: int) -> dict[str, float]:
    found = {}
    for name, count in zip(STATES, tally.states[analysis].tolist(), strict=True):
        found[name] = count / tally.trials
        found[f"{name}_mc"] = share_error(found[name], tally.trials)
    return found


def _figures(sums: Floats, trials: int) -> dict[str, float]:
    of = dict(zip(MEASURES, sums, strict=True))
    n = of["answered"]
    rejected = of["rejected"] / trials
    found: dict[str, float] = {
        "answered": n / trials,
        "rejected": rejected,
        "rejected_mc": share_error(rejected, trials),
    }
    if n == 0:
        nothing = ("covered", "covered_mc", "bias", "bias_mc", "sd", "std_error", "width")
        return {**found, **dict.fromkeys((*nothing, "width_mc", "df"), np.nan)}
    covered, bias = of["covered"] / n, of["error"] / n
    width = of["width"] / n
    spread = np.sqrt(max(of["error_squared"] / n - bias**2, 0.0))
    return {
        **found,
        "covered": covered,
        "covered_mc": share_error(covered, n),
        "bias": bias,
        "bias_mc": spread / np.sqrt(n),
        "sd": spread,
        "std_error": np.sqrt(of["variance"] / n),
        "width": width,
        "width_mc": np.sqrt(max(of["width_squared"] / n - width**2, 0.0) / n),
        "df": of["df"] / n,
    }


def share_error(share: float, trials: float) -> float:
    """Monte Carlo standard error of a share.

    At shares of 0 and 1, where the plain formula gives none, that of the share with two trials
    and two failures added (Agresti & Coull 1998, The American Statistician 52, 119-126).
    """
    if trials == 0:
        return float("nan")
    if share in (0.0, 1.0):
        share, trials = (share * trials + 2.0) / (trials + 4.0), trials + 4.0
    return float(np.sqrt(share * (1.0 - share) / trials))
