"""What a sheet says by other means than its cells: merged cells, hidden rows, colour.

None of it is read. Merged cells are errors in a table of the trial, since all but the first of them
are blank; hidden rows are read like all others, and colour is not, so both are told.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Final, TypeAlias

from silagetrial.errors import Problem, Severity

__all__ = [
    "OWN_FILLS",
    "Beside",
    "Broken",
    "Range",
    "hidden_and_coloured",
    "merged_cells",
    "merged_in_report",
]

OWN_FILLS: Final = frozenset({"FFF2CC", "D9D9D9", "333333", "FFFFFF"})
"""Colours of the workbooks written by this package: they say who fills a cell, and no more."""

_SHOWN: Final = 5

Range: TypeAlias = "tuple[tuple[int, int], tuple[int, int]]"
"""First and last cell of merged ones, row and column from 0."""

Broken: TypeAlias = "tuple[int, int, str]"
"""Line from 1, column from 0, and what a cell holds that looks blank and is not."""


@dataclass(frozen=True)
class Beside:
    """What a sheet holds beside the values of its cells.

    Parameters
    ----------
    merged : tuple of Range
    broken : tuple of Broken
        Cells with an error, or with a formula that was never calculated.
    hidden : tuple of int
        Lines of hidden rows, from 1.
    coloured : tuple of (int, int)
        Line from 1 and column from 0 of filled cells that hold something.
    """

    merged: tuple[Range, ...] = ()
    broken: tuple[Broken, ...] = ()
    hidden: tuple[int, ...] = ()
    coloured: tuple[tuple[int, int], ...] = ()


def merged_cells(file: str, ranges: Sequence[Range], heading: Sequence[str]) -> Iterator[Problem]:
    """Yield each range of merged cells within the columns of a table.

    Parameters
    ----------
    file : str
        Workbook and sheet.
    ranges : sequence of Range
    heading : sequence of str
    """
    for (top, left), (bottom, right) in sorted(ranges):
        if left < len(heading):
            lines = f"{top + 1} to {bottom + 1}" if bottom > top else f"{top + 1}"
            yield _problem(
                file,
                top + 1,
                heading[left] or None,
                f"merged cells, line {lines}, {right - left + 1} columns wide: only the first of "
                "them holds what is written",
                "a cell for each line and column",
                "undo the merging and write the value into each line it is meant for",
                "error",
            )


def merged_in_report(file: str, ranges: Sequence[Range]) -> Iterator[Problem]:
    """Yield one problem with all merged cells of a laboratory's report.

    They are no error: a report is not written for this package, and what is merged may be its
    letterhead.

    Parameters
    ----------
    file : str
        The report.
    ranges : sequence of Range
    """
    if ranges:
        lines = sorted({top + 1 for (top, _), _ in ranges})
        yield _problem(
            file,
            lines[0],
            None,
            f"{_counted(len(ranges), 'range')} of merged cells (line {_listed(lines)}): only the "
            "first cell of each holds what is written",
            "a cell for each line and column",
            "see whether results of the other lines, or columns, are missed; if so, undo the "
            "merging in a copy of the report and write the value into each of them",
            "warning",
        )


def hidden_and_coloured(file: str, beside: Beside) -> Iterator[Problem]:
    """Yield the hidden rows of a sheet, and its colours, one problem each.

    Parameters
    ----------
    file : str
        Workbook and sheet.
    beside : Beside
    """
    if beside.hidden:
        yield _problem(
            file,
            beside.hidden[0],
            None,
            f"{_counted(len(beside.hidden), 'hidden row')} (line {_listed(beside.hidden)})",
            "rows in sight",
            "they are read as all others are; show them, and delete those that are not meant",
            "warning",
        )
    if beside.coloured:
        lines = sorted({line for line, _ in beside.coloured})
        yield _problem(
            file,
            lines[0],
            None,
            f"{_counted(len(beside.coloured), 'coloured cell')} (line {_listed(lines)})",
            "what a colour means, in a column",
            "colour is not read: if it says anything, such as a doubtful value, write it under "
            "note or as an event",
            "warning",
        )


def _counted(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def _listed(lines: Sequence[int]) -> str:
    more = f" and {len(lines) - _SHOWN} more" if len(lines) > _SHOWN else ""
    return ", ".join(map(str, lines[:_SHOWN])) + more


def _problem(
    file: str,
    line: int,
    column: str | None,
    found: str,
    expected: str,
    remedy: str,
    severity: Severity,
) -> Problem:
    return Problem(severity, file, line, column, found, expected, remedy)
