"""F tests of a planned curve: of bindings, of storage, and of the curve itself."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd

from silagetrial.analysis.curve_model import CurveModel, fit_curve
from silagetrial.analysis.growth import BindingCurves
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Fit, f_test
from silagetrial.mixed.covariance import Floats

__all__ = ["curve_tests"]


def curve_tests(curves: BindingCurves, pairs: Sequence[tuple[str, str]]) -> Table:
    """Kenward-Roger F tests: do bindings differ, does storage matter, does the curve fit.

    Lack of fit is the F test of the openings' extra factor contrasts beside the curve; a ratio
    of restricted likelihoods would compare different fixed parts.
    """
    model, fit = curves.model, curves.fit
    one = [curves.bindings.index(a) for a, _ in pairs]
    other = [curves.bindings.index(b) for _, b in pairs]
    steps = curves.per_column[:, one] - curves.per_column[:, other]
    level = curves.at_zero[one] - curves.at_zero[other]
    change = steps.reshape(-1, steps.shape[2])
    average = curves.per_column.mean(axis=1)
    wanted: list[tuple[str, Floats]] = [
        (say("curve.one_curve"), np.concatenate([level, change])),
        (say("curve.no_change"), average),
    ]
    if model.response.at_day0 == "unknown":
        wanted.insert(1, (say("curve.same_change"), change))
    found = [_test(fit, name, rows) for name, rows in wanted]
    found += _lack_of_fit(model)
    columns = ["hypothesis", "num_df", "den_df", "statistic", "p_value", "remark"]
    frame = pd.DataFrame(found, columns=columns)
    title = say("curve.tests", label=model.response.label)
    return Table(frame, title=title, notes=(say("curve.tests_note"),))


def _test(fit: Fit, name: str, rows: Floats) -> tuple[object, ...]:
    try:
        test = f_test(fit, rows)
    except NoAnswer as refusal:
        return (name, np.nan, np.nan, np.nan, np.nan, refusal.found)
    return (name, test.num_df, test.den_df, test.statistic, test.p_value, "")


def _lack_of_fit(model: CurveModel) -> list[tuple[object, ...]]:
    name, shared = say("curve.fits"), say("curve.fits_difference")
    nothing = (np.nan, np.nan, np.nan, np.nan)
    if not model.extra:
        return [(name, *nothing, say("curve.saturated"))]
    try:
        fit = fit_curve(model, extra=True)
    except NoAnswer as refusal:
        return [(name, *nothing, refusal.found)]
    where = [
        [j for j, column in enumerate(fit.frame.columns) if extra in column.split(":")]
        for extra in model.extra
    ]
    every = np.eye(len(fit.frame.columns))
    whole = np.concatenate([every[columns] for columns in where])
    apart = np.concatenate([every[columns[1:]] - every[columns[:1]] for columns in where])
    return [_test(fit, name, whole), _test(fit, shared, apart)]
