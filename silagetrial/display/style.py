"""The look of the figures: one colour, marker and line style for each binding, sizes for print."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import matplotlib.style
import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.lines import Line2D
from matplotlib.ticker import FixedLocator, FuncFormatter, LogLocator, NullFormatter, NullLocator
from numpy.typing import NDArray

from silagetrial.display.block import Picture
from silagetrial.display.phrases import short

__all__ = [
    "COLUMN",
    "FONT",
    "INK",
    "QUIET",
    "Floats",
    "Look",
    "canvas",
    "days_axis",
    "finish",
    "key",
    "log_axis",
    "looks",
    "mark_without",
    "shifted",
]

Floats: TypeAlias = NDArray[np.float64]

COLUMN: Final = 85 / 25.4
"""Width of a figure in inches: one column of print, two of them the text width of A4."""

FONT: Final = 7.0
"""Size of letters in points, at the printed width."""

DPI: Final = 300

INK: Final = "#1b1b1b"
QUIET: Final = "#6e6e6e"

# Okabe & Ito (2008), Color Universal Design; yellow and sky blue are left out, being too light
# for thin lines on white.
_COLOURS: Final = ("#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000")
_MARKERS: Final = ("o", "s", "^", "D", "v")
_LINES: Final[tuple[Any, ...]] = ("-", (0, (5, 2)), (0, (1, 1.5)), "-.", (0, (3, 1, 1, 1, 1, 1)))

# Dollar signs in names are names, not formulas: nothing in a label is parsed.
_RC: Final[dict[str, Any]] = {
    "text.parse_math": False,
    "font.family": "DejaVu Sans",
    "axes.labelcolor": INK,
    "axes.edgecolor": QUIET,
    "axes.linewidth": 0.7,
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.grid": True,
    "axes.grid.axis": "y",
    "axes.axisbelow": True,
    "grid.color": "#e6e6e6",
    "grid.linewidth": 0.6,
    "xtick.color": QUIET,
    "ytick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.labelcolor": INK,
    "legend.frameon": False,
    "lines.linewidth": 1.4,
    "lines.markersize": 5.0,
    "errorbar.capsize": 0.0,
    "figure.dpi": DPI,
    "savefig.dpi": DPI,
}
_LETTERS: Final = ("font.size", "axes.titlesize", "axes.labelsize", "legend.fontsize")


@dataclass(frozen=True)
class Look:
    """How one binding is drawn everywhere."""

    name: str
    colour: str
    marker: str
    line: Any


def looks(bindings: Sequence[str]) -> dict[str, Look]:
    """Return the look of each binding, by its place in the trial's own order."""
    return {
        name: Look(
            name,
            _COLOURS[k % len(_COLOURS)],
            _MARKERS[k % len(_MARKERS)],
            _LINES[k % len(_LINES)],
        )
        for k, name in enumerate(bindings)
    }


@contextmanager
def canvas(
    *,
    height: float,
    width: float = COLUMN,
    font: float = FONT,
    rows: int = 1,
    columns: int = 1,
    **options: Any,
) -> Iterator[Any]:
    """Give a figure and its axes in the look of all figures.

    Parameters
    ----------
    height, width : float
        Size in inches.
    font : float
        Size of letters in points.
    rows, columns : int
        Grid of axes.
    **options
        Passed to `matplotlib.figure.Figure.subplots`.

    Yields
    ------
    tuple of Figure and numpy.ndarray
        The figure and its axes, an array of `rows` times `columns`.
    """
    letters = dict.fromkeys(_LETTERS, font)
    with matplotlib.style.context(["default", _RC | letters]):
        figure = Figure(figsize=(width, height), layout="constrained")
        FigureCanvasAgg(figure)
        yield figure, figure.subplots(rows, columns, squeeze=False, **options)


def finish(
    figure: Figure, *, data: pd.DataFrame, alt: str, caption: str, name: str = ""
) -> Picture:
    """Turn a drawn figure into a picture; the same drawing gives the same bytes.

    Parameters
    ----------
    figure : Figure
    data : pandas.DataFrame
        Every value drawn, with headings that name the unit.
    alt, caption, name : str
        As in `Picture`.

    Returns
    -------
    Picture
        PNG of 300 dots an inch; SVG with letters as outlines, which need no font.
    """
    # A name in a script the font lacks shows boxes in the figure; the words have it right.
    with warnings.catch_warnings(), matplotlib.rc_context({"svg.hashsalt": "silagetrial"}):
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        # The layout is found once; saving would find it again for each format.
        figure.draw_without_rendering()
        figure.set_layout_engine("none")
        png = _saved(figure, format="png", metadata={"Software": None}, dpi=DPI)
        svg = _saved(figure, format="svg", metadata={"Date": None, "Creator": None})
    kept = data.reset_index(drop=True)
    return Picture(png, svg, kept, alt, caption, inches=figure.get_figwidth(), name=name)


def _saved(figure: Figure, **how: Any) -> bytes:
    buffer = io.BytesIO()
    figure.savefig(buffer, **how)
    return buffer.getvalue()


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


def days_axis(axes: Axes, days: Sequence[float]) -> None:
    """Make the horizontal axis days in storage on the scale log(1 + days), with these ticks.

    Growth with storage is a straight line on it.
    """
    axes.set_xscale("function", functions=(np.log1p, np.expm1))
    axes.xaxis.set_major_locator(FixedLocator(list(days)))
    axes.xaxis.set_major_formatter(FuncFormatter(lambda value, _: f"{value:g}"))
    axes.xaxis.set_minor_locator(NullLocator())
    low, high = np.log1p(min(days)), np.log1p(max(days))
    margin = 0.12 * (high - low) or 0.5
    axes.set_xlim(np.expm1(low - margin), np.expm1(high + margin))
    axes.set_xlabel("days in storage, on the scale log(1 + days)")


def mark_without(axes: Axes, reasons: Mapping[float, str]) -> None:
    """Write at days where nothing is drawn why there is nothing, from the bottom upwards."""
    for at, reason in reasons.items():
        axes.annotate(
            reason, (at, 0.0), xycoords=axes.get_xaxis_transform(), xytext=(0, 4),
            textcoords="offset points", rotation=90, ha="center", va="bottom", color=QUIET,
            fontsize=7.5, bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.0},
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
            markersize=4.5,
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
                markersize=4.5,
                label="below the limit, drawn at half the limit",
            )
        )
    figure.legend(handles=handles, loc="outside upper left", ncols=len(handles))
