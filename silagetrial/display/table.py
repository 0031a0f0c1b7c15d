"""A data frame that knows how it is shown.

Numbers in the frame are never rounded; only their display follows a rule, found by the column's
name, so that the same quantity looks the same in every table.
"""

from __future__ import annotations

import math
import textwrap
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import datetime
from html import escape
from numbers import Real
from typing import Final

import numpy as np
import pandas as pd

from silagetrial.display.page import scrolling

__all__ = ["MISSING", "Table", "significant"]

MISSING: Final = "\N{EN DASH}"
"""Shown for NaN, None and NaT: not there, which is never the same as zero."""

WRAP: Final = 46
"""Width at which a text cell is broken in plain text."""

SHORT: Final = 14
"""Texts up to this length stand on one line in HTML, however narrow the page."""

# Notebook programs move every cell to the right, and captions to the middle.
_LEFT: Final = ' style="text-align:left"'

_RESULT = frozenset({"estimate", "std_error", "statistic", "half_width"})
_RESULT_STARTS = ("conf_", "sim_")


@dataclass(frozen=True, eq=False, repr=False)
class Table:
    """A data frame with title, notes and display rules.

    Parameters
    ----------
    frame : pandas.DataFrame
        The values, at full precision; its index is not shown.
    title : str
        Shown above the table (caption in HTML).
    notes : tuple of str
        Shown below the table, one line each.
    formats : mapping of str to str
        Column name to Python format specification (``".2f"``); overrides the rule by name for
        the numbers of that column.
    labels : mapping of str to str
        Column name to the heading shown; by default the name with ``_`` as a space.

    Notes
    -----
    Rules by name: ``p_*`` three decimals, ``< 0.001`` or ``> 0.999``; ``df``, ``*_df`` one decimal,
    none when whole; ``estimate``, ``std_error``, ``statistic``, ``conf_*``, ``sim_*`` three
    significant digits with the decimal points aligned; ``days``, ``*_days`` whole; other numbers
    four significant digits. Truth values are yes or no; what is missing is a dash.
    """

    frame: pd.DataFrame
    title: str = ""
    notes: tuple[str, ...] = ()
    formats: Mapping[str, str] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)

    def __len__(self) -> int:
        """Return the number of rows."""
        return len(self.frame)

    def __repr__(self) -> str:
        """Return the plain text, so that a terminal shows the table itself."""
        return str(self)

    def __str__(self) -> str:
        """Return aligned plain text, title above and notes below."""
        columns = self._columns()
        blocks = [
            [_wrapped(text, wrap=not column.number) for text in column.cells] for column in columns
        ]
        widths = [
            max([len(column.heading), *(len(line) for cell in block for line in cell)])
            for column, block in zip(columns, blocks, strict=True)
        ]
        right = [column.number for column in columns]
        lines = [
            _text_line([column.heading for column in columns], widths=widths, right=right),
            "  ".join("-" * width for width in widths),
        ]
        for row in range(len(self)):
            cells = [block[row] for block in blocks]
            for k in range(max((len(cell) for cell in cells), default=0)):
                texts = [cell[k] if k < len(cell) else "" for cell in cells]
                lines.append(_text_line(texts, widths=widths, right=right))
        above = [_printable(self.title)] if self.title else []
        return "\n".join([*above, *lines, *(_printable(note) for note in self.notes)])

    def _repr_html_(self) -> str:
        return self.to_html()

    def to_html(self) -> str:
        """Return a semantic HTML table; every text from the data is escaped.

        Returns
        -------
        str
            A ``div`` of class ``st-block`` with the table (class ``st-table``) and its notes.
        """
        columns = self._columns()
        caption = (
            f"<caption{_LEFT}>{escape(_printable(self.title))}</caption>\n" if self.title else ""
        )
        heading = "".join(_html_heading(column) for column in columns)
        rows = "".join(
            "<tr>" + "".join(_html_cell(column, row) for column in columns) + "</tr>\n"
            for row in range(len(self))
        )
        notes = "".join(f'<p class="st-note">{escape(_printable(n))}</p>\n' for n in self.notes)
        table = (
            f'<table class="st-table">\n{caption}<thead><tr>{heading}</tr></thead>\n'
            f"<tbody>\n{rows}</tbody>\n</table>"
        )
        name = _printable(self.title) or "Table"
        return f'<div class="st-block">\n{scrolling(table, name=name)}{notes}</div>'

    def to_csv(self) -> str:
        """Return the frame as CSV at full precision, column names as they are.

        Returns
        -------
        str
            UTF-8 text, lines ended by a line feed. A text that a spreadsheet would run as a
            formula (it starts with ``=``, ``+``, ``-`` or ``@``) gets an apostrophe in front.
        """
        safe = self.frame.copy()
        for j in range(safe.shape[1]):
            column = safe.iloc[:, j]
            if not pd.api.types.is_numeric_dtype(column.dtype):
                safe.isetitem(j, [_no_formula(value) for value in column.tolist()])
        safe.columns = pd.Index([_no_formula(str(name)) for name in safe.columns])
        return str(safe.to_csv(index=False, lineterminator="\n"))

    def _columns(self) -> list[_Shown]:
        return [
            _shown(
                str(name),
                self.frame.iloc[:, j].tolist(),
                label=self.labels.get(str(name)),
                spec=self.formats.get(str(name)),
            )
            for j, name in enumerate(self.frame.columns)
        ]


