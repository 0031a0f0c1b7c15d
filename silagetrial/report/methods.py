"""How the numbers were made, said so that a reader can judge and repeat it."""

from __future__ import annotations

from collections.abc import Hashable, Mapping
from typing import Any

import numpy as np

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.block import Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import count, joined, p_value
from silagetrial.report import inference, paper, symbols, values
from silagetrial.report.cited import REFERENCES, cited_in
from silagetrial.report.laid_out import laid_out
from silagetrial.report.looks import Log
from silagetrial.report.software import software
from silagetrial.report.tables_results import named
from silagetrial.report.tables_witnesses import side_by_side
from silagetrial.report.trust import by_design, by_rows

__all__ = [
    "cited", "design", "in_symbols", "methods", "model", "notes", "references", "rerun",
    "witnesses",
]  # fmt: skip


def design(trial: Trial) -> Prose:
    """Return how the trial was laid out: bindings, bales, pairs, sites, openings."""
    return Prose(tuple(laid_out(trial)))


def notes(result: ResponseAnalysis) -> Prose:
    """Return how the values of a response were made: units, limits, correction, basis."""
    return Prose(result.records.notes, kind="list")


def model(result: ResponseAnalysis) -> Prose:
    """Return the model chosen in one line, and what its answer is about."""
    choice, label = result.model, result.response.label
    if choice is None:
        return Prose((say("model.no_values", label=label),))
    response = f"log({result.response.name})" if result.response.scale == "log" else (
        result.response.name
    )  # fmt: skip
    fixed = choice.formula.replace("y ~", f"{response} ~", 1)
    lines = [
        say("model.terms", label=label, fixed=fixed, random=joined(choice.random))
        if choice.random
        else say("model.only_residual", label=label, fixed=fixed)
    ]
    if result.answered:
        df = count(choice.error_df, "degree of freedom")
        lines.append(say("model.scope", scope=choice.scope, df=df))
    if result.records.unit.size > 1:
        lines.append(say("model.together", unit=result.records.unit.each))
    lines.append(say("methods.by_design"))
    return Prose((" ".join(lines),))


def methods(analysis: Analysis, log: Log | None = None) -> Prose:
    """Return the methods, one point each: only what was run is told.

    Parameters
    ----------
    analysis : Analysis
    log : Log, optional
        Looks before the end.
    """
    log = log or Log()
    return Prose(
        (
            " ".join(laid_out(analysis.trial)),
            *values.points(analysis),
            *inference.points(analysis),
            *by_design(analysis),
            *software(analysis),
            *inference.plan(analysis),
            *log.told(),
        ),
        kind="list",
    )


def in_symbols(analysis: Analysis) -> tuple[Prose, ...]:
    """Return the mass balance and each model in symbols, every term of it in words."""
    return (*symbols.of_loss(analysis), *symbols.of_models(analysis))


def cited(analysis: Analysis, log: Log | None = None) -> tuple[str, ...]:
    """Return the keys of the works that a report cites.

    Parameters
    ----------
    analysis : Analysis
    log : Log, optional
        Looks before the end.
    """
    lines = [*methods(analysis, log).lines, *paper.paragraph(analysis, log).lines]
    for result in analysis.responses.values():
        lines += result.records.notes
    return cited_in(lines)


def references(analysis: Analysis) -> Prose:
    """Return the works that a report cites."""
    return Prose(tuple(REFERENCES[key].text for key in cited(analysis)), kind="list")


def rerun() -> Prose:
    """Return how to run the report again."""
    lines = (
        say("rerun.complete"), say("rerun.install"), say("rerun.command"), say("rerun.notebook"),
        say("rerun.manifest"),
    )  # fmt: skip
    return Prose(lines, kind="list")


def witnesses(trial: Trial, result: ResponseAnalysis) -> Prose:
    """Return how far the paired t and statsmodels bear the model out, or disagree with it."""
    if not result.answered:
        return Prose((say("witness.nothing", label=result.response.label),))
    lines = [_paired_words(trial, result)]
    if result.witness is None:
        lines.append(say("witness.no_maximum"))
    else:
        frame, remark = result.witness.table, result.witness.remark
        digits = frame["digits"].to_numpy()
        errors = digits[(frame["quantity"] == "std_error").to_numpy()]
        shown = {"digits": f"{digits[0]:.0f}", "errors": f"{errors.min():.0f}"}
        agrees = result.witness.agrees
        said = say("witness.agrees", **shown) if agrees else say("witness.parts", **shown)
        lines.append(say("witness.remark", said=said, remark=remark) if remark else said)
    return Prose((*lines, *by_rows(trial, result)))


def _paired_words(trial: Trial, result: ResponseAnalysis) -> str:
    """How far the paired t says the same as the model."""
    label, alpha = result.response.label, trial.settings.analysis.alpha
    if "estimate" not in result.exact.frame or result.exact.frame["p_value"].isna().all():
        return say("witness.no_paired", label=label)
    both = named(trial, result, side_by_side(result))
    both = both[both["p_paired"].notna()]
    ratio = result.response.effect == "ratio"
    model, paired = both["model"].to_numpy(), both["paired"].to_numpy()
    apart = np.abs(np.log(paired / model) if ratio else paired - model)
    both["far"] = apart > both["model_error"].to_numpy() / 2
    both["verdict"] = (both["p_model"] < alpha) != (both["p_paired"] < alpha)
    parted = both[both["verdict"] | both["far"]]
    if not len(parted):
        return say("witness.same", label=label, alpha=f"{alpha:g}")
    one = both["term"].nunique() == 1
    where = joined([_where_parted(row, one=one) for row in parted.to_dict("records")])
    recored = trial.settings.design == "recored"
    said = (
        say("witness.apart_recored", label=label, where=where)
        if recored
        else say("witness.apart", label=label, where=where)
    )
    return " ".join([said, *([say("witness.unsettled")] if both["verdict"].any() else [])])


def _where_parted(row: Mapping[Hashable, Any], *, one: bool) -> str:
    """Name a contrast on which the two disagree, and in what."""
    name = row["contrast"] if one else say(
        "witness.contrast", comparison=row["comparison"], contrast=row["contrast"]
    )  # fmt: skip
    if row["verdict"]:
        model, paired = p_value(row["p_model"]), p_value(row["p_paired"])
        return say("witness.verdict", contrast=name, model=model, paired=paired)
    return say("witness.far", contrast=name)
