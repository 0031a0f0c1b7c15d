"""The comparison that answers the plan, or the one nearest to it, for the box and its table."""

from __future__ import annotations

from collections.abc import Sequence

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.report.findings import Finding, at_openings, averages, planned

__all__ = ["nearest", "of_plan"]


def nearest(trial: Trial, result: ResponseAnalysis) -> Finding:
    """Return the comparison planned; without it that of its bindings nearest to it.

    That is the one averaged over the openings compared; with one opening, the one there.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
        With an answer.
    """
    finding = planned(trial, result)
    if finding is not None:
        return finding
    openings = () if result.comparison is None else result.comparison.openings
    over = averages(trial, result) if len(openings) > 1 else []
    return of_plan(trial, over or at_openings(trial, result))


def of_plan(trial: Trial, found: Sequence[Finding]) -> Finding:
    """Return the finding of the planned bindings; where there is none, the first."""
    wanted = set(trial.settings.analysis.contrast)
    return next((f for f in found if {f.first, f.second} == wanted), found[0])
