"""From the file of a report to rows of text cells with their line numbers."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final

from silagetrial.data.files import decode
from silagetrial.data.laboratory.keys import REPORTS_FOLDER
from silagetrial.data.laboratory.mapping import Laboratory
from silagetrial.data.nearest import did_you_mean
from silagetrial.data.open_workbook import (
    DAMAGED,
    WORKBOOKS,
    beside_the_cells,
    broken_cell,
    cell_text,
    cells_of,
    not_readable,
    sheet_names,
)
from silagetrial.data.sheet_marks import (
    Beside,
    Range,
    hidden_and_coloured,
    merged_in_report,
)
from silagetrial.errors import Problem

__all__ = ["Grid", "hash_of", "path_of", "read_grid"]

LARGEST_FILE: Final = 50_000_000
"""Bytes; a report of 20,000 lines is a few million."""


@dataclass(frozen=True)
class Grid:
    """The rows of a report that hold anything.

    Parameters
    ----------
    file : str
        Path of the file inside the trial's folder.
    rows : tuple of (int, tuple of str)
        Line, counted from 1, and cells, spaces around them removed.
    problems : tuple of Problem
        What a workbook says by other means than its cells.
    """

    file: str
    rows: tuple[tuple[int, tuple[str, ...]], ...]
    problems: tuple[Problem, ...] = ()


def path_of(folder: Path, name: str) -> Path | Problem:
    """Return the path of a report, which has to be a plain file in the folder of reports."""
    inside = f"{REPORTS_FOLDER}/{name}"
    plain = Path(name).name == name and "\\" not in name and not name.startswith(".")
    path = folder / REPORTS_FOLDER / name
    if not plain or not path.resolve().is_relative_to(folder.resolve() / REPORTS_FOLDER):
        return _problem(
            inside,
            None,
            "a name that leads out of the folder",
            f"a file in {REPORTS_FOLDER}",
            f"copy the report into {REPORTS_FOLDER} and write its name alone",
        )
    if path.is_file():
        if path.stat().st_size <= LARGEST_FILE:
            return path
        return _problem(
            inside,
            None,
            f"a file of {path.stat().st_size / 1e6:.0f} MB",
            f"at most {LARGEST_FILE / 1e6:.0f} MB",
            "take pictures and other sheets out of it",
        )
    home = folder / REPORTS_FOLDER
    there = sorted(entry.name for entry in home.iterdir()) if home.is_dir() else []
    return _problem(
        inside,
        None,
        "no such file",
        f"the file {name} in {REPORTS_FOLDER}",
        did_you_mean(name, there, otherwise="copy the report there, or correct its name"),
    )


def hash_of(path: Path) -> str:
    """Return the SHA-256 of a file in hexadecimal."""
    return hashlib.sha256(path.read_bytes()).hexdigest()


def read_grid(path: Path, laboratory: Laboratory) -> Grid | Problem:
    """Read the cells of a report.

    Parameters
    ----------
    path : pathlib.Path
        A CSV file or a workbook.
    laboratory : Laboratory
        Its separator, encoding, sheet and decimal mark; a number of a workbook is written with
        that mark.
    """
    file = f"{REPORTS_FOLDER}/{path.name}"
    if path.suffix.lower() in WORKBOOKS:
        return _workbook(path, file, laboratory)
    text = _text(path.read_bytes(), file, laboratory.encoding)
    if isinstance(text, Problem):
        return text
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=laboratory.separator, strict=True)
    rows, begins = [], 1
    try:
        for cells in reader:
            rows.append((begins, tuple(cell.strip() for cell in cells)))
            begins = reader.line_num + 1
    except csv.Error as error:
        return _problem(
            file,
            begins,
            f"text that is no CSV: {error}",
            "cells between separators, a cell with a separator between double quotes",
            "look for a double quote that is not closed",
        )
    return Grid(file, tuple((line, cells) for line, cells in rows if any(cells)))


def _workbook(path: Path, file: str, laboratory: Laboratory) -> Grid | Problem:
    names = sheet_names(path)
    if isinstance(names, Problem):
        return replace(names, file=file)
    sheet = laboratory.sheet or names[0]
    if sheet not in names:
        return _problem(
            file,
            None,
            f"no sheet {sheet!r}",
            f"one of {', '.join(names)}",
            did_you_mean(sheet, names, otherwise="correct sheet = in laboratories.toml"),
        )
    try:
        beside = beside_the_cells(path, [sheet]).get(sheet, Beside())
        for line, _, what in beside.broken:
            return broken_cell(file, line, None, what)
        cells, merged = cells_of(path, [sheet])[sheet]
    except DAMAGED as error:
        return not_readable(file, error)
    mark = laboratory.decimal
    rows = [
        tuple(
            cell_text(cell).replace(".", mark) if isinstance(cell, float) else cell_text(cell)
            for cell in row
        )
        for row in cells
    ]
    filled = tuple((line, row) for line, row in enumerate(rows, start=1) if any(row))
    return Grid(file, filled, tuple(_marks(file, beside, beside.merged or merged, dict(filled))))


def _marks(
    file: str, beside: Beside, merged: Sequence[Range], rows: Mapping[int, tuple[str, ...]]
) -> Iterator[Problem]:
    """Yield merged cells, hidden rows and colours, as far as they may concern results."""

    def alone(cells: Range) -> bool:
        """Whether there is nothing else in the line: a title."""
        (top, _), (bottom, _) = cells
        return top == bottom and sum(map(bool, rows.get(top + 1, ()))) < 2

    yield from merged_in_report(file, [cells for cells in merged if not alone(cells)])
    # Laboratories colour their headings; a colour may say something of a cell with a number.
    numbers = tuple(
        (line, column)
        for line, column in beside.coloured
        if column < len(rows.get(line, ())) and any(map(str.isdigit, rows[line][column]))
    )
    yield from hidden_and_coloured(file, replace(beside, coloured=numbers))


def _text(content: bytes, file: str, encoding: str) -> str | Problem:
    if encoding == "utf-8":
        return decode(content, file=file)
    try:
        return content.decode("cp1252")
    except UnicodeDecodeError as error:
        return _problem(
            file,
            content.count(b"\n", 0, error.start) + 1,
            f"a byte ({content[error.start]:#04x}) that is no Windows-1252",
            "text in the encoding of the laboratory",
            "correct encoding = in laboratories.toml, or save the file again as UTF-8",
        )


def _problem(file: str, line: int | None, found: str, expected: str, remedy: str) -> Problem:
    return Problem("error", file, line, None, found, expected, remedy)
