"""The model's two witnesses beside it: the paired t of each contrast, and statsmodels."""

from __future__ import annotations

import numpy as np
import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display import Table
from silagetrial.display.block import Folded, Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import level_name
from silagetrial.report.figures_data import effect_word
from silagetrial.report.tables_results import NOTHING, Shown, alone_in_title, named

__all__ = ["exact", "side_by_side", "witness"]


def exact(trial: Trial, result: ResponseAnalysis) -> Shown:
    """Show each comparison by the model and by the paired t side by side."""
    if not result.answered:
        return NOTHING
    if "estimate" not in result.exact.frame or result.exact.frame["estimate"].isna().all():
        return Prose(
            tuple(
                say("table.of", what=result.response.label, said=note)
                for note in result.exact.notes
            )
        )
    joined = side_by_side(result)
    shown = named(trial, result, joined)
    title, who = alone_in_title("table.exact", result, shown)
    effect = effect_word(result)
    columns = [*who, "contrast", "model", "model_low", "model_high", "p_model"]
    columns += ["paired", "paired_low", "paired_high", "p_paired", "df", "pairs"]
    by = ("model", "paired")
    errors = {f"{who}{end}": f"{who}_std_error" for who in by for end in ("", "_low", "_high")}
    labels = {
        "contrast": say("table.at"),
        "model": say("table.by_model", effect=effect),
        "model_low": say("limit.plain_low"),
        "model_high": say("limit.plain_high"),
        "p_model": "p",
        "paired": say("table.by_paired", effect=effect),
        "paired_low": say("limit.plain_low"),
        "paired_high": say("limit.plain_high"),
        "p_paired": "p",
    }
    level = level_name(1 - trial.settings.analysis.alpha)
    note = say("table.exact_alone", level=level)
    notes = (note, *(_lowered(text) for text in result.exact.notes))
    return Table(
        shown,
        title=title,
        labels=labels,
        shown=tuple(columns),
        errors=errors,
        notes=notes,
        name=f"{result.response.name}_paired_t",
    )


def _lowered(text: str) -> str:
    return say("table.exact_note", said=f"{text[0].lower()}{text[1:]}")


def side_by_side(result: ResponseAnalysis) -> pd.DataFrame:
    """Join the model's comparisons with the paired t of the same contrast, on the reader's scale.

    Returns
    -------
    pandas.DataFrame
        ``term contrast model model_low model_high p_model model_error paired paired_low
        paired_high p_paired df pairs remark``, the two estimates comparable; ``model_error`` is
        the standard error on the model's scale, ``model_std_error`` and ``paired_std_error`` are
        on the reader's.
    """
    log = result.response.effect == "ratio"
    parts = [result.differences.frame.assign(contrast=result.differences.frame["opening"])]
    for name, table in (("average", result.average), ("growth", result.growth)):
        if len(table):
            parts.append(table.frame.assign(contrast=name))
    model = pd.concat(parts, ignore_index=True)
    error = model["std_error"] / model["estimate"] if log else model["std_error"]
    model = model.assign(model_error=error).rename(
        columns={
            "estimate": "model",
            "std_error": "model_std_error",
            "conf_low": "model_low",
            "conf_high": "model_high",
            "p_value": "p_model",
        }
    )
    kept = ["term", "contrast", "model", "model_low", "model_high", "p_model", "model_error"]
    kept.append("model_std_error")
    paired = result.exact.frame.rename(
        columns={
            "estimate": "paired",
            "std_error": "paired_std_error",
            "conf_low": "paired_low",
            "conf_high": "paired_high",
            "p_value": "p_paired",
        }
    )
    if log:
        limits = ["paired", "paired_low", "paired_high"]
        paired[limits] = np.exp(paired[limits])
        paired["paired_std_error"] *= paired["paired"]
    both = [*("paired", "paired_low", "paired_high", "p_paired"), "df", "pairs", "remark"]
    both.append("paired_std_error")
    return model[kept].merge(paired[["term", "contrast", *both]], on=["term", "contrast"])


def witness(result: ResponseAnalysis) -> Folded | Prose:
    """Show the same model fitted by statsmodels beside ours, with the digits of agreement."""
    title = say("table.witness", what=result.response.label)
    if result.witness is None:
        return NOTHING
    frame = result.witness.table
    words = frame["quantity"].replace({"std_error": say("table.standard_error")})
    table = Table(
        frame.assign(quantity=words),
        title=title,
        labels={"ours": "silagetrial", "theirs": "statsmodels", "digits": say("table.digits")},
        formats={"ours": "#.6g", "theirs": "#.6g", "digits": ".1f"},
        notes=(say("table.witness_note"),),
        name=f"{result.response.name}_statsmodels",
    )
    return Folded(say("table.witness_folded", what=result.response.label), table)
