"""Days in storage: how far they lie from the planned ones."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.ticker import MaxNLocator

from silagetrial.analysis import Analysis
from silagetrial.data import Opening, Trial
from silagetrial.display.axes import key
from silagetrial.display.block import Picture, Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import count, joined, short
from silagetrial.display.style import QUIET, canvas, finish, looks
from silagetrial.report.findings import sampled

__all__ = ["days"]


def days(analysis: Analysis) -> Picture | Prose:
    """Draw how far each bale's days in storage lie from the planned ones, with the windows.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    Picture or Prose
        Actual minus planned days by opening, of every sample with a value; a grey bar is the
        window of the opening. Empty prose where there is no value.
    """
    trial, rows = analysis.trial, sampled(analysis)
    if not len(rows):
        return Prose(())
    openings = sorted(trial.settings.openings, key=lambda opening: opening.days)
    rows = rows.assign(off=rows["days"] - rows["planned_days"])
    with canvas(height=max(0.8 + 0.32 * len(openings), 1.5)) as (figure, grid):
        axes = grid[0, 0]
        axes.grid(axis="x")
        axes.grid(visible=False, axis="y")
        for slot, opening in enumerate(openings):
            low, high = (edge - opening.days for edge in opening.window)
            axes.barh(slot, high - low, left=low, height=0.66, color="#e4e4e4", zorder=1)
            for name, look in looks(trial.settings.compare).items():
                mine = rows[(rows["opening"] == opening.name) & (rows["binding"] == name)]
                axes.plot(
                    mine["off"], np.full(len(mine), slot + _strip(trial, name)), linestyle="none",
                    marker=look.marker, color=look.colour, markersize=2.6, zorder=3,
                )  # fmt: skip
        axes.axvline(0, color=QUIET, linewidth=0.8, zorder=1.5)
        names = [
            f"{short(o.name, longest=18)}\n{say('axis.days', days=f'{o.days:g}')}" for o in openings
        ]
        axes.set_yticks(range(len(openings)), names)
        axes.tick_params(axis="y", length=0)
        axes.invert_yaxis()
        axes.xaxis.set_major_locator(MaxNLocator(7, integer=True))
        axes.set_xlabel(say("axis.days_off"))
        key(figure, list(looks(trial.settings.compare).items()), line=False)
        return finish(
            figure,
            data=_data(rows, openings),
            alt=_alt(rows, openings),
            caption=say("figure.days"),
            name="days_in_storage",
        )


def _strip(trial: Trial, binding: str) -> float:
    """Place of a binding's dots across the bar of an opening."""
    names = trial.settings.compare
    return 0.36 * (names.index(binding) / max(len(names) - 1, 1) - 0.5)


def _data(rows: pd.DataFrame, openings: list[Opening]) -> pd.DataFrame:
    """Each result with its days, and the window of its opening."""
    windows = {opening.name: opening.window for opening in openings}
    return pd.DataFrame(
        {
            "bale": rows["bale"],
            "binding": rows["binding"],
            "opening": rows["opening"],
            "planned days in storage": rows["planned_days"],
            "days in storage": rows["days"],
            "actual minus planned days": rows["off"],
            "window from (days)": [windows[name][0] for name in rows["opening"]],
            "window to (days)": [windows[name][1] for name in rows["opening"]],
        }
    )


def _alt(rows: pd.DataFrame, openings: list[Opening]) -> str:
    parts = []
    for opening in openings:
        mine = rows.loc[rows["opening"] == opening.name, "days"]
        if len(mine):
            parts.append(
                say(
                    "alt.days_at", opening=opening.name, days=f"{opening.days:g}",
                    low=f"{mine.min():.0f}", high=f"{mine.max():.0f}",
                )
            )  # fmt: skip
    apart = int((~rows["inside"]).sum())
    outside = count(apart, "result") if apart else say("alt.no_result")
    return say("alt.days", each=joined(parts, last="semicolon"), results=outside)
