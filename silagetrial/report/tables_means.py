"""The adjusted means, with the standard error by which two of them are compared."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.report.correction import correction_effect
from silagetrial.report.findings import bindings_of, planned_days
from silagetrial.report.tables_results import NOTHING, Shown, correction_note, limit_labels

__all__ = ["means"]


def means(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the adjusted means by opening and binding with their intervals."""
    if not result.answered or not len(result.means):
        return NOTHING
    frame = result.means.frame
    days = frame["opening"].map(planned_days(trial))
    place = frame["binding"].map({name: k for k, name in enumerate(trial.settings.compare)})
    ordered = frame.iloc[np.lexsort((place, days))]
    word = "median" if result.response.scale == "log" else "mean"
    log = result.response.scale == "log"
    sed = "SED of the logarithm" if log else "SED"
    labels = {**limit_labels(trial), "estimate": word, "sed": sed, "sed_df": "df of SED"}
    note = f"In {result.response.level_unit}."
    if log:
        note = f"Medians in {result.response.level_unit}: the model is of the logarithm."
    shown = _with_sed(trial, result, ordered.reset_index(drop=True))
    columns = ["opening", "binding", "estimate", "conf_low", "conf_high", "df"]
    effect = correction_effect(result)
    if effect:
        cells = zip(shown["opening"], shown["binding"], strict=True)
        shown["uncorrected"] = shown["estimate"] - np.array([effect[cell] for cell in cells])
        columns.append("uncorrected")
    return Table(
        shown,
        title=f"{result.response.label}: adjusted {word}s",
        labels=labels,
        shown=(*columns, "sed", "sed_df"),
        errors={"uncorrected": "std_error", "sed": "sed"},
        notes=(note, _SED.format(trial.settings.reference), *correction_note(result)),
        name=f"{result.response.name}_means",
    )


def _with_sed(trial: Trial, result: ResponseAnalysis, means: pd.DataFrame) -> pd.DataFrame:
    """Add the standard error of each binding's difference from the reference, and its df."""
    differences, reference = result.differences.frame, trial.settings.reference
    log = result.response.effect == "ratio"
    found: dict[tuple[str, str], tuple[float, float]] = {}
    for row in differences.to_dict("records"):
        both = set(bindings_of(str(row["term"]), trial.settings.compare))
        if reference in both:
            # The standard error of a ratio is that of its logarithm times the ratio.
            error = row["std_error"] / row["estimate"] if log else row["std_error"]
            found[row["opening"], (both - {reference}).pop()] = error, row["df"]
    cells = list(zip(means["opening"], means["binding"], strict=True))
    nothing = (float("nan"), float("nan"))
    return means.assign(
        sed=[found.get(cell, nothing)[0] for cell in cells],
        sed_df=[found.get(cell, nothing)[1] for cell in cells],
    )


_SED: Final = (
    "SED: standard error of the difference between this binding and {}, by which two means are "
    "compared; the intervals are of each mean alone."
)
