"""From the bytes of a CSV file to cells of text with the line each row begins on.

UTF-8 and double quotes; cells between commas, semicolons or tabs, as trial.toml declares or as the
headings show, which are many and hold none of these marks. Another encoding is named, with its
remedy, never guessed: a guess that is wrong changes names without a word.
"""

from __future__ import annotations

import codecs
import csv
import io
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Final

from silagetrial.data.settings import Separator
from silagetrial.errors import Problem

__all__ = ["MARKS", "RawTable", "as_table", "decode", "ragged_rows", "read_csv"]

_SAVE_TABLE: Final = (
    "save the table again from the spreadsheet with Save as or Export: file type CSV, "
    "character set UTF-8"
)
MARKS: Final[Mapping[Separator, str]] = {"comma": ",", "semicolon": ";", "tab": "\t"}
"""What may stand between cells."""

_SPACES: Final = "".join(
    letter for letter in map(chr, range(0x3001)) if letter.isspace() and letter not in "\r\n"
)
"""What may stand at either end of a cell and is taken off."""

_SAVE_TEXT: Final = "save the file again from a text editor with the encoding UTF-8"


@dataclass(frozen=True)
class RawTable:
    """A table as text.

    Parameters
    ----------
    file : str
        File, or workbook and sheet, in which it stands.
    heading : tuple of str
        Column names, spaces around them removed.
    lines : tuple of int
        Line of the file on which each row begins, counted from 1.
    rows : tuple of tuple of str
        Cells, spaces around them removed; every row as long as the heading.
    left_out : mapping of int to tuple of str
        Line to cells of each row that has too few or too many of them.
    separator : {"comma", "semicolon", "tab"}
        What stood between the cells.
    """

    file: str
    heading: tuple[str, ...]
    lines: tuple[int, ...]
    rows: tuple[tuple[str, ...], ...]
    left_out: Mapping[int, tuple[str, ...]] = field(default_factory=dict)
    separator: Separator = "comma"

    @cached_property
    def columns(self) -> tuple[tuple[str, ...], ...]:
        """Cells of each column, in the order of rows."""
        return tuple(zip(*self.rows, strict=True)) or ((),) * len(self.heading)

    @cached_property
    def texts(self) -> tuple[Mapping[str, None], ...]:
        """Different texts of each column, in the order of rows: far fewer than cells in most."""
        return tuple(dict.fromkeys(cells) for cells in self.columns)


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
    mark = MARKS[_separator_of(content.decode("latin-1"))]
    rows = _rows_so_far(content[:start] + b"x", mark)
    if len(rows) < 2 or len(rows[-1]) > len(rows[0]) or len(rows[0]) == 1:
        return None
    return rows[0][len(rows[-1]) - 1].strip() or None


def _rows_so_far(content: bytes, mark: str) -> list[list[str]]:
    """Return the rows of a file in an unknown encoding; its marks, quotes and line ends count."""
    # Latin-1 has a character for each byte and shares these marks with the encodings of Windows.
    text = content.decode("latin-1")
    try:
        return [row for row in csv.reader(io.StringIO(text, newline=""), delimiter=mark) if row]
    except csv.Error:
        return []


def _separator_of(text: str) -> Separator:
    """Return what stands between the headings: the mark that parts them into most."""
    first = next((line for line in text.splitlines() if line.strip()), "")
    unquoted = re.sub(r'"[^"]*"', "", first)
    return max(MARKS, key=lambda name: unquoted.count(MARKS[name]))


def read_csv(
    path: Path, *, separator: Separator | None = None
) -> tuple[RawTable | None, tuple[Problem, ...]]:
    """Read the cells of a CSV file.

    Parameters
    ----------
    path : pathlib.Path
        The file; it must exist.
    separator : {"comma", "semicolon", "tab"} or None
        What trial.toml says stands between cells; None: what the headings show.

    Returns
    -------
    RawTable or None, tuple of Problem
        None where nothing can be read. A row with too few or too many cells stands apart
        (`ragged_rows`).
    """
    text = decode(path.read_bytes(), file=path.name)
    if isinstance(text, Problem):
        return None, (text,)
    shown = _separator_of(text)
    if separator is not None and MARKS[shown] in text and shown != separator:
        return None, (_other_separator(path.name, shown, separator),)
    try:
        lines, rows = _numbered_rows(text, MARKS[separator or shown])
    except csv.Error as error:
        return None, (_no_csv(path.name, text.count("\n") + 1, error),)
    if not rows:
        return None, (_empty(path.name),)
    return as_table(path.name, lines, rows, separator=separator or shown), ()


