"""The adjusted means of each binding over storage."""

from __future__ import annotations

from typing import Final

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.axes import (
    days_axis,
    end_names,
    end_room,
    key,
    log_axis,
    mark_without,
    shifted,
)
from silagetrial.display.block import Picture, Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import joined, level_name, number
from silagetrial.display.style import canvas, finish, looks
from silagetrial.report.correction import is_corrected, without_correction
from silagetrial.report.figures_data import levels_of, means_word, reaching, with_headings
from silagetrial.report.findings import openings_without, planned_days

__all__ = ["means"]

_DODGE: Final = 0.02
"""Shift between bindings at one opening, as a share of the axis of days."""


def means(trial: Trial, result: ResponseAnalysis) -> Picture | Prose:
    """Draw the adjusted means of each binding over storage, with their intervals.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis

    Returns
    -------
    Picture or Prose
        Empty prose where there is no model.
    """
    frame = levels_of(trial, result)
    if not len(frame):
        return Prose(())
    look, days = looks(trial.settings.compare), planned_days(trial)
    present = [name for name in look if (frame["binding"] == name).any()]
    with canvas(height=2.4) as (figure, grid):
        axes = grid[0, 0]
        room, ends = end_room(present), []
        days_axis(axes, list(days.values()), room=room)
        for k, name in enumerate(present):
            mine, how = frame[frame["binding"] == name], look[name]
            share = _DODGE * (k - (len(present) - 1) / 2)
            x = shifted(mine["planned_days"].tolist(), of=days, share=share)
            axes.vlines(x, mine["low"], mine["high"], color=how.colour, linewidth=1.0)
            axes.plot(x, mine["value"], color=how.colour, marker=how.marker, linestyle=how.line)
            ends.append((float(x[-1]), float(mine["value"].iloc[-1]), name, how.colour))
        if result.response.scale == "log":
            log_axis(axes)
        if room:
            end_names(axes, ends)
        else:
            key(figure, [(name, look[name]) for name in present])
        without = openings_without(trial, result, given=set(frame["opening"]))
        mark_without(axes, {days[name]: why for name, why in without.items()})
        axes.set_ylabel(result.response.with_unit)
        return finish(
            figure,
            data=with_headings(trial, result, frame),
            alt=_alt(result),
            caption=_caption(trial, result),
            name=f"{result.response.name}_means",
        )


def _caption(trial: Trial, result: ResponseAnalysis) -> str:
    level = level_name(1 - trial.settings.analysis.alpha)
    said = {"what": result.response.label, "means": means_word(result), "level": level}
    parts = [say("figure.means", **said)]
    if is_corrected(result):
        plain = without_correction(result) is not None
        parts.append(say("figure.means_corrected" if plain else "figure.means_laboratory"))
    return " ".join(parts)


def _alt(result: ResponseAnalysis) -> str:
    parts = []
    for opening, rows in result.means.frame.groupby("opening", sort=False):
        cells = [
            say(
                "alt.mean",
                binding=row["binding"],
                value=number(row["estimate"]),
                interval=reaching(row["conf_low"], row["conf_high"]),
            )
            for row in rows.to_dict("records")
        ]
        parts.append(say("alt.means_at", opening=opening, means=joined(cells, last="comma")))
    response = result.response
    return say(
        "alt.means",
        what=response.label,
        means=means_word(result),
        unit=response.level_unit,
        each=joined(parts, last="semicolon"),
    )
