"""What was measured, bale by bale, before any model: dots and lines by pair, days in storage."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Sequence
from typing import Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import MaxNLocator
from numpy.typing import NDArray

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Opening, Trial
from silagetrial.display.block import Picture, Prose
from silagetrial.display.phrases import block_word, count, joined, number, short
from silagetrial.display.style import (
    QUIET,
    Floats,
    Look,
    canvas,
    finish,
    key,
    log_axis,
    looks,
)
from silagetrial.report.findings import sampled

__all__ = ["days", "raw"]

_SPREAD: Final = 0.40
"""Width taken by the bindings of one opening, in openings."""

_SWARM: Final = 0.16
"""Width over which the bales of one binding and opening are spread, in openings."""


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
        Re-cored bales: one small panel a pair, one line a bale. Empty prose where there is no
        value.
    """
    if not len(result.records.rows):
        return Prose(())
    if trial.settings.design == "recored":
        return _lines_by_pair(trial, result)
    return _dots_by_opening(trial, result)


def _dots_by_opening(trial: Trial, result: ResponseAnalysis) -> Picture:
    rows, response = result.records.rows, result.response
    look = looks(trial.settings.compare)
    openings = [o.name for o in _openings(trial) if (rows["opening"] == o.name).any()]
    with canvas(height=3.4) as (figure, grid):
        axes = grid[0, 0]
        for slot, opening in enumerate(openings):
            here = rows[rows["opening"] == opening]
            _one_opening(axes, here, slot=slot, look=look)
        axes.set_xticks(range(len(openings)), [textwrap.fill(short(o), 14) for o in openings])
        axes.set_xlim(-0.6, len(openings) - 0.4)
        axes.set_xlabel("opening")
        _value_axis(axes, result)
        key(figure, list(look.items()), below=bool(rows["below"].any()), line=False)
        word = block_word(trial.settings.compare)
        unit = result.records.unit
        caption = f"{response.label} of every {unit.each} ({count(len(rows), 'result')})"
        caption += _unit_note(result)
        if rows["pair"].notna().any():
            caption += f"; a grey line joins the {unit.word}s of one {word}"
        caption += f".{_not_drawn(result)}"
        return finish(figure, alt=_alt(trial, result, openings), caption=caption)


def _one_opening(axes: Axes, rows: pd.DataFrame, *, slot: int, look: dict[str, Look]) -> None:
    """Draw one opening: bales of a pair at the same place in each binding's strip."""
    names = list(look)
    blocks = rows["pair"].fillna(rows["bale"])
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
    values = rows["value_used"].to_numpy()
    for block in order:
        mine = (blocks == block).to_numpy()
        axes.plot(place[mine], values[mine], color="#bdbdbd", linewidth=0.8, zorder=1)
    for name, how in look.items():
        mine = (rows["binding"] == name).to_numpy()
        _dots(axes, place[mine], values[mine], rows["below"].to_numpy()[mine], how)


def _lines_by_pair(trial: Trial, result: ResponseAnalysis) -> Picture:
    rows, response = result.records.rows, result.response
    look = looks(trial.settings.compare)
    blocks = rows["pair"].fillna(rows["bale"])
    names = sorted(set(blocks))
    columns = min(5 if len(names) > 8 else 4, len(names))
    height = max(0.55 + 1.25 * math.ceil(len(names) / columns), 2.4)
    with canvas(
        height=height,
        rows=math.ceil(len(names) / columns),
        columns=columns,
        sharex=True,
        sharey=True,
    ) as (figure, grid):
        panels = list(grid.flat)
        for axes, name in zip(panels, names, strict=False):
            _one_pair(axes, rows[blocks == name], look=look)
            axes.set_title(short(name, longest=16), loc="left", pad=2)
        for axes in panels[len(names) :]:
            axes.set_visible(False)
        _value_axis(panels[0], result)
        panels[0].set_ylabel("")
        for axes in panels[max(len(names) - columns, 0) : len(names)]:
            axes.tick_params(labelbottom=True)
        figure.supylabel(result.response.with_unit, fontsize=8.5)
        figure.supxlabel("days in storage", fontsize=8.5)
        key(figure, list(look.items()), below=bool(rows["below"].any()), line=True)
        openings = [o.name for o in _openings(trial)]
        unit = result.records.unit
        word = block_word(trial.settings.compare) if rows["pair"].notna().any() else unit.word
        caption = (
            f"{response.label} of every {unit.each} at every coring ({count(len(rows), 'result')})"
            f"{_unit_note(result)}; one panel a {word}.{_not_drawn(result)}"
        )
        return finish(figure, alt=_alt(trial, result, openings), caption=caption)


def _one_pair(axes: Axes, rows: pd.DataFrame, *, look: dict[str, Look]) -> None:
    for _, bale in rows.groupby("bale", sort=True):
        ordered = bale.sort_values("days")
        how = look[str(ordered["binding"].iloc[0])]
        x, y = ordered["days"].to_numpy(), ordered["value_used"].to_numpy()
        axes.plot(x, y, color=how.colour, linestyle=how.line, linewidth=1.1)
        _dots(axes, x, y, ordered["below"].to_numpy(), how)
    axes.set_xlim(left=0)
    axes.xaxis.set_major_locator(MaxNLocator(3, integer=True))