@dataclass(frozen=True)
class _Shown:
    """One column ready to show: heading, cell texts, and whether it holds numbers."""

    heading: str
    cells: tuple[str, ...]
    number: bool


def _shown(name: str, values: Sequence[object], *, label: str | None, spec: str | None) -> _Shown:
    present = [value for value in values if not _is_missing(value)]
    number = bool(present) and all(_is_number(value) for value in present)
    show = _number_rule(name, present) if spec is None else _by_spec(spec)
    cells = [_cell_text(value, show) for value in values]
    heading = _printable(name.replace("_", " ") if label is None else label)
    return _Shown(heading, tuple(_aligned(cells) if number else cells), number)


def _number_rule(name: str, present: Sequence[object]) -> Callable[[float], str]:
    """Choose how the numbers of a column are shown, by the column's name."""
    if name.startswith("p_"):
        return _p_text
    if name == "df" or name.endswith("_df"):
        return _df_text
    if name == "days" or name.endswith("_days"):
        return _by_spec(".0f")
    if name in _RESULT or name.startswith(_RESULT_STARTS):
        return lambda value: significant(value, digits=3)
    if all(isinstance(value, Real) and float(value).is_integer() for value in present):
        return _by_spec(".0f")
    return lambda value: significant(value, digits=4)


def _cell_text(value: object, show: Callable[[float], str]) -> str:
    if _is_missing(value):
        return MISSING
    if _is_truth(value):
        return "yes" if value else "no"
    if isinstance(value, Real):
        number = float(value)
        return show(number) if math.isfinite(number) else ("∞" if number > 0 else "-∞")
    if isinstance(value, datetime):
        midnight = (value.hour, value.minute, value.second) == (0, 0, 0)
        return value.strftime("%Y-%m-%d") if midnight else value.strftime("%Y-%m-%d %H:%M")
    if isinstance(value, tuple | list):
        return ", ".join(_cell_text(item, show) for item in value)
    return _printable(str(value))


def significant(value: float, *, digits: int) -> str:
    """Return a number with the stated significant digits, never in thousands rounded away.

    Below 0.0001 in size the text is scientific; the digits before the decimal point are always
    all shown.
    """
    if value == 0:
        return "0"
    exponent = int(f"{value:.{digits - 1}e}".split("e")[1])
    if exponent < -4:
        return f"{value:.{digits - 1}e}"
    return f"{value:.{max(digits - 1 - exponent, 0)}f}"


def _p_text(value: float) -> str:
    if value > 0.9995:
        return "> 0.999"
    return "< 0.001" if value < 0.001 else f"{value:.3f}"


def _df_text(value: float) -> str:
    # A computed df carries rounding error in its last bits; 11.0000000002 is 11.
    return f"{value:.0f}" if abs(value - round(value)) < 1e-6 else f"{value:.1f}"


def _by_spec(spec: str) -> Callable[[float], str]:
    return lambda value: format(value, spec)


def _is_missing(value: object) -> bool:
    return value is None or value is pd.NA or value is pd.NaT or value != value


def _is_truth(value: object) -> bool:
    return isinstance(value, bool | np.bool_)


def _is_number(value: object) -> bool:
    return isinstance(value, Real) and not _is_truth(value)


def _aligned(cells: Sequence[str]) -> list[str]:
    """Pad on the right so that decimal points stand below each other."""
    tails = [len(cell) - cell.index(".") if "." in cell else 0 for cell in cells]
    longest = max(tails, default=0)
    return [cell + " " * (longest - tail) for cell, tail in zip(cells, tails, strict=True)]


def _printable(text: str) -> str:
    """Replace control characters, which could move a terminal's cursor or hide text."""
    return "".join(
        char if char.isprintable() or char == "\n" else "\N{REPLACEMENT CHARACTER}" for char in text
    )


def _wrapped(text: str, *, wrap: bool) -> list[str]:
    if not wrap:
        return [text]
    lines = [part for line in text.split("\n") for part in textwrap.wrap(line, WRAP) or [""]]
    return lines or [""]


def _text_line(texts: Sequence[str], *, widths: Sequence[int], right: Sequence[bool]) -> str:
    padded = [
        text.rjust(width) if is_right else text.ljust(width)
        for text, width, is_right in zip(texts, widths, right, strict=True)
    ]
    return "  ".join(padded).rstrip()


def _html_heading(column: _Shown) -> str:
    """A heading; where there is nothing to say, a plain cell: no heading may be empty."""
    if not column.heading.strip():
        return "<td></td>"
    number = ' class="num"' if column.number else _LEFT
    heading = escape(column.heading).replace(" %", "\N{NO-BREAK SPACE}%")
    return f'<th scope="col"{number}>{heading}</th>'


def _html_cell(column: _Shown, row: int) -> str:
    text = column.cells[row]
    if column.number:
        # A figure space is as wide as a digit, a punctuation space as a point: they keep the
        # decimal points in line; the minus sign is as wide as a digit too.
        body = text.rstrip(" ")
        padding = len(text) - len(body)
        lead = "\u2008" if padding and "." not in body else ""
        body = body.replace("-", "\u2212")
        text = body + lead + "\u2007" * (padding - len(lead))
        return f'<td class="num">{escape(text)}</td>'
    short = ' class="short"' if len(text) <= SHORT else ""
    return f"<td{short}{_LEFT}>{escape(text)}</td>"


def _no_formula(value: object) -> object:
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return "'" + value
    return value
