"""The model's tables as the report shows them; all numbers stay as the analysis made them."""

from __future__ import annotations

from dataclasses import replace
from typing import Final, TypeAlias

import numpy as np
import pandas as pd

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import joined, level_name
from silagetrial.report.correction import forms_without, uncorrected, without_correction
from silagetrial.report.figures_data import effect_word
from silagetrial.report.findings import at_openings, bindings_of

__all__ = [
    "NOTHING",
    "Shown",
    "alone_in_title",
    "correction_note",
    "differences",
    "growth",
    "half_widths",
    "limit_labels",
    "named",
    "refused",
    "terms",
    "tests",
    "variances",
]

Shown: TypeAlias = Table | Prose
"""A table, or empty prose where the design supports no answer: the reason stands once, above."""

NOTHING: Final = Prose(())


def differences(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the comparisons of bindings at each opening, alone and as a simultaneous family."""
    if not result.answered:
        return NOTHING
    frame = named(trial, result, result.differences.frame)
    title, who = alone_in_title("table.differences", result, frame)
    columns = [*who, "opening", "estimate", "conf_low", "conf_high", "p_value"]
    columns += ["sim_low", "sim_high", "p_adjusted"]
    labels = {**limit_labels(trial), "estimate": effect_word(result)}
    if without_correction(result) is not None:
        plain = [uncorrected(trial, result, f) for f in at_openings(trial, result)]
        frame = frame.assign(uncorrected=np.array(plain, dtype=float))
        columns.append("uncorrected")
    names = dict(zip(frame["term"], frame["comparison"], strict=True))
    notes = [_df_note(frame["df"])]
    notes += [note for note in result.differences.notes if "imultaneous" in note]
    for term, name in names.items():
        notes = [note.replace(f"{term}: ", f"{name}: ") for note in notes]
    return Table(
        frame,
        title=title,
        labels=labels,
        shown=tuple(columns),
        errors={"uncorrected": "std_error"},
        notes=(
            *notes,
            *_unit_note(result),
            *correction_note(result),
            *_coefficients(result),
            *forms_without(result),
        ),
        name=f"{result.response.name}_differences",
    )


def _df_note(df: pd.Series[float]) -> str:
    """Degrees of freedom below the table: as a column they would make it too wide to read."""
    low, high = f"{df.min():.1f}", f"{df.max():.1f}"
    return say("table.df", df=low if low == high else say("phrase.span", low=low, high=high))


def _coefficients(result: ResponseAnalysis) -> tuple[str, ...]:
    """What is not yet known about the correction; said here and in the methods, nowhere else."""
    known = without_correction(result) is not None
    return (say("correction.coefficients"),) if known else ()


def growth(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show the comparisons averaged over openings, and their change over storage."""
    if not len(result.average) or result.comparison is None:
        return NOTHING
    openings = result.comparison.openings
    title = say("table.growth", what=result.response.label, openings=joined(openings))
    average = named(trial, result, result.average.frame)
    parts = [average.assign(what=say("table.average"))]
    if len(result.growth):
        change = named(trial, result, result.growth.frame)
        parts.append(change.assign(what=say("table.change", first=openings[0], last=openings[-1])))
    frame = pd.concat(parts, ignore_index=True)
    columns = ["comparison", "what", "estimate", "conf_low", "conf_high", "p_value"]
    columns += [c for c in ("sim_low", "sim_high", "p_adjusted") if c in frame]
    note = say("table.growth_note")
    return Table(
        frame,
        title=title,
        labels={**limit_labels(trial), "what": "", "estimate": effect_word(result)},
        shown=(*columns, "df"),
        notes=(note, *_unit_note(result)),
        name=f"{result.response.name}_growth",
    )


def half_widths(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show half the width of each interval: what the trial could not tell from no difference."""
    title = say("table.unseen", what=result.response.label)
    if not result.answered:
        return NOTHING
    frame = named(trial, result, result.half_widths.frame)
    parts = [result.differences.frame.assign(contrast=result.differences.frame["opening"])]
    for name, table in (("average", result.average), ("growth", result.growth)):
        if len(table):
            parts.append(table.frame.assign(contrast=name))
    errors = pd.concat(parts)[["term", "contrast", "std_error"]]
    frame = frame.merge(errors, on=["term", "contrast"], how="left")
    ratio = result.response.effect == "ratio"
    word = say("table.factor") if ratio else result.response.unit
    return replace(
        result.half_widths,
        frame=frame,
        title=title,
        labels={"contrast": say("table.at"), "half_width": say("table.half_width", unit=word)},
        shown=("comparison", "contrast", "half_width"),
        errors={"half_width": "std_error"},
        name=f"{result.response.name}_half_widths",
    )


def refused(result: ResponseAnalysis) -> Shown:
    """Show the openings without a comparison, and what would give one."""
    if not len(result.refused):
        return NOTHING
    return replace(result.refused, name=f"{result.response.name}_refused")


def terms(analysis: Analysis) -> tuple[Table, ...]:
    """Show every term considered for the models, kept or left out, with the reason.

    Responses with the same terms for the same reasons share a table.
    """
    groups: list[tuple[list[str], Table]] = []
    for name, result in analysis.responses.items():
        if result.model is None:
            continue
        table, label = replace(result.model.terms, name=f"{name}_terms"), result.response.label
        same = next((labels for labels, known in groups if known.frame.equals(table.frame)), None)
        if same is None:
            groups.append(([label], table))
        else:
            same.append(label)
    return tuple(
        replace(table, title=say("table.terms", labels=joined(labels))) for labels, table in groups
    )


def tests(result: ResponseAnalysis) -> Shown:
    """Show the F tests of the fixed part."""
    title = say("table.tests", what=result.response.label)
    if not result.answered:
        return NOTHING
    name = f"{result.response.name}_tests"
    return replace(
        result.tests,
        title=title,
        labels={"statistic": "F", "p_value": "p"},
        notes=(*result.tests.notes, say("table.tests_note")),
        name=name,
    )


def variances(result: ResponseAnalysis) -> Shown:
    """Show the variances, their standard errors, and standard deviations."""
    title = say("table.variances", what=result.response.label)
    if not result.answered:
        return NOTHING
    log = result.response.scale == "log"
    frame = result.variances.frame.drop(columns="kind")
    if not frame["remark"].any():
        frame = frame.drop(columns="remark")
    return Table(
        frame,
        title=title,
        labels={"std_dev": say("table.sd"), "estimate": say("table.variance")},
        formats={"std_dev": "#.3g"},
        notes=(say("table.variances_log" if log else "table.variances_points"),),
        name=f"{result.response.name}_variances",
    )


def named(trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame) -> pd.DataFrame:
    """Add each comparison's name in the form of its scale: ``film / net`` or ``film − net``."""
    sign = "/" if result.response.effect == "ratio" else "\N{MINUS SIGN}"
    names = [
        f" {sign} ".join(bindings_of(str(term), trial.settings.compare)) for term in frame["term"]
    ]
    return frame.assign(comparison=names)


def alone_in_title(
    text: str, result: ResponseAnalysis, frame: pd.DataFrame
) -> tuple[str, list[str]]:
    """Put a single comparison's name into the title and leave its column out.

    Parameters
    ----------
    text : str
        Name of the title's text, which has places for the response and for the comparison.
    result : ResponseAnalysis
    frame : pandas.DataFrame
        With the column ``comparison``, from `named`.

    Returns
    -------
    title : str
    columns : list of str
        ``["comparison"]`` where there are several.
    """
    names = list(dict.fromkeys(frame["comparison"]))
    one = len(names) == 1
    compared = names[0] if one else say("table.bindings_compared")
    title = say(text, what=result.response.label, comparison=compared)
    return title, [] if one else ["comparison"]


def correction_note(result: ResponseAnalysis) -> tuple[str, ...]:
    """Return what the column of uncorrected values is; nothing where there is none."""
    if without_correction(result) is None:
        return ()
    return (say("table.uncorrected_note"),)


def limit_labels(trial: Trial) -> dict[str, str]:
    """Headings of the limits of intervals."""
    level = level_name(1 - trial.settings.analysis.alpha)
    return {
        "conf_low": say("limit.low", level=level),
        "conf_high": say("limit.high", level=level),
        "sim_low": say("limit.adjusted_low"),
        "sim_high": say("limit.adjusted_high"),
        "p_value": "p",
        "p_adjusted": say("limit.adjusted_p"),
    }


def _unit_note(result: ResponseAnalysis) -> tuple[str, ...]:
    if result.response.effect == "ratio":
        return (say("table.ratios"),)
    return (say("table.in_unit", unit=result.response.unit),)
