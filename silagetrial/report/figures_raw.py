"""What was measured, bale by bale, before any model: dots by opening, or lines over storage."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from numpy.typing import NDArray

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.axes import key, log_axis
from silagetrial.display.block import Picture, Prose
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import block_word, count, joined, number, short
from silagetrial.display.style import Floats, Look, canvas, finish, looks
from silagetrial.report.figures_data import bales_of, not_drawn, with_headings
from silagetrial.report.findings import planned_days

__all__ = ["raw"]

_SPREAD: Final = 0.40
"""Width taken by the bindings of one opening, in openings."""

_SWARM: Final = 0.16
"""Width over which the bales of one binding and opening are spread, in openings."""

_MANY: Final = 40
"""Bales above which their lines are drawn thin."""


def raw(trial: Trial, result: ResponseAnalysis) -> Picture | Prose:
    """Draw every value: the bales of a pair joined at each opening, or followed over storage.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
        The response to draw.

    Returns
    -------
    Picture or Prose
        Separate bales: dots by opening and binding, the bales of a pair joined by a line.
        Re-cored bales: one line a bale over its days in storage. Empty prose where there is no
        value.
    """
    frame = bales_of(result)
    if not len(frame):
        return Prose(())
    recored = trial.settings.design == "recored"
    look = looks(trial.settings.compare)
    openings = [name for name in planned_days(trial) if (frame["opening"] == name).any()]
    with canvas(height=2.5) as (figure, grid):
        axes = grid[0, 0]
        if recored:
            _lines(axes, frame, look=look)
        else:
            _dots_by_opening(axes, frame, openings, look=look)
        if result.response.scale == "log":
            log_axis(axes)
        axes.set_ylabel(result.response.with_unit)
        key(figure, list(look.items()), below=bool(frame["below"].any()), line=recored)
        return finish(
            figure,
            data=with_headings(trial, result, frame),
            alt=_alt(trial, result, openings),
            caption=_caption(trial, result, recored=recored),
            name=f"{result.response.name}_measured",
        )


def _caption(trial: Trial, result: ResponseAnalysis, *, recored: bool) -> str:
    rows, unit = result.records.rows, result.records.unit
    said = {
        "what": result.response.label,
        "unit": unit.each,
        "results": count(len(rows), "result"),
    }
    log = result.response.scale == "log"
    if recored:
        parts = [say("figure.cored_log" if log else "figure.cored", **said)]
        parts.append(say("figure.cored_line", unit=noun(unit.word, 1)))
    else:
        parts = [say("figure.raw_log" if log else "figure.raw", **said)]
        if rows["pair"].notna().any():
            block = noun(block_word(trial.settings.compare), 1)
            parts.append(say("figure.raw_line", units=noun(unit.word, 2), block=block))
    text = say("figure.clauses", clauses=joined(parts, last="semicolon"))
    return " ".join(part for part in (text, not_drawn(result)) if part)


def _dots_by_opening(
    axes: Axes, frame: pd.DataFrame, openings: Sequence[str], *, look: dict[str, Look]
) -> None:
    for slot, opening in enumerate(openings):
        _one_opening(axes, frame[frame["opening"] == opening], slot=slot, look=look)
    axes.set_xticks(range(len(openings)), [textwrap.fill(short(o), 14) for o in openings])
    axes.tick_params(axis="x", length=0)
    axes.set_xlim(-0.6, len(openings) - 0.4)
    axes.set_xlabel(say("axis.opening"))


def _one_opening(axes: Axes, rows: pd.DataFrame, *, slot: int, look: dict[str, Look]) -> None:
    """Draw one opening: bales of a pair at the same place in each binding's strip."""
    names = list(look)
    blocks = rows["pair"].astype(object).fillna(rows["bale"])
    order = {block: k for k, block in enumerate(sorted(set(blocks)))}
    step = _SWARM / max(len(order) - 1, 1)
    centre = _SPREAD / max(len(names) - 1, 1)
    place = np.array(
        [
            slot + (names.index(binding) - (len(names) - 1) / 2) * centre
            + (order[block] - (len(order) - 1) / 2) * step
            for binding, block in zip(rows["binding"], blocks, strict=True)
        ]
    )  # fmt: skip
    values = rows["value"].to_numpy()
    for block in order:
        mine = (blocks == block).to_numpy()
        axes.plot(place[mine], values[mine], color="#b0b0b0", linewidth=0.5, zorder=1)
    for name, how in look.items():
        mine = (rows["binding"] == name).to_numpy()
        _dots(axes, place[mine], values[mine], rows["below"].to_numpy()[mine], how)


def _lines(axes: Axes, frame: pd.DataFrame, *, look: dict[str, Look]) -> None:
    """Draw each bale over its days in storage."""
    width = 0.7 if frame["bale"].nunique() <= _MANY else 0.35
    for _, bale in frame.groupby("bale", sort=True):
        ordered = bale.sort_values("days")
        how = look[str(ordered["binding"].iloc[0])]
        x, y = ordered["days"].to_numpy(), ordered["value"].to_numpy()
        axes.plot(x, y, color=how.colour, linestyle=how.line, linewidth=width, alpha=0.8)
        _dots(axes, x, y, ordered["below"].to_numpy(), how)
    axes.set_xlim(left=0)
    axes.set_xlabel(say("axis.days_plain"))


def _dots(axes: Axes, x: Floats, y: Floats, below: NDArray[np.bool_], look: Look) -> None:
    """Draw values filled, and values below the limit hollow."""
    for hollow in (False, True):
        mine = below == hollow
        axes.plot(
            x[mine],
            y[mine],
            linestyle="none",
            marker=look.marker,
            markersize=2.8,
            markeredgecolor=look.colour,
            markeredgewidth=0.7,
            markerfacecolor="white" if hollow else look.colour,
            zorder=3,
        )


def _alt(trial: Trial, result: ResponseAnalysis, openings: Sequence[str]) -> str:
    rows, unit = result.records.rows, result.response.level_unit
    medians = rows.groupby(["opening", "binding"])["value_used"].median()
    parts = []
    for opening in openings:
        cells = [
            say("alt.median", binding=name, value=number(medians[opening, name]))
            for name in trial.settings.compare
            if (opening, name) in medians.index
        ]
        if cells:
            lower = _pairs_lower(trial, rows[rows["opening"] == opening])
            each = joined([joined(cells), *lower], last="semicolon")
            parts.append(say("alt.at_opening", opening=opening, what=each))
    return " ".join([say("alt.medians", what=result.response.label, unit=unit), *parts])


def _pairs_lower(trial: Trial, rows: pd.DataFrame) -> list[str]:
    """In how many complete pairs each binding lies below the reference."""
    cells = rows.groupby(["pair", "binding"])["value_used"].mean().unstack("binding")
    settings = trial.settings
    found = []
    for name in settings.compare:
        if name == settings.reference or not {name, settings.reference} <= set(cells.columns):
            continue
        both = cells[[name, settings.reference]].dropna()
        lower = int((both[name] < both[settings.reference]).sum())
        said = {"first": name, "second": settings.reference, "lower": lower}
        found.append(say("alt.pairs_lower", **said, pairs=count(len(both), "pair")))
    return found
