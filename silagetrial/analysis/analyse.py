"""Analyse a trial: from its values to the answers its design supports."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pandas as pd

from silagetrial.analysis.compare import Comparison, comparison, told
from silagetrial.analysis.exact import exact_table
from silagetrial.analysis.model import ModelChoice, choose_model
from silagetrial.analysis.responses import (
    BUTYRIC_ACID,
    DM_LOSS,
    Records,
    Response,
    records_of,
)
from silagetrial.analysis.results import Analysis, ResponseAnalysis
from silagetrial.analysis.strata import completed, confounded_openings
from silagetrial.analysis.terms import SPLITTING
from silagetrial.analysis.witness import Witness, statsmodels_witness
from silagetrial.data.trial import Trial
from silagetrial.display.table import Table
from silagetrial.errors import DataProblems, NoAnswer
from silagetrial.mixed import Fit, fit_mixed, term_tests
from silagetrial.mixed.covariance import Floats

__all__ = ["analyse"]

NOTHING = Table(pd.DataFrame())


def analyse(trial: Trial, *, progress: Callable[[str], None] | None = None) -> Analysis:
    """Analyse butyric acid and DM loss of a trial by binding and opening.

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
    for response in (BUTYRIC_ACID, DM_LOSS):
        tell(f"fitting {response.label.lower() if response is BUTYRIC_ACID else response.label}")
        found[response.name] = analyse_response(trial, response)
    return Analysis(trial, found)


def analyse_response(trial: Trial, response: Response) -> ResponseAnalysis:
    """Analyse one response."""
    records = records_of(trial, response)
    summary = _summary(records, trial.settings.compare)
    if not len(records.rows):
        refusal = NoAnswer(
            found=f"no value of {response.label}",
            expected="laboratory results of single bales at the planned openings",
            remedy="see the list of values left out, and why",
        )
        return _unanswered(records, summary, None, refusal)
    rows = _modelled(records)
    if not len(rows):
        refusal = NoAnswer(
            found="at every opening more than half of the values of some binding are below the "
            "laboratory's limit",
            expected="openings with at least half of the values above the limit in each binding",
            remedy="see the counts below the limit; a laboratory with a lower limit would help",
        )
        return _unanswered(records, summary, None, refusal)
    choice = choose_model(rows, trial.settings)
    if choice.refusal is not None:
        return _unanswered(records, summary, choice, choice.refusal)
    try:
        fit = _fit(rows, choice)
        wanted = comparison(
            fit, trial.settings, openings=choice.levels["opening"], refused=choice.confounded
        )
    except NoAnswer as refusal:
        return _unanswered(records, summary, choice, refusal)
    return _answered(trial, records, rows, summary, choice, fit, wanted)


def _modelled(records: Records) -> pd.DataFrame:
    """Rows of the openings that are modelled."""
    counted = set(records.counts.frame.get("opening", []))
    rows = records.rows[~records.rows["opening"].isin(counted)]
    return completed(rows).reset_index(drop=True)


