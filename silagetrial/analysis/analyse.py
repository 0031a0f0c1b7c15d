"""Analyse a trial: from its values to the answers its design supports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from silagetrial.analysis.catalogue import responses_of
from silagetrial.analysis.compare import Comparison, comparison, told, told_at_openings
from silagetrial.analysis.day0 import covariate_columns
from silagetrial.analysis.exact import exact_table
from silagetrial.analysis.fitted import fitted
from silagetrial.analysis.half_widths import half_widths
from silagetrial.analysis.model import ModelChoice, choose_model
from silagetrial.analysis.other_forms import other_forms
from silagetrial.analysis.planned import with_planned
from silagetrial.analysis.records import Records, records_of
from silagetrial.analysis.responses import BUTYRIC_ACID, Response
from silagetrial.analysis.results import Analysis, ResponseAnalysis
from silagetrial.analysis.sensitivity import planned_structure
from silagetrial.analysis.strata import completed, confounded_openings
from silagetrial.analysis.terms import SPLITTING
from silagetrial.analysis.witness import Witness, statsmodels_witness
from silagetrial.data.settings import Settings
from silagetrial.data.trial import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import joined
from silagetrial.display.table import Table
from silagetrial.errors import DataProblems, NoAnswer
from silagetrial.mixed import Fit, term_tests
from silagetrial.mixed.detected import without_negative

__all__ = ["analyse"]

NOTHING = Table(pd.DataFrame())


def analyse(trial: Trial, *, progress: Callable[[str], None] | None = None) -> Analysis:
    """Analyse butyric acid, DM loss and further responses planned, by binding and opening.

    Parameters
    ----------
    trial : Trial
        From `read_trial`.
    progress : callable, optional
        Told in a few words what is being done.

    Returns
    -------
    Analysis
        A response that the design gives no answer about says why.

    Raises
    ------
    DataProblems
        The trial has errors.

    Examples
    --------
    >>> from silagetrial import analyse, read_trial                      # doctest: +SKIP
    >>> analysis = analyse(read_trial("data_demo/three_farms"))          # doctest: +SKIP
    >>> print(analysis["butyric_acid"].differences)                      # doctest: +SKIP
    """
    if trial.errors:
        raise DataProblems(trial.errors)
    tell = progress or (lambda _: None)
    found = {}
    for response in responses_of(trial.settings):
        tell(f"fitting {response.label.lower() if response is BUTYRIC_ACID else response.label}")
        result = analyse_response(trial, response)
        rows, over_storage = (
            _with_covariates(trial, part)
            for part in (result.records.modelled, result.records.over_storage)
        )
        found[response.name] = with_planned(trial, result, rows, over_storage)
    return Analysis(trial, found)


def analyse_response(trial: Trial, response: Response) -> ResponseAnalysis:
    """Analyse one response."""
    records = records_of(trial, response)
    summary = _summary(records, trial.settings.compare)
    if not len(records.rows):
        refusal = NoAnswer(
            found=_none_found(trial, records),
            expected=response.needs,
            remedy=say("refused.no_values_remedy"),
        )
        return _unanswered(records, summary, None, refusal)
    rows = _with_covariates(trial, records.modelled)
    if not len(rows):
        refusal = NoAnswer(
            found=say("refused.all_below"),
            expected=say("refused.all_below_expected"),
            remedy=say("refused.all_below_remedy"),
        )
        return _unanswered(records, summary, None, refusal)
    choice = choose_model(rows, trial.settings)
    if choice.refusal is not None:
        return _unanswered(records, summary, choice, choice.refusal)
    try:
        fit = fitted(rows, choice, trial.settings)
        wanted = comparison(
            fit, trial.settings, openings=choice.levels["opening"], refused=choice.confounded
        )
    except NoAnswer as refusal:
        return _unanswered(records, summary, choice, refusal)
    return _answered(trial, records, rows, summary, choice, fit, wanted)


def _none_found(trial: Trial, records: Records) -> str:
    """That every value is missing, with the reasons, counted."""
    label = records.response.label
    due = trial.due.frame["table"].value_counts()
    if not len(trial.bales) and "bales" in due:
        planned = say("refused.no_bale", number=due["bales"])
        return say("refused.no_values_why", label=label, why=planned)
    reasons = records.reasons.items()
    why = [say("refused.times", number=number, reason=reason) for reason, number in reasons]
    if not why:
        return say("refused.no_values", label=label)
    return say("refused.no_values_why", label=label, why=joined(why, last="comma"))


def _with_covariates(trial: Trial, rows: pd.DataFrame) -> pd.DataFrame:
    """Rows of a model with the blocks they lie in and the covariates planned."""
    return covariate_columns(trial, completed(rows).reset_index(drop=True))


def _summary(records: Records, bindings: tuple[str, ...]) -> Table:
    """Values by opening and binding without a model."""
    rows = records.rows
    if not len(rows):
        return NOTHING
    cells = rows.groupby(["opening", "binding"], sort=False)
    values = cells["value_used"]
    frame = pd.DataFrame(
        {
            "days": cells["days"].mean(),
            f"{records.unit.word}s": values.size(),
            "below_limit": cells["below"].sum(),
            "median": values.median(),
            "mean": values.mean(),
            "std_dev": values.std(),
            "smallest": values.min(),
            "largest": values.max(),
        }
    ).reset_index()
    planned = frame["opening"].map(rows.groupby("opening")["planned_days"].first())
    place = frame["binding"].map({name: i for i, name in enumerate(bindings)})
    frame = frame.iloc[np.lexsort((place, planned))]
    if records.response.scale == "identity":
        frame = frame.drop(columns="below_limit")
    if "uncorrected" in rows:
        uncorrected = cells["uncorrected"].mean().reset_index()
        frame = frame.merge(uncorrected, on=["opening", "binding"])
        frame = frame.rename(columns={"uncorrected": "mean_uncorrected"})
    unit = records.response.level_unit
    some_below = "below_limit" in frame and frame["below_limit"].any()
    note = say("records.in_unit_below" if some_below else "records.in_unit", unit=unit)
    title = say("records.summary", label=records.response.label)
    return Table(frame.reset_index(drop=True), title=title, notes=(note,))


def _unanswered(
    records: Records, summary: Table, choice: ModelChoice | None, refusal: NoAnswer
) -> ResponseAnalysis:
    return ResponseAnalysis(
        response=records.response, records=records, summary=summary, model=choice, fit=None,
        refusal=refusal, refused=NOTHING, comparison=None, means=NOTHING, differences=NOTHING,
        average=NOTHING, growth=NOTHING, half_widths=NOTHING, tests=NOTHING, variances=NOTHING,
        exact=NOTHING, witness=None, residuals=pd.DataFrame(),
    )  # fmt: skip


def _answered(
    trial: Trial,
    records: Records,
    rows: pd.DataFrame,
    summary: Table,
    choice: ModelChoice,
    fit: Fit,
    wanted: Comparison,
) -> ResponseAnalysis:
    response, settings = records.response, trial.settings
    level = 1.0 - settings.analysis.alpha
    label, effect = response.label, response.effect_word
    means, differences = told_at_openings(
        fit, wanted, response, openings=choice.levels["opening"], level=level
    )
    average = growth = NOTHING
    if wanted.average is not None:
        average = told(fit, wanted.average, response, kind="effect", level=level, joint=True)
        average = replace(average, title=say("compared.average", label=label, effect=effect))
    if wanted.growth is not None:
        growth = told(fit, wanted.growth, response, kind="effect", level=level, joint=True)
        growth = replace(growth, title=say("compared.growth", label=label, effect=effect))
    return ResponseAnalysis(
        response=response,
        records=records,
        summary=summary,
        model=choice,
        fit=fit,
        refusal=None,
        refused=_refused(rows, choice, wanted),
        comparison=wanted,
        means=means,
        differences=differences,
        average=average,
        growth=growth,
        half_widths=half_widths(differences, average, growth, response),
        tests=replace(term_tests(fit), title=say("compared.tests", label=label)),
        variances=replace(fit.variances, title=say("compared.variances", label=label)),
        exact=exact_table(rows, settings, choice, wanted, response, level),
        witness=_witness(rows, choice, settings, fit, wanted),
        residuals=_residuals(rows, fit),
        other_forms=other_forms(trial, records, rows, choice, wanted),
    )


def _witness(
    rows: pd.DataFrame, choice: ModelChoice, settings: Settings, fit: Fit, wanted: Comparison
) -> Witness | None:
    """Ask statsmodels, with variances held at zero or above.

    None where that has no maximum, or where a structure of the residual is planned: statsmodels
    has neither variances by group nor serial correlation.
    """
    if planned_structure(settings):
        return None
    if (fit.theta > 0).all():
        return statsmodels_witness(fit, wanted.differences)
    try:
        bounded = fitted(rows, choice, settings, zero=True)
    except NoAnswer:
        return None
    return statsmodels_witness(bounded, wanted.differences)


def _refused(rows: pd.DataFrame, choice: ModelChoice, wanted: Comparison) -> Table:
    """Comparisons at single openings that have no answer."""
    refused = []
    told_by = {**confounded_openings(rows, SPLITTING), **choice.confounded}
    for opening in choice.levels["opening"]:
        if opening in wanted.openings:
            continue
        there = set(rows.loc[rows["opening"] == opening, "binding"])
        absent = [name for name in choice.levels["binding"] if name not in there]
        if absent:
            bindings = joined(absent, last="comma")
            refused.append(
                (opening, say("refused.opening_absent", bindings=bindings),
                 say("refused.opening_absent_expected"),
                 say("refused.opening_absent_remedy", opening=opening))
            )  # fmt: skip
        else:
            what = told_by.get(opening) or say("refused.further_term")
            refused.append(
                (opening, say("refused.opening_told", what=what),
                 say("refused.opening_told_expected", what=what),
                 say("refused.opening_told_remedy", opening=opening, what=what))
            )  # fmt: skip
    frame = pd.DataFrame(refused, columns=["opening", "found", "expected", "remedy"])
    return Table(frame, title=say("refused.title"))


def _residuals(rows: pd.DataFrame, fit: Fit) -> pd.DataFrame:
    """Residuals within the smallest unit, in units of their own spread.

    Beside a negative variance, effects of the other units would swallow or swell them.
    """
    used = rows.iloc[fit.frame.rows][["bale", "binding", "opening"]].reset_index(drop=True)
    residual = without_negative(fit).residuals
    standardised = residual / residual.std(ddof=0)
    return used.assign(fitted=fit.fitted, residual=residual, standardised=standardised)
