"""The exact companion of a planned curve: the paired t of each pair's own slopes.

Each bale that was cored again and again has a least-squares slope of its own in the curve's first
column; the differences between the bindings of a pair are one sample, with n - 1 degrees of
freedom.  The model's contrast beside it is the same combination of its curves at the same days, so
that the two estimate the same thing whatever the curve.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd

from silagetrial.analysis.compare import told
from silagetrial.analysis.exact import PairedT, one_sample, paired_row
from silagetrial.analysis.growth import MONTH, BindingCurves
from silagetrial.analysis.model import ModelChoice
from silagetrial.data.settings import Settings
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.mixed import Functions, estimable
from silagetrial.mixed.covariance import Floats

__all__ = ["curve_exact"]

COLUMN = "curve_1"


@dataclass(frozen=True)
class _Slope:
    """One bale's slope: its value, and the model's as weights on the coefficients."""

    value: float
    rows: Floats


def curve_exact(
    curves: BindingCurves,
    pairs: Sequence[tuple[str, str]],
    settings: Settings,
    choice: ModelChoice,
    *,
    level: float,
) -> Table:
    """Set the paired t of each pair's slopes beside the model's contrast, or say why there is none.

    Parameters
    ----------
    pairs : sequence of (str, str)
        Bindings compared, first minus second.
    choice : ModelChoice
        What the binding was given to: pairs, or sites for an answer about sites at large.
    level : float
        Confidence level.

    Returns
    -------
    Table
        ``method pairs remark`` and the one vocabulary, on the reader's scale: per 30 days for a
        curve in days, from the first to the last opening for one in log(1 + days).
    """
    response = curves.model.response
    title = say("curve.exact", label=response.label)
    why = _why_none(settings, choice)
    if why:
        return Table(pd.DataFrame(), title=title, notes=(why,))
    unit = "site" if choice.unit == "site" else "pair"
    times, span = _times(curves)
    parts = []
    for first, second in pairs:
        slopes = list(_slopes(curves, first, second, unit))
        found = one_sample(np.array([times * slope.value for slope in slopes]))
        if slopes:
            rows = times * np.mean([slope.rows for slope in slopes], axis=0)
            parts.append(_by_the_model(curves, f"{first} - {second}", rows, level=level))
        parts.append(_by_pairs(curves, f"{first} - {second}", found, level=level))
    if not any(len(part) for part in parts) or all(p["estimate"].isna().all() for p in parts):
        return Table(pd.DataFrame(), title=title, notes=(say("curve.exact_few"),))
    frame = pd.concat(parts, ignore_index=True)
    return Table(frame, title=title, notes=_notes(curves, span, unit))


def _why_none(settings: Settings, choice: ModelChoice) -> str:
    if settings.design == "separate":
        return say("curve.exact_separate")
    if choice.unit not in ("bale", "site"):
        return say("exact.other_unit", unit=choice.unit)
    return ""


def _times(curves: BindingCurves) -> tuple[float, str]:
    """By how much slopes are multiplied, and what for, in words."""
    if curves.model.curve.shape != "log":
        return MONTH, say("curve.per_month")
    days = _silage(curves)["planned_days"]
    first, last = float(days.min()), float(days.max())
    if curves.model.response.at_day0 != "unknown":
        first = 0.0
    span = say("curve.exact_span", first=f"{first:g}", last=f"{last:g}")
    return float(np.log1p(last) - np.log1p(first)), span


def _silage(curves: BindingCurves) -> pd.DataFrame:
    """Rows of silage at the openings; those outside the windows are of no opening."""
    rows = curves.model.rows
    return rows[(rows["stored"] == 1.0) & rows["planned_days"].notna()]


def _slopes(curves: BindingCurves, first: str, second: str, unit: str) -> Iterator[_Slope]:
    """First binding's slope less the second's: of each pair, or the mean over a site's pairs."""
    silage = _silage(curves)
    openings = set(silage["opening"])
    silage = silage[silage["pair"].notna()]
    for _, whole in silage.groupby(unit, sort=False):
        found = []
        for pair, rows in whole.groupby("pair", sort=False):
            bales = [rows[rows["binding"] == binding] for binding in (first, second)]
            if any(set(bale["opening"]) != openings for bale in bales):
                continue
            one, other = (
                _slope(curves, binding, bale, str(pair))
                for binding, bale in zip((first, second), bales, strict=True)
            )
            if one is not None and other is not None:
                found.append(_Slope(one.value - other.value, one.rows - other.rows))
        if found:
            values, rows_ = [s.value for s in found], [s.rows for s in found]
            yield _Slope(float(np.mean(values)), np.asarray(np.mean(rows_, axis=0)))


def _slope(curves: BindingCurves, binding: str, bale: pd.DataFrame, pair: str) -> _Slope | None:
    """Least squares in the first column: through what is known at day 0, or with its own level."""
    x = bale[COLUMN].to_numpy(dtype=float)
    y, start = bale["y"].to_numpy(dtype=float), curves.model.response.at_day0
    weights = x / (x @ x)
    if start == "unknown":
        centred = x - x.mean()
        if np.ptp(x) == 0:
            return None
        weights = centred / (centred @ centred)
    rows = curves.rows(binding, bale["days"].to_numpy(dtype=float))
    if start == "measured":
        model = curves.model.rows
        crop = model.loc[(model["stored"] == 0.0) & (model["pair"] == pair), "y"]
        if not len(crop):
            return None
        y = y - float(crop.mean())
        rows = rows - curves.rows(binding, np.zeros(1))
    return _Slope(float(weights @ y), np.asarray(weights @ rows))


def _by_the_model(curves: BindingCurves, term: str, rows: Floats, *, level: float) -> pd.DataFrame:
    """The model's estimate of what the pairs' slopes estimate."""
    functions = Functions(pd.DataFrame({"term": [term]}), rows[None])
    functions = functions.where(estimable(curves.fit, functions.rows))
    if not len(functions):
        return pd.DataFrame({"term": [term], "estimate": [np.nan]}).assign(method="model")
    table = told(curves.fit, functions, curves.model.response, kind="effect", level=level)
    return table.frame.assign(method="model", remark="")


def _by_pairs(curves: BindingCurves, term: str, found: PairedT, *, level: float) -> pd.DataFrame:
    """The paired t on the reader's scale."""
    response = curves.model.response
    frame = pd.DataFrame([{"term": term, **paired_row(found, level=level)}])
    if response.scale == "log":
        frame["std_error"] *= np.exp(frame["estimate"])
        limits = ["estimate", "conf_low", "conf_high"]
        frame[limits] = np.exp(frame[limits])
    unit = "" if response.scale == "log" else response.unit
    return frame.assign(method="paired t", unit=unit, scale=response.effect)


def _notes(curves: BindingCurves, span: str, unit: str) -> tuple[str, ...]:
    model = curves.model
    through = {
        "unknown": "curve.exact_own_level",
        "zero": "curve.exact_through_zero",
        "measured": "curve.exact_from_crop",
    }[model.response.at_day0]
    ratio, log = model.response.effect == "ratio", model.curve.shape == "log"
    told = say("curve.exact_ratio" if ratio else "curve.exact_difference")
    time = say("curve.exact_log" if log else "curve.exact_days")
    notes = [say(through, told=told, span=span, time=time), say("curve.exact_note")]
    if len(model.curve.columns) > 1:
        notes.append(say("curve.exact_bends"))
    if unit == "site":
        notes.append(say("exact.sites"))
    return tuple(notes)
