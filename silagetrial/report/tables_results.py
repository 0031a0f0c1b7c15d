"""The model's tables as the report shows them; all numbers stay as the analysis made them."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.report.block import Prose
from silagetrial.report.findings import (
    at_openings,
    bindings_of,
    correction_effect,
    is_corrected,
    planned_days,
    uncorrected,
)
from silagetrial.report.phrases import level_name

__all__ = [
    "NOTHING",
    "Shown",
    "differences",
    "growth",
    "half_widths",
    "means",
    "named",
    "refused",
    "terms",
    "tests",
    "variances",
]

Shown: TypeAlias = Table | Prose
"""A table, or empty prose where the design supports no answer: the reason stands once, above."""

NOTHING: Final = Prose(())


def means(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the adjusted means by opening and binding with their intervals."""
    if not result.answered:
        return NOTHING
    frame = result.means.frame
    days = frame["opening"].map(planned_days(trial))
    place = frame["binding"].map({name: k for k, name in enumerate(trial.settings.compare)})
    ordered = frame.iloc[np.lexsort((place, days))]
    columns = ["opening", "binding", "estimate", "conf_low", "conf_high", "df"]
    word = "median" if result.response.scale == "log" else "mean"
    labels = {**_limits(trial), "estimate": word}
    note = f"In {result.response.unit}."
    if result.response.scale == "log":
        note = f"Medians in {result.response.unit}: the model is of the logarithm."
    shown = ordered[columns].reset_index(drop=True)
    effect = correction_effect(result)
    if effect:
        cells = zip(shown["opening"], shown["binding"], strict=True)
        shown["uncorrected"] = shown["estimate"] - np.array([effect[cell] for cell in cells])
        labels["uncorrected"] = "uncorrected"
    return Table(
        shown,
        title=f"{result.response.label}: adjusted {word}s",
        labels=labels,
        formats={"uncorrected": ".2f"},
        notes=(note, *_correction_note(result)),
    )


def _correction_note(result: ResponseAnalysis) -> tuple[str, ...]:
    if not is_corrected(result):
        return ()
    return (
        "DM at opening is corrected for volatiles, coefficients from memory; without the "
        "correction: the estimate less the mean effect of the correction.",
    )


def differences(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the comparisons of bindings at each opening, alone and as a simultaneous family."""
    title = f"{result.response.label}: bindings compared at each opening"
    if not result.answered:
        return NOTHING
    frame = named(trial, result, result.differences.frame)
    columns = ["comparison", "opening", "estimate", "conf_low", "conf_high", "p_value"]
    columns += ["sim_low", "sim_high", "p_adjusted", "df"]
    labels = {**_limits(trial), "estimate": result.response.effect}
    if is_corrected(result):
        plain = [uncorrected(result, f) for f in at_openings(trial, result)]
        frame = frame.assign(uncorrected=np.array(plain, dtype=float))
        columns.append("uncorrected")
        labels["uncorrected"] = "uncorrected"
    names = dict(zip(frame["term"], frame["comparison"], strict=True))
    notes = [note for note in result.differences.notes if "imultaneous" in note]
    for term, name in names.items():
        notes = [note.replace(f"{term}: ", f"{name}: ") for note in notes]
    return Table(
        frame[columns],
        title=title,
        labels=labels,
        formats={"uncorrected": ".2f"},
        notes=(*notes, *_unit_note(result), *_correction_note(result)),
    )


def growth(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the comparisons averaged over openings, and their change over storage."""
    title = f"{result.response.label}: over all openings"
    if not result.answered:
        return NOTHING
    parts = [named(trial, result, result.average.frame).assign(what="average of the openings")]
    if len(result.growth):
        change = named(trial, result, result.growth.frame)
        parts.append(change.assign(what="change from the first to the last opening"))
    frame = pd.concat(parts, ignore_index=True)
    columns = ["comparison", "what", "estimate", "conf_low", "conf_high", "p_value"]
    columns += [c for c in ("sim_low", "sim_high", "p_adjusted") if c in frame]
    note = "The change is that of a straight line in log(1 + days), named before the data."
    return Table(
        frame[[*columns, "df"]],
        title=title,
        labels={**_limits(trial), "what": "", "estimate": result.response.effect},
        notes=(note, *_unit_note(result)),
    )


def half_widths(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show half the width of each interval: what the trial could not tell from no difference."""
    title = f"{result.response.label}: what the trial could not see"
    if not result.answered:
        return NOTHING
    frame = named(trial, result, result.half_widths.frame)
    word = "factor" if result.response.effect == "ratio" else result.response.unit
    return replace(
        result.half_widths,
        frame=frame[["comparison", "contrast", "half_width"]],
        title=title,
        labels={"contrast": "at", "half_width": f"half the width, {word}"},
    )


def refused(result: ResponseAnalysis) -> Shown:
    """Show the openings without a comparison, and what would give one."""
    if len(result.refused):
        return result.refused
    return Prose(("Every opening in the model has values of all bindings.",))


def terms(result: ResponseAnalysis) -> Shown:
    """Show every term considered for the model, kept or left out, with the reason."""
    title = f"{result.response.label}: terms of the model, and why"
    if result.model is None:
        return NOTHING
    return replace(result.model.terms, title=title)


def tests(result: ResponseAnalysis) -> Shown:
    """Show the F tests of the fixed part."""
    title = f"{result.response.label}: F tests of the fixed part"
    if not result.answered:
        return NOTHING
    return replace(result.tests, title=title, labels={"statistic": "F"})


def variances(result: ResponseAnalysis) -> Shown:
    """Show the variances, their standard errors, and standard deviations."""
    title = f"{result.response.label}: variances"
    if not result.answered:
        return NOTHING
    scale = "squared logarithms" if result.response.scale == "log" else "squared points"
    frame = result.variances.frame.drop(columns="kind")
    if not frame["remark"].any():
        frame = frame.drop(columns="remark")
    return Table(
        frame,
        title=title,
        labels={"std_dev": "SD", "estimate": "variance"},
        formats={"std_dev": "#.3g"},
        notes=(f"REML, in {scale}. A negative estimate is reported as none detected.",),
    )


def named(trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame) -> pd.DataFrame:
    """Add each comparison's name in the form of its scale: ``film / net`` or ``film − net``."""
    sign = "/" if result.response.effect == "ratio" else "\N{MINUS SIGN}"
    names = [
        f" {sign} ".join(bindings_of(str(term), trial.settings.compare)) for term in frame["term"]
    ]
    return frame.assign(comparison=names)


def _limits(trial: Trial) -> dict[str, str]:
    """Headings of the limits of intervals."""
    level = level_name(1 - trial.settings.analysis.alpha)
    return {
        "conf_low": f"{level} low",
        "conf_high": f"{level} high",
        "sim_low": "simultaneous low",
        "sim_high": "simultaneous high",
        "p_value": "p",
        "p_adjusted": "p, adjusted",
    }


def _unit_note(result: ResponseAnalysis) -> tuple[str, ...]:
    if result.response.effect == "ratio":
        return ("Ratios; tests and intervals were made on the logarithm.",)
    return (f"In {result.response.unit}.",)