def _dots(axes: Axes, x: Floats, y: Floats, below: NDArray[np.bool_], look: Look) -> None:
    """Draw values filled, and values below the limit hollow."""
    for hollow in (False, True):
        mine = below == hollow
        axes.plot(
            x[mine],
            y[mine],
            linestyle="none",
            marker=look.marker,
            markersize=4.2,
            markeredgecolor=look.colour,
            markerfacecolor="white" if hollow else look.colour,
            zorder=3,
        )


def days(analysis: Analysis) -> Picture | Prose:
    """Draw how far each bale's days in storage lie from the planned ones, with the windows.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    Picture or Prose
        Actual minus planned days by opening, of every sample with a value; a grey band is the
        window of the opening. Empty prose where there is no value.
    """
    trial, rows = analysis.trial, sampled(analysis)
    if not len(rows):
        return Prose(())
    openings = _openings(trial)
    off = rows["days"] - rows["planned_days"]
    with canvas(height=max(0.7 + 0.34 * len(openings), 1.6)) as (figure, grid):
        axes = grid[0, 0]
        axes.grid(axis="x")
        axes.grid(visible=False, axis="y")
        for slot, opening in enumerate(openings):
            low, high = (edge - opening.days for edge in opening.window)
            axes.barh(slot, high - low, left=low, height=0.62, color="#ececec", zorder=1)
            for name, look in looks(trial.settings.compare).items():
                mine = ((rows["opening"] == opening.name) & (rows["binding"] == name)).to_numpy()
                shift = _strip(trial, name)
                x = off[mine].to_numpy()
                _dots(axes, x, np.full(len(x), slot + shift), np.zeros(len(x), dtype=bool), look)
        axes.axvline(0, color=QUIET, linewidth=0.8, zorder=1.5)
        axes.set_yticks(
            range(len(openings)), [f"{short(o.name)} ({o.days:g} days)" for o in openings]
        )
        axes.invert_yaxis()
        axes.xaxis.set_major_locator(MaxNLocator(9, integer=True))
        axes.set_xlabel("actual minus planned days in storage")
        key(figure, list(looks(trial.settings.compare).items()), line=False)
        return finish(figure, alt=_days_alt(trial, rows, off), caption=_DAYS_CAPTION)


def _strip(trial: Trial, binding: str) -> float:
    """Place of a binding's dots across the bar of an opening."""
    names = trial.settings.compare
    return 0.32 * (names.index(binding) / max(len(names) - 1, 1) - 0.5)


_DAYS_CAPTION: Final = (
    "Actual against planned days in storage of every result; the grey bar is the window within "
    "which a result counts for its opening."
)


def _days_alt(trial: Trial, rows: pd.DataFrame, off: pd.Series) -> str:
    parts = []
    for opening in _openings(trial):
        mine = off[rows["opening"] == opening.name]
        if len(mine):
            parts.append(
                f"{opening.name}, planned {opening.days:g} days: actual "
                f"{opening.days + mine.min():.0f} to {opening.days + mine.max():.0f}"
            )
    apart = int((~rows["inside"]).sum())
    outside = count(apart, "result") if apart else "no result"
    return f"Days in storage. {'; '.join(parts)}. Outside the window: {outside}."


def _openings(trial: Trial) -> list[Opening]:
    return sorted(trial.settings.openings, key=lambda opening: opening.days)


def _value_axis(axes: Axes, result: ResponseAnalysis) -> None:
    if result.response.scale == "log":
        log_axis(axes)
    axes.set_ylabel(result.response.with_unit)


def _unit_note(result: ResponseAnalysis) -> str:
    return ", logarithmic scale" if result.response.scale == "log" else ""


def _not_drawn(result: ResponseAnalysis) -> str:
    """What the picture does not hold: values outside the window of their opening."""
    apart = len(result.records.outside)
    return (
        f" Not drawn: {count(apart, 'result')} outside the window of the opening." if apart else ""
    )


def _alt(trial: Trial, result: ResponseAnalysis, openings: Sequence[str]) -> str:
    rows, unit = result.records.rows, result.response.level_unit
    medians = rows.groupby(["opening", "binding"])["value_used"].median()
    parts = []
    for opening in openings:
        cells = [
            f"{name} {number(medians[opening, name])}"
            for name in trial.settings.compare
            if (opening, name) in medians.index
        ]
        if cells:
            lower = _pairs_lower(trial, rows[rows["opening"] == opening])
            parts.append("; ".join([f"{opening}: {joined(cells)}", *lower]))
    return f"{result.response.label}, medians in {unit} by opening. {'. '.join(parts)}."


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
        found.append(f"{name} below {settings.reference} in {lower} of {count(len(both), 'pair')}")
    return found
