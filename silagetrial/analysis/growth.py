"""What a planned curve says: bindings over storage, their rates, the day a limit is passed."""

from __future__ import annotations

import itertools
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import pandas as pd

from silagetrial.analysis.compare import told
from silagetrial.analysis.curve_model import CurveModel
from silagetrial.analysis.limits_day import days_at_limit
from silagetrial.analysis.units import kind_of
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Fit, Functions, adjusted_mean_functions, contrasts, estimable
from silagetrial.mixed.covariance import Floats

__all__ = ["BindingCurves", "binding_curves", "over_storage", "passing", "rates"]

GRID = 41
"""Days at which bands are computed, equally spaced in the curve's first column."""
EARLIEST = 1.0
"""First day of bands whose curve starts at a known day 0, where there is nothing to estimate."""
MONTH = 30.0


@dataclass(frozen=True)
class BindingCurves:
    """Adjusted curve of each binding as linear functions of the coefficients.

    Attributes
    ----------
    model : CurveModel
    fit : Fit
    bindings : tuple of str
    at_zero : (B, columns) array
        Every curve column 0.
    per_column : (k, B, columns) array
        Change by one unit of each curve column.
    """

    model: CurveModel
    fit: Fit
    bindings: tuple[str, ...]
    at_zero: Floats
    per_column: Floats

    def rows(self, binding: str, days: Floats) -> Floats:
        """Weights on the coefficients of a binding's mean at some days, (n, columns)."""
        b = self.bindings.index(binding)
        basis = self.model.curve.basis(days)
        return np.asarray(self.at_zero[b] + basis @ self.per_column[:, b])

    @cached_property
    def grid(self) -> Floats:
        """Days of the bands, from the first to the last day the curve speaks of."""
        known = self.model.response.at_day0 != "unknown"
        first = EARLIEST if known else self.model.first_day
        last = self.model.last_day
        if self.model.curve.shape != "log":
            return np.linspace(first, last, GRID)
        days = np.expm1(np.linspace(np.log1p(first), np.log1p(last), GRID))
        days[[0, -1]] = first, last  # not a rounding error beyond the last day
        return np.asarray(days)


def binding_curves(model: CurveModel, fit: Fit) -> BindingCurves:
    """Lay out the adjusted curves: equal weight on the levels of factors, covariates at 0."""
    columns = model.curve.columns
    numbers = dict.fromkeys(fit.frame.numbers, 0.0)
    base = adjusted_mean_functions(fit, "binding", at=numbers)
    steps = [
        adjusted_mean_functions(fit, "binding", at={**numbers, column: 1.0}).rows - base.rows
        for column in columns
    ]
    return BindingCurves(model, fit, tuple(base.labels["binding"]), base.rows, np.array(steps))


def over_storage(
    curves: BindingCurves, pairs: Sequence[tuple[str, str]], days: Floats, *, level: float
) -> tuple[Table, Table]:
    """Means of bindings and differences between them, with pointwise and simultaneous limits.

    Parameters
    ----------
    pairs : sequence of (str, str)
        Bindings compared, first minus second.
    days : (n,) array
        The grid; the days of one comparison form a family.

    Returns
    -------
    means, differences : Table
        A comparison that cannot be estimated is left out.
    """
    response, fit, grid = curves.model.response, curves.fit, np.asarray(days)
    at = {b: curves.rows(b, grid) for b in curves.bindings}
    means = _stack(fit, [({"term": b, "binding": b}, at[b]) for b in at], grid)
    differences = _stack(fit, [({"term": f"{a} - {b}"}, at[a] - at[b]) for a, b in pairs], grid)
    ends = {"first": f"{grid[0]:g}", "last": f"{grid[-1]:g}"}
    note = say("curve.all_days", number=len(grid), **ends)
    told_means = told(fit, means, response, kind="mean", level=level)
    told_differences = told(fit, differences, response, kind="effect", by="term", level=level)
    label, shape, unit = response.label, curves.model.curve.in_words, response.level_unit
    return (
        replace(
            told_means,
            title=say("curve.levels", label=label, curve=shape, unit=unit),
        ),
        replace(
            told_differences,
            title=say("curve.compared", label=label, effect=response.effect_word),
            notes=(*told_differences.notes, note),
        ),
    )


