"""From a workbook to the tables of a trial: the sheets that carry the names of tables.

The cells become text, which goes the way of every other table. A cell with an error or with a
formula that was never calculated is a problem: read as blank it would pass for something not done
yet.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, TypeAlias

from silagetrial.data.columns import has_comma, has_point
from silagetrial.data.files import RawTable, as_table
from silagetrial.data.open_workbook import (
    DAMAGED,
    WORKBOOKS,
    CellValue,
    beside_the_cells,
    broken_cell,
    cell_text,
    cells_of,
    not_readable,
    sheet_names,
)
from silagetrial.data.schema import SHEET, TABLES
from silagetrial.data.settings import Decimal
from silagetrial.data.sheet_marks import Beside, hidden_and_coloured, merged_cells
from silagetrial.errors import Problem

__all__ = ["Workbook", "find_workbook", "read_sheets"]

Found: TypeAlias = "tuple[Problem, ...]"

_NUMERIC: Final = ("number", "count", "measured")


@dataclass(frozen=True)
class Workbook:
    """The tables of one workbook.

    Parameters
    ----------
    name : str
        Name of the file.
    tables : mapping of str to RawTable
        Table name to its cells; other sheets are not in it, and a sheet without a heading is not.
    sheets : frozenset of str
        Names of all sheets that carry the name of a table.
    """

    name: str
    tables: Mapping[str, RawTable]
    sheets: frozenset[str]


def find_workbook(
    folder: Path, *, besides: str = "", decimal: Decimal | None = None
) -> tuple[Workbook | None, Found]:
    """Read the workbook of a trial's folder.

    Parameters
    ----------
    folder : pathlib.Path
        The trial's folder.
    besides : str
        Name of a workbook that is read otherwise.
    decimal : {".", ","} or None
        The decimal mark that trial.toml declares for cells that hold text.

    Returns
    -------
    Workbook or None, tuple of Problem
        The one workbook with a sheet that carries the name of a table; None where there is
        none. Of several the first by name is read, and the others are problems.
    """
    problems: list[Problem] = []
    named: dict[str, list[str]] = {}
    for path in sorted(folder.iterdir()):
        # Spreadsheets leave a file ~$name beside a workbook that is open.
        if (
            path.suffix.lower() not in WORKBOOKS
            or path.name == besides
            or path.name.startswith(("~$", "."))
        ):
            continue
        sheets = sheet_names(path)
        if isinstance(sheets, Problem):
            problems.append(sheets)
        elif set(sheets) & set(TABLES):
            named[path.name] = sheets
        else:
            problems.append(_no_table(path.name, sheets))
    if not named:
        return None, tuple(problems)
    first, *others = named
    problems += [_second(first, other) for other in others]
    tables = [name for name in named[first] if name in TABLES]
    try:
        workbook, met = read_sheets(folder / first, tables, decimal=decimal)
    except DAMAGED as error:
        return None, (*problems, not_readable(first, error))
    return workbook, (*problems, *met)


def _no_table(file: str, sheets: Sequence[str]) -> Problem:
    return Problem(
        "warning",
        file,
        None,
        None,
        f"a workbook without a sheet that is known: {', '.join(sheets)}",
        f"sheets named {', '.join(TABLES)}",
        "rename the sheets; or, for one table with headings of your own, name it under [flat] in "
        "trial.toml; or leave it: the workbook is not read",
    )


def _second(first: str, other: str) -> Problem:
    return Problem(
        "error",
        other,
        None,
        None,
        f"a second workbook with tables of the trial, beside {first}",
        "one workbook",
        f"put its rows into {first}, or move the one that is out of date out of the folder",
    )


def read_sheets(
    path: Path, names: Sequence[str], *, decimal: Decimal | None = None
) -> tuple[Workbook, Found]:
    """Read the sheets of these names.

    A cell that holds a number has no decimal mark: as text it gets that of its column.

    Raises
    ------
    Exception
        Any of `DAMAGED`, for a file that is.
    """
    problems: list[Problem] = []
    tables = {}
    besides = beside_the_cells(path, names)
    for name, (cells, merged) in cells_of(path, names).items():
        file = f"{path.name}{SHEET}{name}"
        beside = besides.get(name, Beside())
        lines, rows = _numbered(cells, _marks(cells, name, decimal))
        if rows:
            tables[name] = as_table(file, lines, rows)
            heading = rows[0]
            problems += [
                broken_cell(file, line, heading[column] if column < len(heading) else None, what)
                for line, column, what in beside.broken
            ]
            problems += merged_cells(file, beside.merged or merged, heading)
        else:
            problems.append(_empty(file))
        below = tuple((line, column) for line, column in beside.coloured if line > 1)
        problems += hidden_and_coloured(file, replace(beside, coloured=below))
    return Workbook(path.name, tables, frozenset(names)), tuple(problems)


def _marks(
    cells: Sequence[Sequence[CellValue]], table: str, decimal: Decimal | None
) -> tuple[Decimal, ...]:
    """Return the decimal mark that numbers get in each column: that of the texts beside them.

    Names are not numbers, even where a spreadsheet holds ``1.5`` as one.
    """
    named = {column.name for column in TABLES.get(table, ()) if column.kind not in _NUMERIC}
    marks: list[Decimal] = []
    for column in zip(*cells, strict=True):
        texts = {cell.strip() for cell in column if isinstance(cell, str)}
        mark: Decimal = "."
        if not texts & named:
            told = any(map(has_comma, texts)) and not any(map(has_point, texts))
            mark = "," if decimal == "," or (decimal is None and told) else "."
        marks.append(mark)
    return tuple(marks)


def _numbered(
    cells: Sequence[Sequence[CellValue]], marks: Sequence[Decimal]
) -> tuple[list[int], list[tuple[str, ...]]]:
    """Return the rows that hold anything, as wide as what they hold, and their numbers."""
    rows = [
        tuple(
            cell_text(cell).replace(".", mark) if isinstance(cell, float) else cell_text(cell)
            for cell, mark in zip(row, marks, strict=True)
        )
        for row in cells
    ]
    width = max((k + 1 for row in rows for k, cell in enumerate(row) if cell), default=0)
    filled = [k for k, row in enumerate(rows) if any(row)]
    return [k + 1 for k in filled], [rows[k][:width] for k in filled]


def _empty(file: str) -> Problem:
    return Problem(
        "error",
        file,
        None,
        None,
        "a sheet without a heading",
        "a heading with the column names in the first row",
        "write the heading, or remove the sheet",
    )
