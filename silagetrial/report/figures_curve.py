"""The planned curve: each binding over storage, and the comparison with its bands."""

from __future__ import annotations

from typing import Any

import pandas as pd
from matplotlib.axes import Axes

from silagetrial.analysis import ResponseAnalysis
from silagetrial.analysis.curve_analysis import CurveAnalysis
from silagetrial.data import Trial
from silagetrial.display.axes import days_axis, end_names, end_room, key, log_axis
from silagetrial.display.block import Picture
from silagetrial.display.language import say
from silagetrial.display.phrases import joined, number
from silagetrial.display.style import INK, Look, canvas, finish, looks
from silagetrial.report.figures_data import (
    against,
    compared,
    effect_label,
    effect_word,
    reaching,
    with_headings,
)
from silagetrial.report.findings import bindings_of, planned_days
from silagetrial.report.tables_results import named

__all__ = ["curve"]

_HEIGHT = 2.4
_NAMES = {
    "estimate": "value",
    "conf_low": "low",
    "conf_high": "high",
    "sim_low": "joint_low",
    "sim_high": "joint_high",
}


def curve(trial: Trial, result: ResponseAnalysis) -> tuple[Picture, ...]:
    """Draw the planned curve of each binding, and that of their comparison.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis

    Returns
    -------
    tuple of Picture
        Two; none where no curve is planned, or it gives no answer.
    """
    planned = result.curve
    if planned is None or planned.refusal is not None or not len(planned.means):
        return ()
    return _levels(trial, result, planned), _differences(trial, result, planned)


def _levels(trial: Trial, result: ResponseAnalysis, planned: CurveAnalysis) -> Picture:
    look, frame = looks(trial.settings.compare), planned.means.frame.rename(columns=_NAMES)
    present = [name for name in look if (frame["binding"] == name).any()]
    with canvas(height=_HEIGHT) as (figure, grid):
        axes = grid[0, 0]
        room, ends = end_room(present), []
        days_axis(axes, list(planned_days(trial).values()), room=room)
        for name in present:
            mine = frame[frame["binding"] == name]
            _line(axes, mine, look[name])
            last = mine.iloc[-1]
            ends.append((float(last["days"]), float(last["value"]), name, look[name].colour))
        _levels_axis(axes, result)
        axes.set_ylabel(result.response.with_unit)
        if room:
            end_names(axes, ends)
        else:
            key(figure, [(name, look[name]) for name in present])
        columns = ["binding", "days", "value", "low", "high"]
        return finish(
            figure,
            data=with_headings(trial, result, frame[columns]),
            alt=_alt(result, frame, by="binding"),
            caption=say("figure.curve", what=result.response.label),
            name=f"{result.response.name}_curve",
        )


def _differences(trial: Trial, result: ResponseAnalysis, planned: CurveAnalysis) -> Picture:
    frame = named(trial, result, planned.differences.frame).rename(columns=_NAMES)
    look, names = looks(trial.settings.compare), list(dict.fromkeys(frame["comparison"]))
    with canvas(height=_HEIGHT) as (figure, grid):
        axes = grid[0, 0]
        days_axis(axes, list(planned_days(trial).values()))
        axes.axhline(1.0 if result.response.effect == "ratio" else 0.0, color=INK, linewidth=0.8)
        entries = []
        for term, rows in frame.groupby("term", sort=False):
            first, second = bindings_of(str(term), trial.settings.compare)
            _line(axes, rows, look[first])
            entries.append((against(first, second), look[first]))
        _levels_axis(axes, result)
        axes.set_ylabel(effect_label(result, of=names[0] if len(names) == 1 else ""))
        if len(entries) > 1:
            key(figure, entries)
        columns = ["comparison", "days", "value", "low", "high", "joint_low", "joint_high"]
        data = frame.reindex(columns=columns)
        return finish(
            figure,
            data=with_headings(trial, result, data, value=compared(result)),
            alt=_alt(result, planned.at_openings.frame.rename(columns=_NAMES), by="term"),
            caption=say("figure.curve_comparison", what=result.response.label),
            name=f"{result.response.name}_curve_comparison",
        )


def _levels_axis(axes: Axes, result: ResponseAnalysis) -> None:
    if result.response.scale == "log":
        log_axis(axes)


def _line(axes: Axes, rows: pd.DataFrame, look: Look) -> None:
    """Draw one curve with its band, and the simultaneous one behind it where there is one."""
    x = rows["days"]
    if "joint_low" in rows:
        axes.fill_between(
            x, rows["joint_low"], rows["joint_high"], color=look.colour, alpha=0.12, lw=0
        )
    axes.fill_between(x, rows["low"], rows["high"], color=look.colour, alpha=0.25, lw=0)
    axes.plot(x, rows["value"], color=look.colour, linestyle=look.line)


def _alt(result: ResponseAnalysis, frame: pd.DataFrame, *, by: str) -> str:
    """The curve in numbers at its first and last days, or where the openings are."""
    groups = [rows for _, rows in frame.groupby(by, sort=False)]
    ends = pd.concat([rows.iloc[[0, -1]] for rows in groups]) if by == "binding" else frame
    rows: list[dict[str, Any]] = [
        {str(k): v for k, v in row.items()} for row in ends.to_dict("records")
    ]
    parts = [
        say(
            "alt.on_day", day=f"{row['days']:.0f}", of=row[by], value=number(row["value"]),
            interval=reaching(row["low"], row["high"]),
        )
        for row in rows
    ]  # fmt: skip
    said = {"what": result.response.label, "each": joined(parts, last="semicolon")}
    if by == "binding":
        return say("alt.curve", **said)
    return say("alt.curve_comparison", effect=effect_word(result), **said)