def _no_csv(file: str, line: int, error: csv.Error) -> Problem:
    return _unreadable(
        file,
        line,
        f"text that is no CSV: {error}",
        "cells between commas, a cell with a comma between double quotes",
        "look for a double quote that is not closed",
    )


def as_table(
    file: str,
    lines: Sequence[int],
    rows: Sequence[tuple[str, ...]],
    *,
    separator: Separator = "comma",
) -> RawTable:
    """Return the table of rows and their lines, the heading first; rows that do not fit it apart.

    Parameters
    ----------
    file : str
        File, or workbook and sheet.
    lines : sequence of int
        Line of each row.
    rows : sequence of tuple of str
        At least one.
    separator : {"comma", "semicolon", "tab"}
        What stood between the cells.
    """
    heading, width = rows[0], len(rows[0])
    left_out = {
        line: cells for line, cells in zip(lines[1:], rows[1:], strict=True) if len(cells) != width
    }
    good = [k for k in range(1, len(rows)) if lines[k] not in left_out]
    return RawTable(
        file,
        heading,
        tuple(lines[k] for k in good),
        tuple(rows[k] for k in good),
        left_out,
        separator,
    )


def ragged_rows(raw: RawTable) -> tuple[Problem, ...]:
    """Return the problems with rows that have too few or too many cells."""
    return tuple(_ragged(raw, line, cells) for line, cells in raw.left_out.items())


def _numbered_rows(text: str, mark: str) -> tuple[list[int], list[tuple[str, ...]]]:
    """Return the rows that hold anything, and the line each begins on."""
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=mark, strict=True)
    if '"' not in text and not _space_at_edge(text, mark):
        # Nothing to take off any cell, and no cell with a line end in it: each line is a row.
        every = [*map(tuple, reader)]
        filled = [k for k, cells in enumerate(every) if any(cells)]
        return [k + 1 for k in filled], [every[k] for k in filled]
    lines, rows = [], []
    begins = 1
    for cells in reader:
        stripped = tuple(map(str.strip, cells))
        if any(stripped):
            lines.append(begins)
            rows.append(stripped)
        begins = reader.line_num + 1
    return lines, rows


def _space_at_edge(text: str, mark: str) -> bool:
    """Tell whether any cell begins or ends with a space."""
    edges = (mark, "\n", "\r")
    return any(
        text[:1] == space
        or text[-1:] == space
        or any(edge + space in text or space + edge in text for edge in edges)
        for space in _SPACES
        if space in text and space != mark
    )


def _unreadable(file: str, line: int | None, found: str, expected: str, remedy: str) -> Problem:
    return Problem("error", file, line, None, found, expected, remedy)


def _empty(file: str) -> Problem:
    return _unreadable(
        file, None, "an empty file", "a heading with the column names", "write the heading"
    )


def _other_separator(file: str, shown: Separator, declared: Separator) -> Problem:
    return _unreadable(
        file,
        1,
        f"headings separated by {shown}s, separator = {declared!r} in trial.toml",
        f"headings separated by {declared}s",
        "correct separator under [files] of trial.toml, or leave the line out: the headings show "
        "it; or save the table again",
    )


def _ragged(raw: RawTable, line: int, cells: tuple[str, ...]) -> Problem:
    remedy = f"put the missing {raw.separator}s in"
    if len(cells) > len(raw.heading):
        remedy = f"put a text with a {raw.separator} between double quotes"
        if raw.separator == "comma":
            remedy = f"write numbers with a decimal point, 1.15 and not 1,15; {remedy}"
    wanted = f"{len(raw.heading)} cells, one for each heading"
    return _unreadable(raw.file, line, f"{len(cells)} cells", wanted, remedy)
