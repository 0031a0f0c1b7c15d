"""Pictures of simulated trials: power against pairs, and what lowers it."""

from __future__ import annotations

import textwrap

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from silagetrial.display.block import Picture
from silagetrial.display.style import INK, QUIET, Floats, looks
from silagetrial.planning.figures import (
    LINE,
    SMALL,
    drawn,
    level_line,
    on_top,
    one_column,
    pairs_axis,
    planned_line,
)

__all__ = ["lowers_chart", "simulated_chart"]

BAND = 1.959963984540054
"""Monte Carlo standard errors on each side of a simulated share: 95 %."""
_MODEL, _FORMULA, _COMPANION = "model, simulated", "by formula", "paired t, simulated"
_ROW = 0.215
"""Height of one row, inches."""
_LETTERS = 24
"""Letters in one line of a name beside the axis."""
SIZE = 0.01
"""How far above its nominal value a size is written beside its power."""


def simulated_chart(data: pd.DataFrame, *, target: float, planned: float, unit: str) -> Picture:
    """Draw simulated power against pairs, with its Monte Carlo band and the formula beside it.

    Parameters
    ----------
    data : pandas.DataFrame
        ``pairs power power_mc paired_t paired_t_mc formula``; formula missing where it has no
        answer.
    target : float
        Power wanted.
    planned : float
        Pairs of the plan.
    unit : str
        What is counted along the axis.
    """
    with one_column() as (figure, grid):
        axes = grid[0, 0]
        pairs = data["pairs"].to_numpy(dtype=float)
        for name, look in looks((_MODEL, _FORMULA, _COMPANION)).items():
            column = {_MODEL: "power", _FORMULA: "formula", _COMPANION: "paired_t"}[name]
            share = 100 * data[column].to_numpy(dtype=float)
            if name != _FORMULA:
                half = 100 * BAND * data[f"{column}_mc"].to_numpy(dtype=float)
                axes.fill_between(
                    pairs, share - half, share + half, color=look.colour, alpha=0.2, linewidth=0
                )
            axes.plot(
                pairs, share, color=look.colour, linestyle=look.line, linewidth=1.0, label=name,
                marker="" if name == _FORMULA else look.marker, markersize=3.0,
            )  # fmt: skip
        level_line(axes, 100 * target, f"{100 * target:.0f} % wanted")
        planned_line(axes, planned)
        axes.set_ylim(0, 103)
        axes.set_ylabel("power, %")
        pairs_axis(axes, data["pairs"], unit)
        axes.legend(loc="lower right", fontsize=SMALL, handlelength=2.2, borderaxespad=0.1)
        caption = (
            f"Power against {unit}, from simulated trials, with the formula beside it. Bands: 95 % "
            "Monte Carlo intervals. Broken upright line: the plan."
        )
        return drawn(figure, data, caption, _simulated_alt(data, unit))


def _simulated_alt(data: pd.DataFrame, unit: str) -> str:
    parts = []
    for row in data.to_dict("records"):
        formula = f", formula {100 * row['formula']:.0f} %" if np.isfinite(row["formula"]) else ""
        parts.append(f"{row['pairs']:.0f}: {100 * row['power']:.0f} %{formula}")
    return f"Simulated power by {unit}. {'; '.join(parts)}."


def lowers_chart(data: pd.DataFrame, *, target: float, alpha: float) -> Picture:
    """Draw the power of a plan with its truth changed in one way at a time.

    Parameters
    ----------
    data : pandas.DataFrame
        As `what_lowers` gives it: the plan's own first.
    target : float
        Power wanted.
    alpha : float
        Size of the test: a change whose size is well above it has that written beside.
    """
    names = ["\n".join(textwrap.wrap(name, _LETTERS)) for name in data["change"]]
    lines = sum(name.count("\n") + 1 for name in names)
    with one_column(height=0.75 + _ROW * max(len(names) * 1.15, lines * 0.8)) as (figure, grid):
        axes = grid[0, 0]
        at = -np.arange(len(data), dtype=float)
        own = data.iloc[0]
        low, high = (100 * (own["power"] + side * BAND * own["power_mc"]) for side in (-1, 1))
        axes.axvspan(low, high, color=LINE, alpha=0.15, linewidth=0)
        axes.axvline(100 * own["power"], color=LINE, linewidth=0.8)
        axes.axvline(100 * target, color=INK, linewidth=0.7, dashes=(4, 2))
        on_top(axes, 100 * target, f"{100 * target:.0f} % wanted")
        styles = looks((_MODEL, _FORMULA, _COMPANION))
        for name, column, shift in ((_MODEL, "power", 0.13), (_COMPANION, "paired_t", -0.13)):
            look = styles[name]
            axes.errorbar(
                100 * data[column], at + shift, xerr=100 * BAND * data[f"{column}_mc"],
                color=look.colour, marker=look.marker, linestyle="none", markersize=3.4,
                elinewidth=1.1, label=name, markerfacecolor=look.colour if shift > 0 else "white",
            )  # fmt: skip
        _sizes(axes, data, at, alpha)
        axes.set_yticks(at, names)
        axes.tick_params(axis="y", length=0)
        axes.set_ylim(at[-1] - 0.6, 0.6)
        axes.set_xlim(0, 103)
        axes.grid(visible=False, axis="y")
        axes.grid(visible=True, axis="x")
        axes.set_xlabel("power, %")
        figure.legend(
            *axes.get_legend_handles_labels(), loc="outside upper right", ncols=2, fontsize=SMALL,
            handletextpad=0.3, columnspacing=1.0, borderaxespad=0.1,
        )  # fmt: skip
        caption = (
            "Power of the plan as it is (upright line and band) and with its truth changed in one "
            "way at a time, from simulated trials. Bars: 95 % Monte Carlo intervals. A size is "
            "written where the change breaks the model's test."
        )
        return drawn(figure, data, caption, _lowers_alt(data))


def _sizes(axes: Axes, data: pd.DataFrame, at: Floats, alpha: float) -> None:
    """Write the size of the model's test where it is above the nominal one."""
    for row, y in zip(data.to_dict("records"), at, strict=True):
        if row["size"] - BAND * row["size_mc"] > alpha + SIZE:
            end = 100 * max(row["power"], row["paired_t"])
            right = end < 60
            axes.annotate(
                f"size {100 * row['size']:.0f} %", (end if right else
                100 * min(row['power'], row['paired_t']), y), xytext=(7 if right else -7, 0),
                textcoords="offset points", fontsize=SMALL, color=QUIET, va="center",
                ha="left" if right else "right",
            )  # fmt: skip


def _lowers_alt(data: pd.DataFrame) -> str:
    parts = (f"{row['change']}: {100 * row['power']:.0f} %" for row in data.to_dict("records"))
    return f"Simulated power. {'; '.join(parts)}."
