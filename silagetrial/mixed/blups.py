"""Predicted random effects (BLUPs) of the units in the data, and how far they may be off."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np
import pandas as pd

from silagetrial.display.table import Table
from silagetrial.errors import UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.detected import without_negative
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.prediction_error import PredictionErrors, UnitEffect

__all__ = ["blups"]

COLUMNS = ("term", "level", "effect", "estimate", "std_error", "reliability", "remark")


def blups(fit: Fit, terms: Sequence[str] | None = None) -> Table:
    """Predicted effect of every unit, shrunk towards 0, with its prediction error.

    Parameters
    ----------
    fit : Fit
    terms : sequence of str, optional
        Names of random terms; all, when left out.

    Returns
    -------
    Table
        One row a unit and effect: ``term level effect estimate std_error reliability remark``.
        `std_error` is that of the difference between prediction and
        effect, the errors of fixed effects and variances included.  `reliability` is the share of
        the effects' variance that the data of the unit tell, ``1 - PEV / variance``: the estimate
        keeps about this share of the unit's apparent deviation, the rest is shrunk away as
        chance.  A term whose variance is not above zero has estimates 0 and no errors;
        where one is estimated below zero, the others are estimated again with it at zero.

    Raises
    ------
    UsageError
        A name that is no random term.
    """
    names = [term.name for term in fit.frame.terms]
    unknown = [name for name in terms or () if name not in names]
    if unknown:
        raise UsageError(
            found=f"no random term {', '.join(map(repr, unknown))}",
            expected="terms among " + (", ".join(names) or "none: the fit has no random terms"),
            remedy="correct the name",
        )
    fit = without_negative(fit)
    errors, at = PredictionErrors(fit), 0
    rows: list[tuple[object, ...]] = []
    for place, term in enumerate(fit.frame.terms):
        after = at + len(term.levels) * term.z.shape[1]
        if terms is None or term.name in terms:
            own = fit.detected_effects[at:after].reshape(len(term.levels), -1)
            rows += _rows(errors, place, own)
        at = after
    note = "Shrunk towards 0; reliability is the share of the units' variance that the data tell."
    frame = pd.DataFrame(rows, columns=list(COLUMNS))
    return Table(frame, title="Predicted random effects (BLUPs)", notes=(note,))


def _rows(errors: PredictionErrors, place: int, own: Floats) -> Iterator[tuple[object, ...]]:
    fit = errors.fit
    term, nothing = fit.frame.terms[place], np.zeros(fit.design.p)
    for code, label in enumerate(term.levels):
        for k, column in enumerate(term.columns):
            named = (term.grouping, label, column, float(own[code, k]))
            if not fit.detected[place]:
                yield (*named, np.nan, np.nan, "none detected")
                continue
            error = errors.of(nothing, [UnitEffect(place, code, np.eye(len(term.columns))[k])])
            told = 1.0 - error.plain / error.prior if error.prior > 0 else np.nan
            yield (*named, float(np.sqrt(error.adjusted)), told, "")
