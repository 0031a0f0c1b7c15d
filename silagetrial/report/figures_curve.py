"""The planned curve: each binding over storage, and the comparison with its bands."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.block import Picture, Prose
from silagetrial.display.phrases import number
from silagetrial.display.style import (
    INK,
    Look,
    canvas,
    days_axis,
    finish,
    key,
    log_axis,
    looks,
)
from silagetrial.report.findings import bindings_of, planned_days
from silagetrial.report.tables_results import named

__all__ = ["curve"]


def curve(trial: Trial, result: ResponseAnalysis) -> Picture | Prose:
    """Draw the planned curve of each binding and of their comparison.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis

    Returns
    -------
    Picture or Prose
        Empty prose where no curve is planned, or it gives no answer.
    """
    planned = result.curve
    if planned is None or planned.refusal is not None or not len(planned.means):
        return Prose(())
    look = looks(trial.settings.compare)
    levels, differences = planned.means.frame, planned.differences.frame
    with canvas(height=3.1, columns=2) as (figure, grid):
        left, right = grid[0]
        present = [name for name in look if (levels["binding"] == name).any()]
        for name in present:
            _line(left, levels[levels["binding"] == name], look[name], outer=False)
        right.axhline(1.0 if result.response.effect == "ratio" else 0.0, color=INK, linewidth=0.8)
        for term, rows in differences.groupby("term", sort=False):
            first, _ = bindings_of(str(term), trial.settings.compare)
            _line(right, rows, look[first], outer=True)
        for axes in (left, right):
            days_axis(axes, list(planned_days(trial).values()))
        if result.response.scale == "log":
            log_axis(left)
            log_axis(right)
        left.set_ylabel(result.response.with_unit)
        names = dict.fromkeys(named(trial, result, differences)["comparison"])
        right.set_ylabel(f"{result.response.effect} {', '.join(names)}")
        key(figure, [(name, look[name]) for name in present])
        caption = (
            f"{result.response.label}: the curve planned in advance, with intervals of each day "
            "alone; right, the comparison, dark for a day alone and light for all days together."
        )
        points = [
            {str(k): v for k, v in row.items()}
            for row in planned.at_openings.frame.to_dict("records")
        ]
        return finish(figure, alt=_alt(result, points), caption=caption)


def _line(axes: Axes, rows: pd.DataFrame, look: Look, *, outer: bool) -> None:
    """Draw one curve with its band, and where asked for the simultaneous one behind it."""
    x = rows["days"]
    if outer and "sim_low" in rows:
        axes.fill_between(x, rows["sim_low"], rows["sim_high"], color=look.colour, alpha=0.12, lw=0)
    axes.fill_between(x, rows["conf_low"], rows["conf_high"], color=look.colour, alpha=0.25, lw=0)
    axes.plot(x, rows["estimate"], color=look.colour, linestyle=look.line)


def _alt(result: ResponseAnalysis, rows: list[dict[str, Any]]) -> str:
    parts = [
        f"day {row['days']:.0f}, {row['term']}: {number(row['estimate'])} "
        f"({number(row['conf_low'])} to {number(row['conf_high'])})"
        for row in rows
    ]
    return f"{result.response.label}, {result.response.effect} by the curve. {'; '.join(parts)}."
