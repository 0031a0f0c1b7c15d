"""The adjusted means, with the standard error by which two of them are compared."""

from __future__ import annotations

import numpy as np
import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.language import say
from silagetrial.report.correction import without_correction
from silagetrial.report.figures_data import mean_word, means_word
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
    log = result.response.scale == "log"
    sed = say("table.sed_log") if log else say("table.sed")
    labels = {**limit_labels(trial), "estimate": mean_word(result), "sed": sed}
    labels["sed_df"] = say("table.sed_df")
    note = say("table.medians_in" if log else "table.in_unit", unit=result.response.level_unit)
    shown = _with_sed(trial, result, ordered.reset_index(drop=True))
    columns = ["opening", "binding", "estimate", "conf_low", "conf_high", "df"]
    plain = without_correction(result)
    if plain is not None:
        cells = ["opening", "binding"]
        other = plain.means.frame[[*cells, "estimate"]]
        shown = shown.merge(other.rename(columns={"estimate": "uncorrected"}), on=cells)
        columns.append("uncorrected")
    return Table(
        shown,
        title=say("table.means", what=result.response.label, means=means_word(result)),
        labels=labels,
        shown=(*columns, "sed", "sed_df"),
        errors={"uncorrected": "std_error", "sed": "sed"},
        notes=(
            note,
            say("table.sed_note", binding=trial.settings.reference),
            *correction_note(result),
        ),
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