def _fit(rows: pd.DataFrame, choice: ModelChoice, *, zero: bool = False) -> Fit:
    return fit_mixed(
        rows,
        choice.formula,
        random=choice.random,
        levels=choice.levels,
        bound="zero" if zero else "free",
    )


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
            "bales": values.size(),
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
    unit = records.response.unit
    note = f"In {unit}; no model, no interval."
    if "below_limit" in frame and frame["below_limit"].any():
        note += " Values below the limit count as half the limit."
    title = f"{records.response.label}: what was found"
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
    label, unit = response.label, f" ({response.effect})"
    means = NOTHING
    if len(wanted.means):
        means = told(fit, wanted.means, response, kind="mean", level=level)
    # The openings of one comparison are a family; with one opening the comparisons there are.
    by = "term" if len(choice.levels["opening"]) > 1 else "opening"
    differences = told(fit, wanted.differences, response, kind="effect", by=by, level=level)
    average = growth = NOTHING
    if wanted.average is not None:
        average = told(fit, wanted.average, response, kind="effect", level=level, joint=True)
        average = replace(average, title=f"{label}: averaged over openings{unit}")
    if wanted.growth is not None:
        growth = told(fit, wanted.growth, response, kind="effect", level=level, joint=True)
        growth = replace(growth, title=f"{label}: growth of the difference with storage{unit}")
    return ResponseAnalysis(
        response=response,
        records=records,
        summary=summary,
        model=choice,
        fit=fit,
        refusal=None,
        refused=_refused(rows, choice, wanted),
        comparison=wanted,
        means=replace(means, title=f"{label}: adjusted means ({response.unit})"),
        differences=replace(differences, title=f"{label}: bindings compared at each opening{unit}"),
        average=average,
        growth=growth,
        half_widths=_half_widths(differences, average, growth, response),
        tests=replace(term_tests(fit), title=f"{label}: F tests (Kenward-Roger)"),
        variances=replace(fit.variances, title=f"{label}: variances (REML)"),
        exact=exact_table(rows, settings, choice, wanted, response, level),
        witness=_witness(rows, choice, fit, wanted),
        residuals=_residuals(rows, fit),
    )


def _witness(
    rows: pd.DataFrame, choice: ModelChoice, fit: Fit, wanted: Comparison
) -> Witness | None:
    """Ask statsmodels, with variances held at zero or above; None where that has no maximum."""
    if (fit.theta > 0).all():
        return statsmodels_witness(fit, wanted.differences)
    try:
        bounded = _fit(rows, choice, zero=True)
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
        absent = ", ".join(name for name in choice.levels["binding"] if name not in there)
        if absent:
            refused.append(
                (opening, f"no value of {absent}", "values of every binding at this opening",
                 f"one more pair opened at {opening} would give the first comparison")
            )  # fmt: skip
        else:
            what = told_by.get(opening, "further term of the model")
            refused.append(
                (opening, f"each {what} has values of one binding only at this opening",
                 f"values of each binding in one {what}",
                 f"have bales of each binding from {opening} in one {what}")
            )  # fmt: skip
    frame = pd.DataFrame(refused, columns=["opening", "found", "expected", "remedy"])
    return Table(frame, title="Openings without a comparison, and why")


def _half_widths(differences: Table, average: Table, growth: Table, response: Response) -> Table:
    """Half the width of each interval, a factor where bindings are compared by a ratio."""
    parts = []
    for name, table in (("at opening", differences), ("average", average), ("growth", growth)):
        if not len(table):
            continue
        frame = table.frame
        low, high = (frame[c].to_numpy(dtype=float) for c in ("conf_low", "conf_high"))
        half = _half_factor(low, high) if response.effect == "ratio" else (high - low) / 2
        parts.append(frame[["term"]].assign(contrast=frame.get("opening", name), half_width=half))
    note = (
        "An estimate closer to 1 than this factor (or its inverse) is not told from 1; a true "
        "ratio of that size is missed by about half of such trials."
        if response.effect == "ratio"
        else "An estimate closer to 0 than this is not told from 0; a true difference of that "
        "size is missed by about half of such trials."
    )
    frame = pd.concat(parts, ignore_index=True)
    title = f"{response.label}: half the width of the intervals"
    return Table(frame, title=title, notes=(note,))


def _half_factor(low: Floats, high: Floats) -> Floats:
    with np.errstate(divide="ignore"):  # infinite where an interval reaches from 0 to infinity
        half: Floats = np.exp((np.log(high) - np.log(low)) / 2)
    return half


def _residuals(rows: pd.DataFrame, fit: Fit) -> pd.DataFrame:
    """Residuals within the smallest unit, in units of their own spread."""
    used = rows.iloc[fit.frame.rows]
    residual = fit.residuals
    return pd.DataFrame(
        {
            "bale": used["bale"].to_numpy(),
            "binding": used["binding"].to_numpy(),
            "opening": used["opening"].to_numpy(),
            "fitted": fit.fitted,
            "residual": residual,
            "standardised": residual / residual.std(ddof=0),
        }
    )
