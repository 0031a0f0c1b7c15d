"""Axes, keys and names inside figures: days in storage, logarithms, ends of lines."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullFormatter, NullLocator

from silagetrial.display.language import say
from silagetrial.display.phrases import short
from silagetrial.display.style import FONT, QUIET, Floats, Look

__all__ = [
    "days_axis",
    "end_names",
    "end_room",
    "key",
    "log_axis",
    "mark_without",
    "shifted",
]

_LONGEST_AT_END: Final = 14
"""Longest name that fits at the end of its line."""


def log_axis(axes: Axes) -> None:
    """Make the vertical axis logarithmic with plain numbers, after everything is drawn on it."""
    axes.set_yscale("log")
    low, high = axes.get_ylim()
    few = high / low > 8
    steps = (1.0, 2.0, 5.0) if few else (1.0, 1.5, 2.0, 3.0, 4.0, 5.0, 6.0, 8.0)
    axes.yaxis.set_major_locator(LogLocator(base=10.0, subs=steps, numticks=30))
    axes.yaxis.set_minor_locator(NullLocator())
    axes.yaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.yaxis.set_minor_formatter(NullFormatter())


def days_axis(axes: Axes, days: Sequence[float], *, room: float = 0.0) -> None:
    """Make the horizontal axis days in storage on the scale log(1 + days), with these ticks.

    Growth with storage is a straight line on it.

    Parameters
    ----------
    axes : Axes
    days : sequence of float
        Days with a tick; at least one.
    room : float
        Share of the axis kept free on the right, for the names of lines.
    """
    axes.set_xscale("function", functions=(np.log1p, np.expm1))
    axes.xaxis.set_major_locator(FixedLocator(list(days)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(NullLocator())
    low, high = np.log1p(min(days)), np.log1p(max(days))
    margin = 0.1 * (high - low) or 0.5
    right = margin + room * (high - low + 2 * margin) / (1 - room)
    axes.set_xlim(np.expm1(low - margin), np.expm1(high + right))
    axes.set_xlabel(say("axis.days_scaled"))


def mark_without(axes: Axes, reasons: Mapping[float, str]) -> None:
    """Write at days where nothing is drawn why there is nothing, from the bottom upwards."""
    for at, reason in reasons.items():
        axes.annotate(
            reason, (at, 0.0), xycoords=axes.get_xaxis_transform(), xytext=(0, 4),
            textcoords="offset points", rotation=90, ha="center", va="bottom", color=QUIET,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
        )  # fmt: skip


def shifted(days: Sequence[float], *, of: Mapping[str, float], share: float) -> Floats:
    """Move places on a days axis sideways by a share of its length, so that nothing overlaps."""
    x = np.log1p(np.asarray(list(of.values()), dtype=float))
    moved: Floats = np.expm1(np.log1p(np.asarray(days, dtype=float)) + share * (np.ptp(x) or 1.0))
    return moved


def key(
    figure: Figure, entries: Sequence[tuple[str, Look]], *, below: bool = False, line: bool = True
) -> None:
    """Put the key above the figure: the looks, and hollow marks where values lie below a limit."""
    handles = [
        Line2D(
            [],
            [],
            color=look.colour,
            marker=look.marker,
            linestyle=look.line if line else "none",
            label=short(name),
        )
        for name, look in entries
    ]
    if below:
        handles.append(
            Line2D(
                [],
                [],
                color=QUIET,
                marker="o",
                markerfacecolor="white",
                linestyle="none",
                label=say("figure.below_limit"),
            )
        )
    for columns in range(len(handles), 0, -1):
        legend = figure.legend(handles=handles, loc="outside upper left", ncols=columns)
        if columns == 1 or legend.get_window_extent().width <= figure.bbox.width:
            return
        legend.remove()


def end_room(names: Sequence[str]) -> float:
    """Return the share of an axis that names at the ends of their lines take; 0 if one is too long.

    Where one does not fit, a key takes the place of all of them.
    """
    longest = max((len(name) for name in names), default=0)
    return 0.02 + 0.021 * longest if longest <= _LONGEST_AT_END else 0.0


def end_names(axes: Axes, ends: Sequence[tuple[float, float, str, str]]) -> None:
    """Write names at the ends of their lines, moved apart where they would overlap.

    Parameters
    ----------
    axes : Axes
        With its limits as they stay.
    ends : sequence of (float, float, str, str)
        Where each line ends, its name and its colour.
    """
    axes.get_ylim()  # Finds the limits, where nothing asked for them yet.
    places = np.array([axes.transData.transform((x, y)) for x, y, _, _ in ends], dtype=float)
    share = axes.transAxes.inverted().transform(places)[:, 1]
    order = np.argsort(share, kind="stable")
    least = 1.25 * FONT * axes.figure.dpi / (72 * axes.bbox.height)
    beside = max(x for x, _, _, _ in ends)
    for k, place in zip(order, _apart(share[order], least=least), strict=True):
        _, _, name, colour = ends[k]
        axes.annotate(
            short(name, longest=22), (beside, place), xycoords=axes.get_xaxis_transform(),
            xytext=(5, 0), textcoords="offset points", color=colour, va="center", ha="left",
            annotation_clip=False, zorder=3,
            bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.4},
        )  # fmt: skip


def _apart(values: Floats, *, least: float) -> Floats:
    """Move sorted values apart to at least a distance, all of them between 0 and 1."""
    steps = least * np.arange(len(values))
    # From the lowest up, then down again from the highest where they pass it.
    up = np.maximum.accumulate(np.maximum(values, least / 2) - steps) + steps
    apart: Floats = np.minimum(up, 1.0 - steps[::-1])
    return apart
