"""The look of the figures: one colour, marker and line style for each binding, sizes for print."""

from __future__ import annotations

import io
import warnings
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from dataclasses import dataclass
from typing import Any, Final, TypeAlias

import matplotlib.style
import numpy as np
import pandas as pd
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.backends.backend_svg import FigureCanvasSVG
from matplotlib.figure import Figure
from numpy.typing import NDArray

from silagetrial.display.block import Picture, show_text

__all__ = [
    "COLUMN",
    "FONT",
    "INK",
    "QUIET",
    "Floats",
    "Look",
    "canvas",
    "finish",
    "looks",
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
    "legend.handlelength": 1.8,
    "legend.handletextpad": 0.5,
    "legend.columnspacing": 1.2,
    "legend.borderaxespad": 0.1,
    "lines.linewidth": 1.2,
    "lines.markersize": 4.0,
    "errorbar.capsize": 0.0,
    "figure.dpi": DPI,
}
_LETTERS: Final = (
    "font.size",
    "axes.titlesize",
    "axes.labelsize",
    "legend.fontsize",
    "xtick.labelsize",
    "ytick.labelsize",
)


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
        PNG of 300 dots an inch; SVG with letters as outlines, which need no font. Both carry
        caption and message in words.
    """
    # A name in a script the font lacks shows boxes in the figure; the words have it right.
    with warnings.catch_warnings(), matplotlib.rc_context({"svg.hashsalt": "silagetrial"}):
        warnings.filterwarnings("ignore", message="Glyph .* missing from")
        # The layout is found once; saving would find it again for each format.
        figure.draw_without_rendering()
        figure.set_layout_engine("none")
        words = {"Title": show_text(caption), "Description": show_text(alt)}
        png = _png(figure, words)
        svg = _svg(figure, words)
    kept = data.reset_index(drop=True)
    return Picture(png, svg, kept, alt, caption, inches=figure.get_figwidth(), name=name)


def _png(figure: Figure, words: dict[str, str]) -> bytes:
    """Write a figure by its canvas: `savefig` would draw it once more for a layout it has."""
    canvas: Any = FigureCanvasAgg(figure)
    buffer = io.BytesIO()
    canvas.print_png(buffer, metadata={"Software": None, **words})
    return buffer.getvalue()


def _svg(figure: Figure, words: dict[str, str]) -> bytes:
    canvas: Any = FigureCanvasSVG(figure)
    buffer = io.BytesIO()
    canvas.print_svg(buffer, metadata={"Date": None, "Creator": None, **words})
    return buffer.getvalue()
