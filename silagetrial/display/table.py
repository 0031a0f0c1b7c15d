"""A data frame that knows how it is shown.

Numbers in the frame are never rounded; only their display follows a rule, found by the column's
name, so that the same quantity looks the same in every table.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from html import escape
from typing import Final

import pandas as pd

from silagetrial.display.cells import (
    RESULT_STARTS,
    cell_text,
    is_missing,
    is_number,
    printable,
    rule_by_error,
    rule_by_name,
    rule_by_spec,
)
from silagetrial.display.language import heading, say
from silagetrial.display.page import scrolling

__all__ = ["Table"]

WRAP: Final = 46
"""Width at which a text cell is broken in plain text."""

SHORT: Final = 14
"""Texts up to this length stand on one line in HTML, however narrow the page."""

# Notebook programs move every cell to the right, and captions to the middle.
_LEFT: Final = ' style="text-align:left"'

_ERROR: Final = "std_error"


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
        Column name to the heading shown; by default that of the language, or the name with
        ``_`` as a space.
    shown : tuple of str
        The columns shown, in this order; empty: all. The others stay in the frame and the CSV.
    errors : mapping of str to str
        Column name to the column of its standard error, by which it is rounded; beside
        ``estimate``, ``std_error``, ``conf_*`` and ``sim_*``, whose own is ``std_error``.
    name : str
        Name of its file, without an ending; empty where it is not written to one.

    Notes
    -----
    Rules by name: ``p_*`` three decimals, ``< 0.001`` or ``> 0.999``; ``df``, ``*_df`` one decimal,
    none when whole; ``days``, ``*_days`` whole. What has a standard error is rounded by it, row by
    row: the standard error to two significant digits, estimate and limits to the same decimals.
    Without one, ``estimate``, ``statistic``, ``conf_*``, ``sim_*`` have three significant digits;
    other numbers four. Decimal points are aligned. Truth values are yes or no; what is missing is a
    dash.
    """

    frame: pd.DataFrame
    title: str = ""
    notes: tuple[str, ...] = ()
    formats: Mapping[str, str] = field(default_factory=dict)
    labels: Mapping[str, str] = field(default_factory=dict)
    shown: tuple[str, ...] = ()
    errors: Mapping[str, str] = field(default_factory=dict)
    name: str = ""

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
        above = [printable(self.title)] if self.title else []
        return "\n".join([*above, *lines, *(printable(note) for note in self.notes)])

    def _repr_html_(self) -> str:
        return self.to_html()

    def to_html(self) -> str:
        """Return a semantic HTML table; every text from the data is escaped.

        Returns
        -------
        str
            A ``div`` of class ``st-block`` with the table (class ``st-table``) and its notes; the
            cells of a first column of texts are the headings of their rows.
        """
        columns = self._columns()
        caption = (
            f"<caption{_LEFT}>{escape(printable(self.title))}</caption>\n" if self.title else ""
        )
        heading = "".join(_html_heading(column) for column in columns)
        rows = "".join(
            "<tr>"
            + "".join(_html_cell(column, row, first=k == 0) for k, column in enumerate(columns))
            + "</tr>\n"
            for row in range(len(self))
        )
        notes = "".join(f'<p class="st-note">{escape(printable(n))}</p>\n' for n in self.notes)
        table = (
            f'<table class="st-table">\n{caption}<thead><tr>{heading}</tr></thead>\n'
            f"<tbody>\n{rows}</tbody>\n</table>"
        )
        name = printable(self.title) or say("page.table")
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
        names = [str(name) for name in self.frame.columns]
        places = [names.index(name) for name in self.shown] or range(len(names))
        return [
            _shown(
                names[j],
                self.frame.iloc[:, j].tolist(),
                label=self.labels.get(names[j]),
                spec=self.formats.get(names[j]),
                errors=self._errors_of(names[j]),
            )
            for j in places
        ]

    def _errors_of(self, name: str) -> list[object]:
        """Standard errors of a column's numbers, row by row; empty where they have none."""
        by_name = name in ("estimate", _ERROR) or name.startswith(RESULT_STARTS)
        error = self.errors.get(name, _ERROR if by_name else "")
        return self.frame[error].tolist() if error in self.frame else []


@dataclass(frozen=True)
class _Shown:
    """One column ready to show: heading, cell texts, and whether it holds numbers."""

    heading: str
    cells: tuple[str, ...]
    number: bool


def _shown(
    name: str,
    values: Sequence[object],
    *,
    label: str | None,
    spec: str | None,
    errors: Sequence[object],
) -> _Shown:
    present = [value for value in values if not is_missing(value)]
    number = bool(present) and all(is_number(value) for value in present)
    show = rule_by_name(name, present) if spec is None else rule_by_spec(spec)
    rules = [show] * len(values)
    if spec is None and errors:
        rules = [rule_by_error(error, otherwise=show) for error in errors]
    cells = [cell_text(value, rule) for value, rule in zip(values, rules, strict=True)]
    said = printable(heading(name) if label is None else label)
    return _Shown(said, tuple(_aligned(cells) if number else cells), number)


def _aligned(cells: Sequence[str]) -> list[str]:
    """Pad on the right so that decimal points stand below each other."""
    tails = [len(cell) - cell.index(".") if "." in cell else 0 for cell in cells]
    longest = max(tails, default=0)
    return [cell + " " * (longest - tail) for cell, tail in zip(cells, tails, strict=True)]


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


def _html_cell(column: _Shown, row: int, *, first: bool) -> str:
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
    if first and text.strip():
        return f'<th scope="row"{short}{_LEFT}>{escape(text)}</th>'
    return f"<td{short}{_LEFT}>{escape(text)}</td>"


def _no_formula(value: object) -> object:
    if isinstance(value, str) and value.startswith(("=", "+", "-", "@", "\t", "\r")):
        return "'" + value
    return value
