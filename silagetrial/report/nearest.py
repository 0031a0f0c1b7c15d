"""The comparison that answers the plan, or the one nearest to it, for the box and its table."""

from __future__ import annotations

from collections.abc import Sequence

import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.report.findings import Finding, at_openings, averages, planned

__all__ = ["nearest", "of_plan", "tested"]


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


def tested(result: ResponseAnalysis, finding: Finding) -> pd.Series[float]:
    """Return the row of the analysis's own table that a finding was read from.

    Of one adjusted for its family the degrees of freedom are the smallest there, by which
    interval and p were made.
    """
    table = result.differences if finding.opening else result.average
    frame = table.frame
    mine = frame["term"] == f"{finding.first} - {finding.second}"
    over_openings = finding.opening is not None and mine.sum() > 1
    family = frame[mine] if over_openings else frame
    if finding.opening:
        mine &= frame["opening"] == finding.opening
    row = frame[mine].iloc[0]
    return row.where(row.index != "df", family["df"].min()) if finding.joint else row
