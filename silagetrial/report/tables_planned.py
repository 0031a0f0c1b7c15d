"""Tables of what stands beside the comparison: claims, shares, curves, variances."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

import numpy as np

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Folded, Prose
from silagetrial.display.language import say
from silagetrial.report.figures_data import effect_word
from silagetrial.report.tables_results import NOTHING, Shown, named

__all__ = ["claim", "curve", "sensitivity", "shares", "variance_intervals"]

_TRUSTED: Final = ("estimate", "conf_low", "conf_high")


def _limits() -> dict[str, str]:
    """Headings of limits whose level the title or the notes tell."""
    return {
        "conf_low": say("limit.plain_low"),
        "conf_high": say("limit.plain_high"),
        "p_value": "p",
        "sim_low": say("limit.adjusted_low"),
        "sim_high": say("limit.adjusted_high"),
        "p_adjusted": say("limit.adjusted_p"),
    }


def claim(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show what is claimed within the margin of the plan, opening by opening."""
    if not len(result.claim):
        return NOTHING
    frame = named(trial, result, result.claim.frame)
    return replace(
        result.claim,
        frame=frame,
        labels={**_limits(), "estimate": effect_word(result)},
        shown=("comparison", "opening", *_TRUSTED, "p_value", "verdict"),
        name=f"{result.response.name}_claim",
    )


def shares(result: ResponseAnalysis) -> tuple[Shown, Shown]:
    """Show the share of bales over the limit of the plan, by the model and as counts."""
    return _share(result, result.shares, "shares"), _share(
        result, result.shares_counted, "shares_counted"
    )


def _share(result: ResponseAnalysis, table: Table, name: str) -> Shown:
    """Show shares as percent; their own errors stand on another scale, or are none."""
    if not len(table):
        return NOTHING
    hidden = {"unit", "scale", "term", "limit"}
    return replace(
        table,
        formats=dict.fromkeys(_TRUSTED, ".1%"),
        labels={**_limits(), "estimate": say("table.share")},
        shown=tuple(column for column in map(str, table.frame) if column not in hidden),
        name=f"{result.response.name}_{name}",
    )


def curve(trial: Trial, result: ResponseAnalysis) -> tuple[Shown, ...]:
    """Show the planned curve: comparison at the openings, rates, tests, day at the limit."""
    planned = result.curve
    if planned is None:
        return ()
    if planned.refusal is not None:
        return (Prose((say("table.no_curve", found=planned.refusal.found),), kind="refusal"),)
    shown: list[Shown] = [Prose(planned.notes)]
    hidden = {"unit", "scale", "std_error", "statistic"}
    names = {}
    if len(planned.at_openings):
        compared = named(trial, result, planned.at_openings.frame)
        names = dict(zip(compared["term"], compared["comparison"], strict=True))
    of = f"{result.response.name}_curve"
    for table, estimate, name in (
        (planned.at_openings, effect_word(result), "openings"),
        (planned.rates, say("table.rate"), "rates"),
        (planned.passing, say("table.day"), "passing"),
    ):
        if len(table):
            frame = table.frame.assign(term=table.frame["term"].replace(names))
            labels = {**_limits(), "estimate": estimate, "term": say("column.binding")}
            columns = tuple(column for column in map(str, frame) if column not in hidden)
            shown.append(
                replace(table, frame=frame, labels=labels, shown=columns, name=f"{of}_{name}")
            )
    if len(planned.tests):
        labels = {"statistic": "F", "p_value": "p"}
        frame = planned.tests.frame
        if "remark" in frame and not frame["remark"].any():
            frame = frame.drop(columns="remark")
        shown.append(replace(planned.tests, frame=frame, labels=labels, name=f"{of}_tests"))
    shown.append(_curve_exact(trial, result, planned.exact))
    return tuple(shown)


def _curve_exact(trial: Trial, result: ResponseAnalysis, table: Table) -> Shown:
    """Show the model's slopes with the paired t of the pairs' own below, or why there is none."""
    if not len(table):
        return Prose(table.notes)
    frame = named(trial, result, table.frame)
    by = {"model": say("curve.exact_by_model"), "paired t": say("curve.exact_by_pairs")}
    frame["method"] = frame["method"].map(by)
    columns = ["comparison", "method", *_TRUSTED, "p_value", "df", "pairs"]
    if "remark" in frame and frame["remark"].fillna("").any():
        columns.append("remark")
    return replace(
        table,
        frame=frame.astype({"pairs": "Int64"}),
        labels={**_limits(), "estimate": effect_word(result), "method": say("table.by")},
        shown=tuple(columns),
        name=f"{result.response.name}_curve_paired_t",
    )


def variance_intervals(result: ResponseAnalysis) -> Folded | Prose:
    """Show the profile intervals of the variances, folded: few readers ask for them."""
    if not len(result.variance_intervals):
        return NOTHING
    frame = result.variance_intervals.frame
    if not frame["remark"].any():
        frame = frame.drop(columns="remark")
    name = f"{result.response.name}_variance_intervals"
    table = replace(result.variance_intervals, frame=frame, labels=_limits(), name=name)
    return Folded(table.title, table)


def sensitivity(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the main contrast under other covariance structures, on the reader's scale."""
    if not len(result.sensitivity):
        return NOTHING
    frame = named(trial, result, result.sensitivity.frame)
    scale = say("table.in_unit", unit=result.response.unit)
    if result.response.scale == "log":
        limits = list(_TRUSTED)
        frame[limits] = np.exp(frame[limits])
        frame["std_error"] *= frame["estimate"]
        scale = say("table.ratios")
    compared, opening = frame["comparison"].iloc[0], frame["opening"].iloc[0]
    columns = ["structure", *_TRUSTED, "p_value", "df", "aic"]
    if "remark" in frame and frame["remark"].fillna("").any():
        columns.append("remark")
    return Table(
        frame,
        title=say(
            "table.title_of_at",
            title=result.sensitivity.title,
            comparison=compared,
            opening=opening,
        ),
        labels={**_limits(), "estimate": effect_word(result), "aic": "AIC"},
        formats={"aic": ".1f"},
        shown=tuple(columns),
        name=f"{result.response.name}_sensitivity",
        notes=(scale, *result.sensitivity.notes[1:], say("table.for_looking")),
    )
