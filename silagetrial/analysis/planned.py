"""What stands beside the comparison at each opening: a claim, a curve, a limit, variances."""

from __future__ import annotations

from dataclasses import replace

import pandas as pd

from silagetrial.analysis.bootstrapped import bootstrapped
from silagetrial.analysis.curve_analysis import CurveAnalysis, analyse_curve
from silagetrial.analysis.curves import planned_curve
from silagetrial.analysis.responses import Response
from silagetrial.analysis.results import ResponseAnalysis
from silagetrial.analysis.sensitivity import main_contrast, sensitivity
from silagetrial.analysis.shares import counted_shares, modelled_shares
from silagetrial.data.trial import Trial
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import joined
from silagetrial.display.table import Table
from silagetrial.mixed import (
    Fit,
    blups,
    equivalence,
    non_inferiority,
    profile_intervals,
    sd_ratios,
)

__all__ = ["with_planned"]

NOTHING = Table(pd.DataFrame())
_UNITS = ("site", "lot", "run", "pair", "bale")
"""Random terms whose levels are things with names."""


def with_planned(
    trial: Trial, result: ResponseAnalysis, rows: pd.DataFrame, over_storage: pd.DataFrame
) -> ResponseAnalysis:
    """Add to an analysis what the plan asks for beside it, and how far its model carries it.

    Parameters
    ----------
    rows : pandas.DataFrame
        The rows modelled.
    over_storage : pandas.DataFrame
        Those that a curve takes: also what was measured outside the windows.
    """
    plan, response = trial.settings.analysis, result.response
    level, limit = 1.0 - plan.alpha, plan.limits.get(response.name)
    if limit is not None and len(result.records.rows):
        counted = counted_shares(result.records.rows, response, limit, level=level)
        result = replace(result, shares_counted=counted)
    if limit is not None and result.fit is not None and result.comparison is not None:
        means = result.comparison.means
        if len(means):
            modelled = modelled_shares(
                result.fit, means, response, limit, level=level, unit=result.records.unit
            )
            result = replace(result, shares=modelled)
    result = replace(result, curve=_curve(trial, result, over_storage))
    if result.fit is None or result.model is None or result.comparison is None:
        return result
    contrast = main_contrast(result.comparison, trial.settings)
    label = response.label
    others = sensitivity(rows, result.model, trial.settings, contrast, level=level)
    intervals = profile_intervals(result.fit, level=level)
    drawn = bootstrapped(result.fit, contrast, response, plan) if plan.bootstrap else NOTHING
    return replace(
        result,
        sensitivity=replace(others, title=say("beside.structures", label=label)),
        variance_intervals=replace(intervals, title=say("beside.intervals", label=label)),
        sd_ratios=_sd_ratios(result.fit, response, level=level),
        blups=_blups(result.fit, response),
        bootstrap=drawn,
        claim=_claim(trial, result, result.fit),
    )


def _sd_ratios(fit: Fit, response: Response, *, level: float) -> Table:
    """How the residual spread of groups differs; nothing where there is one variance."""
    if len(fit.frame.residual.names) < 2:
        return NOTHING
    return replace(sd_ratios(fit, level=level), title=say("beside.sd_ratios", label=response.label))


def _blups(fit: Fit, response: Response) -> Table:
    """Predicted effects of what a reader knows by name."""
    names = [term.name for term in fit.frame.terms if term.name in _UNITS]
    units = joined([noun(name, 2) for name in names], last="comma")
    title = say("beside.blups", label=response.label, units=units)
    return replace(blups(fit, names), title=title) if names else NOTHING


def _claim(trial: Trial, result: ResponseAnalysis, fit: Fit) -> Table:
    """Test what is claimed within the margin of the plan, at each opening."""
    plan, response = trial.settings.analysis, result.response
    margin = plan.margins.get(response.name)
    if margin is None or result.comparison is None:
        return NOTHING
    level, ratio = 1.0 - plan.alpha, response.scale == "log"
    wanted = result.comparison.differences
    if plan.claim == "equivalence":
        table = equivalence(fit, wanted, margin=margin, ratio=ratio, level=level)
    else:
        table = non_inferiority(
            fit, wanted, margin=margin, worse="higher", ratio=ratio, level=level
        )
    equal = plan.claim == "equivalence"
    kind = "beside.equivalence" if equal else "beside.non_inferiority"
    return replace(table, title=say(kind, label=response.label, margin=f"{margin:g}"))


def _curve(trial: Trial, result: ResponseAnalysis, rows: pd.DataFrame) -> CurveAnalysis | None:
    """Return the planned curve; None where none is planned or the binding has no test at all."""
    curve = planned_curve(trial.settings)
    if curve is None or result.model is None or result.comparison is None:
        return None
    names = result.model.levels["binding"]
    for column in {*result.model.levels} - {"opening"}:
        # What has values outside the windows only, the design was not asked about.
        rows = rows[rows[column].astype(str).isin(result.model.levels[column])]
    terms = set(result.comparison.differences.labels["term"])
    pairs = [(a, b) for b in names for a in names if a != b and f"{a} - {b}" in terms]
    return analyse_curve(trial, result.response, rows, result.model, curve, pairs)