def _stack(fit: Fit, parts: Sequence[tuple[dict[str, str], Floats]], days: Floats) -> Functions:
    """One block of days after another, without blocks that the data cannot estimate."""
    labels, rows = [], []
    for label, block in parts:
        if estimable(fit, block).all():
            labels += [{**label, "days": float(day)} for day in days]
            rows.append(block)
    if not rows:
        raise NoAnswer(
            found=say("curve.no_curve", formula=repr(fit.frame.formula)),
            expected=say("curve.no_curve_expected"),
            remedy=say("refused.which_with_which"),
        )
    return Functions(pd.DataFrame(labels), np.concatenate(rows))


def rates(
    curves: BindingCurves,
    pairs: Sequence[tuple[str, str]],
    stops: Floats,
    *,
    level: float,
) -> Table:
    """Rate per 30 days of each binding, and its difference.

    Parameters
    ----------
    stops : (m,) array
        Days between which mean rates are told; the whole stretch comes first.  A straight line
        has one rate.
    """
    spans = [(stops[0], stops[-1])]
    if not curves.model.curve.straight and len(stops) > 2:
        spans += list(itertools.pairwise(stops))
    labels, rows = [], []
    for start, end in spans:
        span = np.array([start, end])
        rate = {
            b: MONTH * np.diff(curves.rows(b, span), axis=0)[0] / (end - start)
            for b in curves.bindings
        }
        wanted = [(b, rate[b]) for b in curves.bindings]
        wanted += [(f"{a} - {b}", rate[a] - rate[b]) for a, b in pairs]
        for term, row in wanted:
            labels.append({"term": term, "from_day": float(start), "to_day": float(end)})
            rows.append(row)
    found = Functions(pd.DataFrame(labels), np.array(rows))
    found = found.where(estimable(curves.fit, found.rows))
    response = curves.model.response
    table = told(curves.fit, found, response, kind="effect", level=level)
    ratio = response.effect == "ratio"
    per = say("curve.per_month") if ratio else say("curve.unit_per_month", unit=response.unit)
    frame = table.frame.assign(unit=per)
    what = say("curve.factor" if ratio else "curve.change")
    title, whole = say("curve.rate", label=response.label), {"from_day": ".0f"}
    return Table(frame, title=title, notes=(what,), formats={**whole, "to_day": ".0f"})


def passing(curves: BindingCurves, limit: float, *, level: float) -> Table:
    """Day at which the median bale of each binding passes a limit.

    Parameters
    ----------
    limit : float
        In the response's unit.
    """
    model, response = curves.model, curves.model.response
    at = float(np.log(limit)) if response.scale == "log" else limit
    first = model.first_day
    if response.at_day0 == "zero":
        first = 1e-6 * model.last_day  # at day 0 itself there is nothing to estimate
    found = []
    for binding in curves.bindings:
        rows = curves.rows(binding, np.array([first, model.last_day]))
        if not estimable(curves.fit, rows).all():
            continue

        def line(days: Floats, binding: str = binding) -> tuple[Floats, Floats, Floats]:
            """Estimate and interval of one binding over days."""
            frame = contrasts(curves.fit, curves.rows(binding, days), level=level).frame
            a, b, c = (frame[n].to_numpy() for n in ("estimate", "conf_low", "conf_high"))
            return a, b, c

        there = days_at_limit(line, at, first=first, last=model.last_day)
        found.append(
            {
                "term": binding,
                "limit": limit,
                "estimate": there.days[0] if there.days else np.nan,
                "conf_low": there.bounds[0],
                "conf_high": there.bounds[1],
                "unit": "days",
                "scale": "day",
                "remark": there.remark,
            }
        )
    of = {"of": kind_of(model.rows).each, "unit": response.level_unit}
    title = say("curve.passing", label=response.label, limit=f"{limit:g}", **of)
    last, sure = f"{model.last_day:g}", f"{100 * level:.3g}"
    note = say("curve.passing_note", last=last, level=sure)
    return Table(pd.DataFrame(found), title=title, notes=(note,), formats={"limit": "g"})
