"""Tables of what stands beside the comparison: claims, shares, curves, variances."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Folded, Prose
from silagetrial.report.tables_results import NOTHING, Shown, named, points

__all__ = ["claim", "curve", "sensitivity", "shares", "variance_intervals"]

_LIMITS: Final = {"conf_low": "low", "conf_high": "high", "p_value": "p", "sim_low": "adjusted low",
                  "sim_high": "adjusted high", "p_adjusted": "adjusted p"}  # fmt: skip
_TRUSTED: Final = ("estimate", "conf_low", "conf_high")


def claim(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show what is claimed within the margin of the plan, opening by opening."""
    if not len(result.claim):
        return NOTHING
    frame = named(trial, result, result.claim.frame)
    columns = ["comparison", "opening", *_TRUSTED, "p_value", "verdict"]
    labels = {**_LIMITS, "estimate": result.response.effect}
    return replace(
        result.claim, frame=frame[columns], labels=labels, formats=points(result, columns)
    )


def shares(result: ResponseAnalysis) -> tuple[Shown, Shown]:
    """Show the share of bales over the limit of the plan, by the model and as counts."""
    shown: list[Shown] = []
    for table in (result.shares, result.shares_counted):
        if not len(table):
            shown.append(NOTHING)
            continue
        frame = table.frame.drop(columns=["unit", "scale", "term", "limit"], errors="ignore")
        percent = dict.fromkeys(_TRUSTED, ".1%")
        shown.append(
            replace(table, frame=frame, formats=percent, labels={**_LIMITS, "estimate": "share"})
        )
    return shown[0], shown[1]


def curve(trial: Trial, result: ResponseAnalysis) -> tuple[Shown, ...]:
    """Show the planned curve: comparison at the openings, rates, tests, day at the limit."""
    planned = result.curve
    if planned is None:
        return ()
    if planned.refusal is not None:
        return (Prose((f"No curve: {planned.refusal.found}.",), kind="refusal"),)
    shown: list[Shown] = [Prose(planned.notes)]
    drop = ["unit", "scale", "std_error", "statistic"]
    names = {}
    if len(planned.at_openings):
        compared = named(trial, result, planned.at_openings.frame)
        names = dict(zip(compared["term"], compared["comparison"], strict=True))
    for table, estimate in (
        (planned.at_openings, result.response.effect),
        (planned.rates, "rate"),
        (planned.passing, "day"),
    ):
        if len(table):
            frame = table.frame.drop(columns=drop, errors="ignore")
            frame = frame.assign(term=frame["term"].replace(names))
            labels = {**_LIMITS, "estimate": estimate, "term": "binding"}
            shown.append(replace(table, frame=frame, labels=labels))
    if len(planned.tests):
        labels = {"statistic": "F", "p_value": "p"}
        frame = planned.tests.frame
        if "remark" in frame and not frame["remark"].any():
            frame = frame.drop(columns="remark")
        shown.append(replace(planned.tests, frame=frame, labels=labels))
    shown.append(_curve_exact(trial, result, planned.exact))
    return tuple(shown)


def _curve_exact(trial: Trial, result: ResponseAnalysis, table: Table) -> Shown:
    """Show the model's slopes with the paired t of the pairs' own below, or why there is none."""
    if not len(table):
        return Prose(table.notes)
    frame = named(trial, result, table.frame)
    columns = ["comparison", "method", *_TRUSTED, "p_value", "df", "pairs", "remark"]
    kept = frame.reindex(columns=columns)
    if not kept["remark"].fillna("").any():
        kept = kept.drop(columns="remark")
    labels = {**_LIMITS, "estimate": result.response.effect, "method": "by"}
    kept = kept.astype({"pairs": "Int64"})
    return replace(table, frame=kept, labels=labels, formats=points(result, columns))


def variance_intervals(result: ResponseAnalysis) -> Folded | Prose:
    """Show the profile intervals of the variances, folded: few readers ask for them."""
    if not len(result.variance_intervals):
        return NOTHING
    frame = result.variance_intervals.frame
    if not frame["remark"].any():
        frame = frame.drop(columns="remark")
    table = replace(result.variance_intervals, frame=frame, labels=_LIMITS)
    return Folded(table.title, table)


def sensitivity(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the main contrast under other covariance structures, on the reader's scale."""
    if not len(result.sensitivity):
        return NOTHING
    frame = named(trial, result, result.sensitivity.frame)
    scale = f"In {result.response.unit}."
    if result.response.scale == "log":
        limits = list(_TRUSTED)
        frame[limits] = np.exp(frame[limits])
        scale = "Ratios; tests and intervals were made on the logarithm."
    where = f"{frame['comparison'].iloc[0]} at {frame['opening'].iloc[0]}"
    columns = ["structure", *_TRUSTED, "p_value", "df", "aic", "remark"]
    kept = frame.reindex(columns=columns)
    if not pd.Series(kept["remark"]).any():
        kept = kept.drop(columns="remark")
    return Table(
        kept,
        title=f"{result.sensitivity.title} ({where})",
        labels={**_LIMITS, "estimate": result.response.effect, "aic": "AIC"},
        formats={**points(result, columns), "aic": ".1f"},
        notes=(scale, *result.sensitivity.notes[1:], _FOR_LOOKING),
    )


_FOR_LOOKING: Final = (
    "The structure comes from the design and the plan; these rows are for looking, not for "
    "choosing."
)
