"""What the report shows of each table: which columns, under which headings, in which order."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.analysis.left_out import kind_said
from silagetrial.data import Opening, Trial
from silagetrial.display import Table
from silagetrial.display.block import Prose
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import block_word
from silagetrial.report.findings import planned_days, sampled
from silagetrial.report.tables_answer import answer
from silagetrial.report.tables_means import means
from silagetrial.report.tables_model import blups, bootstrap, sd_ratios
from silagetrial.report.tables_opened import at_air, mould, temperatures
from silagetrial.report.tables_planned import (
    claim,
    curve,
    sensitivity,
    shares,
    variance_intervals,
)
from silagetrial.report.tables_results import (
    NOTHING,
    Shown,
    differences,
    growth,
    half_widths,
    refused,
    terms,
    tests,
    variances,
)
from silagetrial.report.tables_warnings import warnings
from silagetrial.report.tables_witnesses import exact, witness

__all__ = [
    "answer",
    "at_air",
    "bales",
    "blups",
    "bootstrap",
    "claim",
    "correction",
    "counts",
    "curve",
    "differences",
    "exact",
    "found",
    "growth",
    "half_widths",
    "held_equal",
    "left_out",
    "means",
    "mould",
    "refused",
    "sd_ratios",
    "sensitivity",
    "shares",
    "storage",
    "temperatures",
    "terms",
    "tests",
    "variance_intervals",
    "variances",
    "warnings",
    "witness",
]


def bales(trial: Trial) -> Table:
    """Show how many bales were made: a row a site, a column an opening, counts by binding."""
    frame, settings = trial.bales, trial.settings
    openings = frame["planned_opening"].fillna("bales")
    order = [o.name for o in sorted(settings.openings, key=lambda o: o.days)]
    columns = [name for name in [*order, "bales"] if (openings == name).any()]
    lines = []
    for site, rows in frame.groupby("site", sort=False):
        cells: dict[str, object] = {"site": site}
        for column in columns:
            here = rows[openings[rows.index] == column]["binding"]
            made = {name: int((here == name).sum()) for name in settings.compare}
            cells[column] = ", ".join(f"{name} {made[name]}" for name in settings.compare)
        lines.append({**cells, "pairs": rows["pair"].nunique(), "all": len(rows)})
    labels = {**{c: c for c in order}, "pairs": noun(block_word(settings.compare), 2)}
    return Table(pd.DataFrame(lines), title=say("table.bales"), labels=labels, name="bales_made")


def held_equal(trial: Trial) -> Shown:
    """Show what was held equal between the bindings, in the words of trial.toml."""
    pairs = trial.settings.held_equal.items()
    if not pairs:
        return Prose((say("table.held_equal_nothing"),))
    frame = pd.DataFrame(
        {
            "what": [str(key).replace("_", " ") for key, _ in pairs],
            "value": [f"{v:g}" if isinstance(v, float | int) else str(v) for _, v in pairs],
        }
    )
    return Table(frame, title=say("table.held_equal"), name="held_equal")


def left_out(analysis: Analysis) -> Shown:
    """Show every value that is missing or not used, with the reason, once for all responses."""
    parts = [
        result.records.left_out.frame.assign(response=result.response.label)
        for result in analysis.responses.values()
    ]
    keys = ["bale", "binding", "opening", "what", "reason"]
    whole = pd.concat(parts, ignore_index=True)
    by = whole.groupby(keys, sort=False, dropna=False)["response"].agg(", ".join).reset_index()
    if not len(by):
        return Prose((say("table.left_out_nothing"),))
    by["what"] = by["what"].map(kind_said)
    title, labels = say("table.left_out"), {"response": say("table.missing_for")}
    return Table(by, title=title, labels=labels, name="left_out")


def storage(analysis: Analysis) -> Shown:
    """Show actual against planned days in storage by opening, of every sample with a value."""
    rows = sampled(analysis)
    lines = []
    if not len(rows):
        return NOTHING
    for opening in sorted(analysis.trial.settings.openings, key=lambda o: o.days):
        mine = rows[rows["opening"] == opening.name]
        lines.append(
            {
                "opening": opening.name,
                "planned_days": opening.days,
                "window": _window(opening),
                "results": len(mine),
                "smallest_days": mine["days"].min(),
                "median_days": mine["days"].median(),
                "largest_days": mine["days"].max(),
                "outside": int((~mine["inside"]).sum()),
            }
        )
    labels = {
        "smallest_days": say("table.days_smallest"),
        "median_days": noun("median", 1),
        "largest_days": say("column.largest"),
        "outside": say("table.outside"),
    }
    title = say("table.days")
    return Table(pd.DataFrame(lines), title=title, labels=labels, name="days_in_storage")


def _window(opening: Opening) -> str:
    low, high = opening.window
    return say("phrase.span", low=f"{low:g}", high=f"{high:g}")


def found(result: ResponseAnalysis) -> Shown:
    """Show the values by opening and binding without a model."""
    if not len(result.summary):
        return NOTHING
    unit = result.records.unit
    labels = {
        "days": say("table.mean_days"),
        "std_dev": say("table.sd"),
        "mean_uncorrected": say("table.mean_uncorrected"),
    }
    labels[f"{unit.word}s"] = unit.several
    frame = result.summary.frame
    values = ("median", "mean", "std_dev", "smallest", "largest", "mean_uncorrected")
    return replace(
        result.summary,
        frame=frame.assign(std_error=frame["std_dev"] / np.sqrt(frame[f"{unit.word}s"])),
        labels=labels,
        formats={f"{unit.word}s": ".0f", "below_limit": ".0f"},
        shown=tuple(map(str, frame)),
        errors=dict.fromkeys(values, "std_error"),
        name=f"{result.response.name}_found",
    )


def counts(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the openings that are reported as counts because too many values are below a limit."""
    table = result.records.counts
    if not len(table):
        return NOTHING
    frame = _by_binding(trial, table.frame)
    name = f"{result.response.name}_counts"
    return Table(
        frame, title=table.title, labels={"below_limit": say("table.below_limit")}, name=name
    )


def _by_binding(trial: Trial, frame: pd.DataFrame) -> pd.DataFrame:
    """Order rows by the days of the opening, then by the trial's order of bindings."""
    days = frame["opening"].map(planned_days(trial))
    place = frame["binding"].map({name: k for k, name in enumerate(trial.settings.compare)})
    return frame.iloc[np.lexsort((place, days))].reset_index(drop=True)


def correction(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show DM loss with and without the correction of DM for volatiles, by opening and binding."""
    rows = result.records.rows
    if not len(rows):
        return NOTHING
    if "uncorrected" not in rows or rows["uncorrected"].isna().all():
        return Prose((say("table.correction_nothing"),))
    groups = rows.groupby(["opening", "binding"], sort=False)
    means = groups.agg(
        corrected=("value", "mean"), uncorrected=("uncorrected", "mean"), std_error=("value", "sem")
    )
    frame = _by_binding(trial, means.reset_index())
    frame["change"] = frame["corrected"] - frame["uncorrected"]
    return Table(
        frame,
        title=say("table.correction", what=result.response.label),
        notes=(
            say(
                "table.correction_note",
                unit=result.response.level_unit,
                units=result.records.unit.several,
            ),
        ),
        shown=("opening", "binding", "corrected", "uncorrected", "change"),
        errors=dict.fromkeys(("corrected", "uncorrected", "change"), "std_error"),
        name=f"{result.response.name}_correction",
    )
