"""The analysis of one response over storage by the curve that was planned."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import pandas as pd

from silagetrial.analysis.curve_exact import curve_exact
from silagetrial.analysis.curve_model import CurveModel, curve_model, fit_curve
from silagetrial.analysis.curve_tests import curve_tests
from silagetrial.analysis.curves import Curve
from silagetrial.analysis.growth import (
    EARLIEST,
    BindingCurves,
    binding_curves,
    over_storage,
    passing,
    rates,
)
from silagetrial.analysis.model import ModelChoice
from silagetrial.analysis.responses import Response
from silagetrial.data.trial import Trial
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Fit
from silagetrial.mixed.covariance import Floats

__all__ = ["CurveAnalysis", "analyse_curve"]

NOTHING = Table(pd.DataFrame())


@dataclass(frozen=True, eq=False)
class CurveAnalysis:
    """A response over storage, by a curve planned before the data were seen.

    Attributes
    ----------
    curve : Curve
    refusal : NoAnswer or None
        Why the curve gives no answer; every table is empty then.
    model : CurveModel or None
        Rows, formula, random terms and notes on them.
    fit : Fit or None
    means : Table
        Median (mean) of each binding over a grid of days, pointwise intervals.
    differences : Table
        Bindings compared over the grid, pointwise and simultaneous intervals.
    at_openings : Table
        The same comparison at the planned days of the openings, simultaneous over the whole
        storage.
    rates : Table
        Rate per 30 days of each binding, and its difference.
    tests : Table
        F tests: bindings, storage, lack of fit.
    variances : Table
    exact : Table
        The paired t of each pair's own slopes beside the model's contrast of the same slopes; its
        note says why where there is none.
    passing : Table
        Day at which the median bale passes the limit named in trial.toml; empty without one.
    notes : tuple of str
        How the curve was made, in sentences.
    """

    curve: Curve
    refusal: NoAnswer | None
    model: CurveModel | None
    fit: Fit | None
    means: Table
    differences: Table
    at_openings: Table
    rates: Table
    tests: Table
    variances: Table
    exact: Table
    passing: Table
    notes: tuple[str, ...]


def analyse_curve(
    trial: Trial,
    response: Response,
    rows: pd.DataFrame,
    choice: ModelChoice,
    curve: Curve,
    pairs: Sequence[tuple[str, str]],
) -> CurveAnalysis:
    """Fit the planned curve and answer by it; a refusal is an answer.

    Parameters
    ----------
    rows : pandas.DataFrame
        The rows modelled, from `completed`.
    choice : ModelChoice
        What the design supports.
    pairs : sequence of (str, str)
        Bindings compared, first minus second.
    """
    try:
        model = curve_model(trial, response, rows, choice, curve)
        curves = binding_curves(model, fit_curve(model))
        return _answered(trial, curves, pairs, choice)
    except NoAnswer as refusal:
        return CurveAnalysis(
            curve, refusal, None, None, NOTHING, NOTHING, NOTHING, NOTHING, NOTHING, NOTHING,
            NOTHING, NOTHING, (),
        )  # fmt: skip


def _answered(
    trial: Trial,
    curves: BindingCurves,
    pairs: Sequence[tuple[str, str]],
    choice: ModelChoice,
) -> CurveAnalysis:
    model, settings = curves.model, trial.settings
    response, level = model.response, 1.0 - settings.analysis.alpha
    stops = _stops(trial, model)
    grid = np.union1d(curves.grid, stops[stops >= curves.grid[0]])
    means, differences = over_storage(curves, pairs, grid, level=level)
    frame = differences.frame
    at_openings = frame[frame["days"].isin(stops)].reset_index(drop=True)
    limit = settings.analysis.limits.get(response.name)
    return CurveAnalysis(
        curve=model.curve,
        refusal=None,
        model=model,
        fit=curves.fit,
        means=means,
        differences=differences,
        at_openings=replace(
            differences,
            frame=at_openings,
            title=say("curve.at_openings", label=response.label, effect=response.effect_word),
        ),
        rates=rates(curves, pairs, _from_start(model, stops), level=level),
        tests=curve_tests(curves, pairs),
        variances=replace(curves.fit.variances, title=say("curve.variances", label=response.label)),
        exact=curve_exact(curves, pairs, settings, choice, level=level),
        passing=NOTHING if limit is None else passing(curves, limit, level=level),
        notes=(_shape_note(model), *model.notes),
    )


def _stops(trial: Trial, model: CurveModel) -> Floats:
    """Planned days of the openings modelled, moved inside the days sampled."""
    silage = model.rows[model.rows["stored"] == 1.0]
    names = set(silage["opening"])
    planned = [o.days for o in trial.settings.openings if o.name in names]
    first = float(silage["days"].min())
    return np.unique(np.clip(planned, max(first, EARLIEST), model.last_day))


def _from_start(model: CurveModel, stops: Floats) -> Floats:
    """Days between which rates are told: from day 0 where the curve starts there."""
    start = [] if model.response.at_day0 == "unknown" else [0.0]
    found = np.array([*start, *stops])
    if len(found) < 2:
        raise NoAnswer(
            found=say("curve.one_time"),
            expected=say("curve.one_time_expected"),
            remedy=say("curve.one_time_remedy"),
        )
    return found


def _shape_note(model: CurveModel) -> str:
    start = {
        "unknown": "curve.own_level",
        "zero": "curve.through_zero",
        "measured": "curve.from_crop",
    }[model.response.at_day0]
    return say(start, curve=model.curve.in_words)
