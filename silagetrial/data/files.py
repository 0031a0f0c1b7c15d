"""From the bytes of a CSV file to cells of text with the line each row begins on.

One dialect is read: UTF-8, commas, double quotes. Another encoding or separator is named, with its
remedy, never guessed: a guess that is wrong changes numbers without a word.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from silagetrial.errors import Problem

__all__ = ["RawTable", "decode", "read_csv"]


@dataclass(frozen=True)
class RawTable:
    """A table as text.

    Parameters
    ----------
    heading : tuple of str
        Column names, spaces around them removed.
    lines : tuple of int
        Line of the file on which each row begins, counted from 1.
    rows : tuple of tuple of str
        Cells, spaces around them removed; every row as long as the heading.
    """

    heading: tuple[str, ...]
    lines: tuple[int, ...]
    rows: tuple[tuple[str, ...], ...]


def decode(content: bytes, *, file: str) -> str | Problem:
    """Return the text of a file, or the problem with its encoding.

    Parameters
    ----------
    content : bytes
        The whole file; a byte order mark of UTF-8 is tolerated.
    file : str
        Name of the file.
    """
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = content.count(b"\n", 0, error.start) + 1
        return _unreadable(
            file,
            line,
            f"a byte ({content[error.start]:#04x}) that is no UTF-8",
            "text encoded as UTF-8",
            'save the file again as "CSV UTF-8"',
        )
    if "\0" in text:
        return _unreadable(
            file,
            text.count("\n", 0, text.index("\0")) + 1,
            "a NUL character, as in a workbook or UTF-16 text",
            "text encoded as UTF-8",
            'save the table again as "CSV UTF-8"',
        )
    return text


def read_csv(path: Path) -> tuple[RawTable | None, tuple[Problem, ...]]:
    """Read the cells of a CSV file.

    Parameters
    ----------
    path : pathlib.Path
        The file; it must exist.

    Returns
    -------
    RawTable or None, tuple of Problem
        None where nothing can be read. A row with too few or too many cells is a problem and is
        left out.
    """
    text = decode(path.read_bytes(), file=path.name)
    if isinstance(text, Problem):
        return None, (text,)
    try:
        numbered = list(_numbered_rows(text))
    except csv.Error as error:
        line = text.count("\n") + 1
        problem = _unreadable(
            path.name,
            line,
            f"text that is no CSV: {error}",
            "cells between commas, a cell with a comma between double quotes",
            "look for a double quote that is not closed",
        )
        return None, (problem,)
    if not numbered:
        return None, (_empty(path.name),)
    heading = numbered[0][1]
    other = _other_separator(path.name, numbered[0][0], heading)
    if other is not None:
        return None, (other,)
    good = [(line, cells) for line, cells in numbered[1:] if len(cells) == len(heading)]
    problems = tuple(
        _ragged(path.name, line, cells, heading)
        for line, cells in numbered[1:]
        if len(cells) != len(heading)
    )
    lines, rows = tuple(line for line, _ in good), tuple(cells for _, cells in good)
    return RawTable(heading, lines, rows), problems


def _numbered_rows(text: str) -> Iterator[tuple[int, tuple[str, ...]]]:
    """Yield the rows that hold anything, with the line each begins on."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    begins = 1
    for cells in reader:
        stripped = tuple(cell.strip() for cell in cells)
        if any(stripped):
            yield begins, stripped
        begins = reader.line_num + 1


def _unreadable(file: str, line: int | None, found: str, expected: str, remedy: str) -> Problem:
    return Problem("error", file, line, None, found, expected, remedy)


def _empty(file: str) -> Problem:
    return _unreadable(
        file, None, "an empty file", "a heading with the column names", "write the heading"
    )


def _other_separator(file: str, line: int, heading: tuple[str, ...]) -> Problem | None:
    joined = ",".join(heading)
    for mark, name in ((";", "semicolons"), ("\t", "tabs")):
        if mark in joined and joined.count(mark) >= joined.count(","):
            return _unreadable(
                file,
                line,
                f"columns separated by {name}",
                "columns separated by commas, numbers with a decimal point",
                "save the table again with commas between the columns and points in the numbers",
            )
    return None


def _ragged(file: str, line: int, cells: tuple[str, ...], heading: tuple[str, ...]) -> Problem:
    remedy = "put the missing commas in"
    if len(cells) > len(heading):
        remedy = "write numbers with a decimal point; put a text with a comma between double quotes"
    return _unreadable(
        file, line, f"{len(cells)} cells", f"{len(heading)} cells, one for each heading", remedy
    )
