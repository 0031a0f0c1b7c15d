"""Pictures of a plan: power and detectable difference against pairs.

Each is drawn 85 mm wide, one column of a printed page, with its data beside it.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from silagetrial.display.axes import end_names, log_axis
from silagetrial.display.block import Picture
from silagetrial.display.phrases import number
from silagetrial.display.style import INK, QUIET, canvas, finish, looks

__all__ = [
    "LINE",
    "SMALL",
    "detectable_chart",
    "drawn",
    "level_line",
    "on_top",
    "one_column",
    "pairs_axis",
    "planned_line",
    "power_chart",
]

_HEIGHT: Final = 2.55
SMALL: Final = 6.5
"""Size of letters inside a picture, points."""
LINE: Final = "#0072B2"
_LABEL_ROOM: Final = 0.30
"""Share of the axis kept free on the right for the names of lines."""


def power_chart(data: pd.DataFrame, *, target: float, planned: float, unit: str) -> Picture:
    """Draw power against pairs, a line an effect, with the band of the assumptions.

    Parameters
    ----------
    data : pandas.DataFrame
        ``effect pairs power low high``: a label an effect; `low` and `high` with the variances
        doubled and halved, missing where no band is drawn.
    target : float
        Power wanted.
    planned : float
        Pairs of the plan.
    unit : str
        What is counted along the axis: ``pairs on each farm``.
    """
    with one_column() as (figure, grid):
        axes = grid[0, 0]
        labels = list(data["effect"].unique())
        ends = []
        for label, look in looks(labels).items():
            mine = data[data["effect"] == label]
            _band(axes, mine, colour=look.colour)
            axes.plot(
                mine["pairs"], 100 * mine["power"], color=look.colour, linestyle=look.line,
                marker=look.marker, markevery=_every(len(mine)), markersize=3.2, linewidth=1.2,
            )  # fmt: skip
            last = float(100 * mine["power"].iloc[-1])
            ends.append((float(data["pairs"].max()), last, label, look.colour))
        level_line(axes, 100 * target, f"{100 * target:.0f} % wanted")
        planned_line(axes, planned)
        axes.set_ylim(0, 103)
        axes.set_ylabel("power, %")
        pairs_axis(axes, data["pairs"], unit, room=_LABEL_ROOM)
        end_names(axes, ends)
        caption = (
            f"Power against {unit}, by true effect. Band: the effect assumed, with all variances "
            "halved (above) and doubled (below). Broken upright line: the plan."
        )
        return drawn(figure, data, caption, _power_alt(data, planned, unit))


def _power_alt(data: pd.DataFrame, planned: float, unit: str) -> str:
    parts = []
    for label in data["effect"].unique():
        mine = data[data["effect"] == label]
        at = mine.iloc[int((mine["pairs"] - planned).abs().to_numpy().argmin())]
        band = ""
        if np.isfinite(at["low"]) and np.isfinite(at["high"]):
            band = (
                f" ({100 * at['low']:.0f} to {100 * at['high']:.0f} % as variances double or halve)"
            )
        parts.append(f"{label}: {100 * at['power']:.0f} % at {at['pairs']:.0f}{band}")
    return f"Power by effect, at the plan's {unit}. {'; '.join(parts)}."


def detectable_chart(
    data: pd.DataFrame, *, planned: float, unit: str, label: str, ratio: bool, power: float
) -> Picture:
    """Draw the difference that is shown with the power wanted, against pairs.

    Parameters
    ----------
    data : pandas.DataFrame
        ``pairs effect low high``: ratio or difference, and the same with the variances halved and
        doubled.
    planned : float
        Pairs of the plan.
    unit : str
        What is counted along the axis.
    label : str
        What the difference is of, with its unit.
    ratio : bool
        Whether effects are ratios.
    power : float
        Power wanted.
    """
    with one_column() as (figure, grid):
        axes = grid[0, 0]
        _band(axes, data, percent=False)
        axes.plot(
            data["pairs"], data["effect"], color=LINE, marker="o", markersize=3.2, linewidth=1.2,
            markevery=_every(len(data)),
        )  # fmt: skip
        out = 1 if data["high"].iloc[-1] > data["low"].iloc[-1] else -1
        for column, what, up in (
            ("high", "variances doubled", out),
            ("low", "variances halved", -out),
        ):
            row = data.iloc[len(data) // 2]
            axes.annotate(
                what, (row["pairs"], row[column]), xytext=(0, 3 * up), color=QUIET, fontsize=SMALL,
                textcoords="offset points", ha="left", va="bottom" if up > 0 else "top",
            )  # fmt: skip
        planned_line(axes, planned)
        _within_reach(axes, data, planned, ratio=ratio)
        if ratio:
            log_axis(axes)
        axes.set_ylabel(label)
        pairs_axis(axes, data["pairs"], unit)
        caption = (
            f"What a trial shows with {100 * power:.0f} % power, against {unit}. Band: all "
            "variances halved and doubled. Broken upright line: the plan."
        )
        return drawn(figure, data, caption, _detectable_alt(data, planned, unit, label))


def _within_reach(axes: Axes, data: pd.DataFrame, planned: float, *, ratio: bool) -> None:
    """Leave what very few pairs would show outside, where it would flatten the rest."""
    shown = data[data["pairs"] >= min(planned / 2, data["pairs"].max())]
    values = shown[["low", "high"]].to_numpy(dtype=float)
    none = 1.0 if ratio else 0.0
    ends = [none, float(values.max() if values.max() > none else values.min())]
    low, high = min(ends), max(ends)
    axes.set_ylim((low / 1.03, high * 1.03) if ratio else (1.05 * low, 1.05 * high))


def _detectable_alt(data: pd.DataFrame, planned: float, unit: str, label: str) -> str:
    at = data.iloc[int((data["pairs"] - planned).abs().to_numpy().argmin())]
    last = data.iloc[-1]
    what = " ".join(label.split())
    return (
        f"{what}, {unit}: {number(at['effect'])} at {at['pairs']:.0f} ({number(at['low'])} to "
        f"{number(at['high'])} as variances halve or double), {number(last['effect'])} at "
        f"{last['pairs']:.0f}."
    )


def one_column(height: float = _HEIGHT) -> Any:
    """Give a figure one column wide, as `canvas` does; its height is in inches."""
    return canvas(height=height)


def drawn(figure: Figure, data: pd.DataFrame, caption: str, alt: str) -> Picture:
    """Turn a drawn figure into a picture."""
    return finish(figure, data=data, alt=alt, caption=caption)


def _band(axes: Axes, data: pd.DataFrame, *, percent: bool = True, colour: str = LINE) -> None:
    """Shade between the variances halved and doubled."""
    factor = 100 if percent else 1
    low, high = (factor * data[name].to_numpy(dtype=float) for name in ("low", "high"))
    if np.isfinite(low).any():
        axes.fill_between(data["pairs"], low, high, color=colour, alpha=0.16, linewidth=0)


def level_line(axes: Axes, at: float, words: str) -> None:
    """Draw a level across the picture and write what it is."""
    axes.axhline(at, color=INK, linewidth=0.7, dashes=(4, 2), zorder=1)
    axes.annotate(
        words, (0, at), xycoords=axes.get_yaxis_transform(), xytext=(2, 1.5),
        textcoords="offset points", fontsize=SMALL, color=INK, va="bottom", ha="left",
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 0.6}, zorder=3,
    )  # fmt: skip


def planned_line(axes: Axes, pairs: float) -> None:
    """Draw an upright line where the plan is."""
    axes.axvline(pairs, color=QUIET, linewidth=0.8, dashes=(2, 2), zorder=1)
    on_top(axes, pairs, "the plan")


def pairs_axis(axes: Axes, pairs: pd.Series[float], unit: str, *, room: float = 0.03) -> None:
    """Make the horizontal axis whole numbers of pairs, with a share of it free on the right."""
    low, high = float(pairs.min()), float(pairs.max())
    axes.set_xlim(max(0.0, low - 0.03 * (high - low)), high + room * (high - low))
    locator = MaxNLocator(6, integer=True)
    ticks = [tick for tick in locator.tick_values(low, high) if low <= tick <= high]
    axes.set_xticks(ticks)
    axes.set_xlabel(unit)


def on_top(axes: Axes, at: float, words: str) -> None:
    """Write above the picture what an upright line is."""
    axes.annotate(
        words, (at, 1), xycoords=axes.get_xaxis_transform(), xytext=(0, 1),
        textcoords="offset points", fontsize=SMALL, color=QUIET, va="bottom", ha="center",
    )  # fmt: skip


def _every(count: int) -> int:
    return max(1, count // 8)
