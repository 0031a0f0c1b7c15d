"""DM loss under the corrections of DM for volatiles that were not planned, by the same model."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import pandas as pd

from silagetrial.analysis.compare import Comparison, told_at_openings
from silagetrial.analysis.fitted import fitted
from silagetrial.analysis.model import ModelChoice
from silagetrial.analysis.records import Records, records_of
from silagetrial.analysis.responses import DM_LOSS
from silagetrial.data.settings import Form
from silagetrial.data.trial import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import joined
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer

__all__ = ["OtherForm", "other_forms"]

FORMS: Final[tuple[Form, ...]] = ("none", "full", "short")
_VALUE: Final = ["bale", "opening", "sample"]
"""What tells a value from the others."""

NOTHING = Table(pd.DataFrame())


@dataclass(frozen=True, eq=False)
class OtherForm:
    """What the model says of DM loss when DM at opening is corrected otherwise than planned.

    Attributes
    ----------
    form : {"none", "full", "short"}
        ``none`` is DM of the oven.
    means, differences : Table
        At each opening, as those of the analysis; empty without an answer.
    refusal : NoAnswer or None
        Why there is no answer under this form.
    """

    form: Form
    means: Table
    differences: Table
    refusal: NoAnswer | None


def other_forms(
    trial: Trial, records: Records, rows: pd.DataFrame, choice: ModelChoice, wanted: Comparison
) -> dict[Form, OtherForm]:
    """Put DM loss by each form that was not planned through the model of the analysis.

    Parameters
    ----------
    trial : Trial
    records : Records
    rows : pandas.DataFrame
        The rows modelled.
    choice : ModelChoice
        The model: fixed part and random terms stay as they are.
    wanted : Comparison
        The linear functions asked for.

    Returns
    -------
    dict
        By form; empty for a response that is no DM loss. A form has an answer only where every
        value of the analysis has one under it, so that the comparison is of the same bales.
    """
    if records.response is not DM_LOSS:
        return {}
    planned = trial.settings.dm_correction.form
    found = {}
    for form in FORMS:
        if form == planned:
            continue
        try:
            found[form] = _under(trial, form, records, rows, choice, wanted)
        except NoAnswer as refusal:
            found[form] = OtherForm(form, NOTHING, NOTHING, refusal)
    return found


def _under(
    trial: Trial,
    form: Form,
    records: Records,
    rows: pd.DataFrame,
    choice: ModelChoice,
    wanted: Comparison,
) -> OtherForm:
    """The model's answer under one form."""
    settings = trial.settings
    other = rows.assign(y=_values(trial, form, records, rows))
    fit = fitted(other, choice, settings)
    means, differences = told_at_openings(
        fit,
        wanted,
        records.response,
        openings=choice.levels["opening"],
        level=1.0 - settings.analysis.alpha,
    )
    return OtherForm(form, means, differences, None)


def _values(trial: Trial, form: Form, records: Records, rows: pd.DataFrame) -> pd.Series[float]:
    """DM loss of each row under another form, %; `NoAnswer` where one has none."""
    theirs = int(rows["uncorrected"].isna().sum())
    if theirs == len(rows) or (theirs and form == "none"):
        raise NoAnswer(
            found=say("beside.laboratory_dm", number=theirs, values=len(rows)),
            expected=say("beside.laboratory_dm_expected"),
            remedy=say("beside.laboratory_dm_remedy"),
        )
    if form == "none":
        return rows["uncorrected"]
    rule = replace(trial.settings.dm_correction, form=form)
    there = replace(trial, settings=replace(trial.settings, dm_correction=rule))
    other = records_of(there, records.response)
    values = rows[_VALUE].merge(other.rows[[*_VALUE, "value"]], on=_VALUE, how="left")["value"]
    lacking = int(values.isna().sum())
    if lacking:
        why = [reason for reason in other.reasons if reason not in records.reasons]
        found = say("beside.form_lacks", number=lacking, values=len(rows))
        if why:
            told = {"number": lacking, "values": len(rows), "why": joined(why, last="comma")}
            found = say("beside.form_lacks_why", **told)
        raise NoAnswer(
            found=found,
            expected=say("beside.form_lacks_expected"),
            remedy=say("beside.form_lacks_remedy"),
        )
    return values
