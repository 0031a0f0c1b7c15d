"""What the paired t of a comparison says against the model, like held against like."""

from __future__ import annotations

import math

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import p_value
from silagetrial.report.findings import (
    Finding,
    at_openings,
    averages,
    growths,
    of_bindings,
    paired_p,
)

__all__ = ["doubt", "doubt_of"]


def doubt_of(
    trial: Trial, result: ResponseAnalysis, finding: Finding, *, contrast: str = ""
) -> str:
    """Return what the paired t says against the model; empty where it says the same.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    finding : Finding
        As it was told, adjusted for its family or not.
    contrast : str
        ``growth``; by default the opening of the finding, or ``average``.
    """
    contrast = contrast or finding.opening or "average"
    among = {"average": averages, "growth": growths}.get(contrast, at_openings)
    alone = of_bindings(among(trial, result, joint=False), finding) or finding
    paired = paired_p(result, finding, contrast=contrast)
    return doubt(finding, alone, paired, alpha=trial.settings.analysis.alpha)


def doubt(finding: Finding, alone: Finding, paired: float, *, alpha: float) -> str:
    """Say that the paired t of the same contrast has another verdict; empty where it has not.

    The paired t is adjusted for nothing. It speaks against what was told only where the model
    by itself, as little adjusted, does not say the same as it.

    Parameters
    ----------
    finding : Finding
        As it was told.
    alone : Finding
        The same comparison by the model, unadjusted.
    paired : float
        p of the paired t; NaN where there is none.
    alpha : float
        Size of the test.
    """
    if math.isnan(paired) or (finding.p < alpha) == (paired < alpha):
        return ""
    if paired >= alpha:
        return say("doubt.does_not_show", p=p_value(paired))
    return "" if alone.p < alpha else say("doubt.does_show", p=p_value(paired))
