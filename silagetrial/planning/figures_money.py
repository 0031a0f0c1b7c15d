"""The picture of what money buys: power against the cost of the trial."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter, MaxNLocator

from silagetrial.display.block import Picture
from silagetrial.display.phrases import short
from silagetrial.display.style import QUIET, looks
from silagetrial.planning.figures import LINE, drawn, level_line, on_top, one_column

__all__ = ["frontier_chart"]


def frontier_chart(
    options: pd.DataFrame,
    frontier: pd.DataFrame,
    *,
    marks: Sequence[tuple[str, float, float]],
    target: float,
    money: float | None,
    currency: str,
) -> Picture:
    """Draw the best power each sum of money buys, above all other plans.

    Parameters
    ----------
    options, frontier : pandas.DataFrame
        ``cost power`` of all plans looked at, and of those that no other beats.
    marks : sequence of (str, float, float)
        Plans named in the picture: name, cost, power.
    target : float
        Power wanted.
    money : float or None
        Money there is.
    currency : str
    """
    with one_column() as (figure, grid):
        axes = grid[0, 0]
        edge = _money_edge(frontier, marks, money=money, target=target)
        shown = options[options["cost"] <= edge]
        axes.plot(
            shown["cost"], 100 * shown["power"], ".", color="#b4b4b4", markersize=2, zorder=1,
            markeredgewidth=0, rasterized=True,
        )  # fmt: skip
        best = frontier[frontier["cost"] <= edge]
        height = 100 * np.append(best["power"], best["power"].max())
        axes.step(
            np.append(best["cost"], edge),
            height,
            where="post",
            color=LINE,
            linewidth=1.2,
            zorder=2,
        )
        level_line(axes, 100 * target, f"{100 * target:.0f} % wanted")
        if money is not None and money <= edge:
            axes.axvline(money, color=QUIET, linewidth=0.8, dashes=(1, 1.5), zorder=1)
            on_top(axes, money, "money there is")
        _marks(axes, marks)
        _label_axes(axes, edge, currency)
        caption = (
            "Best power for the money (line), among all plans looked at (grey dots). Marked plans "
            "are described in the table."
        )
        alt = "; ".join(
            f"{name}: {100 * power:.0f} % for {cost:.0f}" for name, cost, power in marks
        )
        return drawn(figure, frontier, caption, f"Power against cost in {currency}. {alt}.")


def _label_axes(axes: Axes, edge: float, currency: str) -> None:
    """Set range and words of power against money."""
    axes.set_ylim(0, 103)
    axes.set_xlim(0, edge)
    axes.set_ylabel("power, %")
    axes.set_xlabel(f"cost of the trial{f', {short(currency, longest=12)}' if currency else ''}")
    axes.xaxis.set_major_locator(MaxNLocator(5))
    axes.xaxis.set_major_formatter(
        FuncFormatter(lambda value, _: f"{value:,.0f}".replace(",", " "))
    )


def _money_edge(
    frontier: pd.DataFrame,
    marks: Sequence[tuple[str, float, float]],
    *,
    money: float | None,
    target: float,
) -> float:
    """Return where the axis of money ends: past what is marked and where power is nearly whole."""
    near = frontier.loc[frontier["power"] >= max(target, 0.95), "cost"]
    ends = [near.iloc[0] if len(near) else frontier["cost"].iloc[-1]]
    ends += [cost for _, cost, _ in marks]
    if money is not None and money < 2 * max(ends):
        ends.append(money)
    return 1.08 * float(max(ends))


def _marks(axes: Axes, marks: Sequence[tuple[str, float, float]]) -> None:
    at: dict[tuple[float, float], str] = {}
    for name, cost, power in marks:
        at[cost, power] = f"{at[cost, power]}, {name}" if (cost, power) in at else name
    styles = looks(list(at.values())).values()
    for ((cost, power), name), look in zip(at.items(), styles, strict=True):
        axes.plot(
            [cost], [100 * power], marker=look.marker, color=look.colour, markersize=5,
            markeredgecolor="white", linestyle="none", zorder=4, label=name,
        )  # fmt: skip
    if marks:
        handles = axes.get_legend_handles_labels()[0]
        axes.figure.legend(
            handles=handles, loc="outside upper left", ncols=len(handles), handletextpad=0.1,
            columnspacing=0.9, borderaxespad=0.1,
        )  # fmt: skip
