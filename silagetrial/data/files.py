"""From the bytes of a CSV file to cells of text with the line each row begins on.

One dialect is read: UTF-8, commas, double quotes. Another encoding or separator is named, with its
remedy, never guessed: a guess that is wrong changes numbers without a word.
"""

from __future__ import annotations

import codecs
import csv
import io
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Final

from silagetrial.errors import Problem

__all__ = ["RawTable", "decode", "read_csv"]

_SAVE_TABLE: Final = (
    "save the table again from the spreadsheet with Save as or Export: file type CSV, "
    "character set UTF-8, comma as the separator"
)
_SAVE_TEXT: Final = "save the file again from a text editor with the encoding UTF-8"


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
    left_out : mapping of int to tuple of str
        Line to cells of each row that has too few or too many of them.
    """

    heading: tuple[str, ...]
    lines: tuple[int, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: Mapping[int, tuple[str, ...]] = field(default_factory=dict)


def decode(content: bytes, *, file: str) -> str | Problem:
    """Return the text of a file, or the problem with its encoding.

    Parameters
    ----------
    content : bytes
        The whole file; a byte order mark of UTF-8 is tolerated.
    file : str
        Name of the file.
    """
    is_table = file.endswith(".csv")
    content = content.removeprefix(codecs.BOM_UTF8)
    try:
        text = content.decode("utf-8")
    except UnicodeDecodeError as error:
        return _no_utf8(content, error.start, file=file, is_table=is_table)
    if "\0" in text:
        return _unreadable(
            file,
            text.count("\n", 0, text.index("\0")) + 1,
            "a NUL character, as in a workbook or UTF-16 text",
            "text encoded as UTF-8",
            _SAVE_TABLE if is_table else _SAVE_TEXT,
        )
    return text


def _no_utf8(content: bytes, start: int, *, file: str, is_table: bool) -> Problem:
    """Return the problem with the first byte that is no UTF-8."""
    byte = content[start]
    letter = bytes([byte]).decode("cp1252", errors="replace")
    as_letter = "no character of Windows-1252 either"
    if letter != "\N{REPLACEMENT CHARACTER}":
        as_letter = f"in Windows-1252 it is {letter!r}"
    return Problem(
        "error",
        file,
        content.count(b"\n", 0, start) + 1,
        _column_at(content, start) if is_table else None,
        f"a byte ({byte:#04x}) that is no UTF-8; {as_letter}",
        "text encoded as UTF-8",
        _SAVE_TABLE if is_table else _SAVE_TEXT,
    )


def _column_at(content: bytes, start: int) -> str | None:
    """Return the heading of the column in which a byte stands; None within the heading itself."""
    rows = _rows_so_far(content[:start] + b"x")
    if len(rows) < 2 or len(rows[-1]) > len(rows[0]) or len(rows[0]) == 1:
        return None
    return rows[0][len(rows[-1]) - 1].strip() or None


def _rows_so_far(content: bytes) -> list[list[str]]:
    """Return the rows of a file in an unknown encoding; its commas, quotes and line ends count."""
    # Latin-1 has a character for each byte and shares these marks with the encodings of Windows.
    text = content.decode("latin-1")
    try:
        return [row for row in csv.reader(io.StringIO(text, newline="")) if row]
    except csv.Error:
        return []


def read_csv(path: Path) -> tuple[RawTable | None, tuple[Problem, ...]]:
    """Read the cells of a CSV file.

    Parameters
    ----------
    path : pathlib.Path
        The file; it must exist.

    Returns
    -------
    RawTable or None, tuple of Problem
        None where nothing can be read. A row with too few or too many cells is a problem and
        stands apart.
    """
    content = path.read_bytes()
    text = decode(content, file=path.name)
    if isinstance(text, Problem):
        first = _rows_so_far(content.removeprefix(codecs.BOM_UTF8).splitlines()[0])
        other = _other_separator(path.name, 1, tuple(first[0])) if first else None
        return None, (text,) if other is None else (text, other)
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
    left_out = {line: cells for line, cells in numbered[1:] if len(cells) != len(heading)}
    problems = tuple(_ragged(path.name, line, cells, heading) for line, cells in left_out.items())
    lines, rows = tuple(line for line, _ in good), tuple(cells for _, cells in good)
    return RawTable(heading, lines, rows, left_out), problems


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
                f"{_SAVE_TABLE}; where no separator can be chosen, set the region of the "
                "spreadsheet to one that writes 3.5 with a point, such as English, and save again",
            )
    return None


def _ragged(file: str, line: int, cells: tuple[str, ...], heading: tuple[str, ...]) -> Problem:
    remedy = "put the missing commas in"
    if len(cells) > len(heading):
        remedy = (
            "write numbers with a decimal point, 1.15 and not 1,15; put a text with a comma "
            "between double quotes"
        )
    return _unreadable(
        file, line, f"{len(cells)} cells", f"{len(heading)} cells, one for each heading", remedy
    )
