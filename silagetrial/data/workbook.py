"""From a workbook to cells of text: the sheets that carry the names of tables.

What a cell holds becomes the text that a CSV file would hold: whole numbers without a point, other
numbers as short as they can be, dates as 2026-05-31, yes and no. The text then goes the way of
every other table. A cell with an error or with a formula that was never calculated is a problem:
read as blank it would pass for something not done yet.
"""

from __future__ import annotations

import datetime as dt
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Final, TypeAlias

from python_calamine import CalamineError, CalamineWorkbook

from silagetrial.data.broken_cells import broken_cells
from silagetrial.data.files import RawTable, as_table
from silagetrial.data.opendocument import Range, merged_and_empty_formulas, too_many_repeats
from silagetrial.data.schema import SHEET, TABLES
from silagetrial.data.sheet_marks import merged_cells, sheet_marks
from silagetrial.errors import Problem

__all__ = [
    "DAMAGED",
    "WORKBOOK",
    "WORKBOOKS",
    "Workbook",
    "beside_the_cells",
    "broken_cell",
    "cell_text",
    "find_workbook",
    "not_readable",
    "read_sheets",
    "sheet_names",
    "without_panic",
]

WORKBOOK: Final = ".xlsx"
WORKBOOKS: Final = (WORKBOOK, ".xls", ".ods")
"""Workbooks that are read."""

MOST_CELLS: Final = 5_000_000
"""Filled cells of an OpenDocument workbook, repeated ones counted; 20,000 rows have a tenth."""

LARGEST_UNPACKED: Final = 200_000_000
"""Bytes; a workbook of 20,000 rows unpacks to a tenth of it."""

LAST_ROW, LAST_COLUMN = 99_999, "ZZ"
"""A cell beyond makes a sheet that no trial fills, and that would not fit into memory."""

_FAR_CELL: Final = re.compile(
    rb'<c r="(?:[A-Z]{3,}[0-9]+|[A-Z]+[0-9]{6,})"[^>]*[^/>]>\s*<(?:v|f|is)\b'
)

DAMAGED: Final = (
    CalamineError, zipfile.BadZipFile, zlib.error, OSError, EOFError, RuntimeError,
    NotImplementedError, LookupError, ValueError, SyntaxError, TypeError, AttributeError,
)  # fmt: skip
"""What the readers raise on damaged files, which they do not gather under one name."""

Found: TypeAlias = "tuple[Problem, ...]"
CellValue: TypeAlias = (
    "str | int | float | bool | dt.datetime | dt.date | dt.time | dt.timedelta | None"
)


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


def find_workbook(folder: Path, *, besides: str = "") -> tuple[Workbook | None, Found]:
    """Read the workbook of a trial's folder.

    Parameters
    ----------
    folder : pathlib.Path
        The trial's folder.
    besides : str
        Name of a workbook that is read otherwise.

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
        workbook, met = read_sheets(folder / first, tables)
    except DAMAGED as error:
        return None, (*problems, not_readable(first, error))
    return workbook, (*problems, *met)


def sheet_names(path: Path) -> list[str] | Problem:
    """Return the names of the sheets, or why the file cannot be opened."""
    try:
        too_large = _too_large(path)
        if too_large is not None:
            return too_large
        with without_panic(), CalamineWorkbook.from_path(path) as workbook:
            return list(workbook.sheet_names)
    except DAMAGED as error:
        return not_readable(path.name, error)


@contextmanager
def without_panic() -> Iterator[None]:
    """Make an error of the reader's panic, which is no Exception, on a damaged file."""
    try:
        yield
    except BaseException as error:
        if type(error).__name__ != "PanicException":
            raise
        raise CalamineError(str(error)) from error


def _too_large(path: Path) -> Problem | None:
    """Return the problem with a workbook that would fill the memory."""
    size = path.stat().st_size
    if path.suffix.lower() != ".xls":
        with zipfile.ZipFile(path) as packed:
            size = sum(part.file_size for part in packed.infolist())
    if size > LARGEST_UNPACKED:
        return _unreadable(
            path.name,
            f"a workbook that unpacks to {size / 1e6:.0f} MB",
            f"at most {LARGEST_UNPACKED / 1e6:.0f} MB",
            "take pictures and other sheets out of it",
        )
    if _reaches_far(path):
        return _unreadable(
            path.name,
            f"a cell below row {LAST_ROW} or right of column {LAST_COLUMN}",
            "tables that begin in the first cell and end with their last row",
            "remove what stands far off the table; Ctrl+End goes to it",
        )
    return None


def _reaches_far(path: Path) -> bool:
    if path.suffix.lower() == ".ods":
        return too_many_repeats(path, most=MOST_CELLS)
    if path.suffix.lower() == ".xls":
        return False  # its format has 65,536 rows and 256 columns
    with zipfile.ZipFile(path) as packed:
        return any(
            _FAR_CELL.search(packed.read(part))
            for part in packed.infolist()
            if part.filename.startswith("xl/worksheets/")
        )


def not_readable(file: str, error: Exception) -> Problem:
    """Return the problem with a file that a reader of workbooks cannot open."""
    return _unreadable(
        file,
        f"a file that cannot be read as a workbook ({error})",
        "a workbook without a password, saved as .xlsx, .xls or .ods",
        "open it in the spreadsheet and save it again as .xlsx, or move it out of the folder",
    )


def _unreadable(file: str, found: str, expected: str, remedy: str) -> Problem:
    return Problem("error", file, None, None, found, expected, remedy)


def _no_table(file: str, sheets: Sequence[str]) -> Problem:
    return Problem(
        "warning",
        file,
        None,
        None,
        f"a workbook without a sheet that is known: {', '.join(sheets)}",
        f"sheets named {', '.join(TABLES)}",
        "rename the sheets, or leave it: the workbook is not read",
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


def read_sheets(path: Path, names: Sequence[str]) -> tuple[Workbook, Found]:
    """Read the sheets of these names.

    Raises
    ------
    Exception
        Any of `DAMAGED`, for a file that is.
    """
    problems: list[Problem] = []
    tables = {}
    merged, broken = beside_the_cells(path, names)
    with without_panic(), CalamineWorkbook.from_path(path) as workbook:
        for name in names:
            file = f"{path.name}{SHEET}{name}"
            sheet = workbook.get_sheet_by_name(name)
            cells = sheet.to_python(skip_empty_area=False)
            lines, rows = _numbered(cells)
            if not rows:
                problems.append(_empty(file))
                continue
            tables[name] = as_table(file, lines, rows)
            heading = rows[0]
            problems += [
                broken_cell(file, line, heading[column] if column < len(heading) else None, what)
                for line, column, what in broken.get(name, ())
            ]
            ranges = merged.get(name, sheet.merged_cell_ranges or ())
            problems += merged_cells(file, ranges, heading)
    if path.suffix.lower() == WORKBOOK:
        problems += [
            replace(problem, file=f"{path.name}{SHEET}{name}")
            for name, problem in sheet_marks(path, names)
        ]
    return Workbook(path.name, tables, frozenset(names)), tuple(problems)


def beside_the_cells(
    path: Path, names: Sequence[str]
) -> tuple[Mapping[str, Sequence[Range]], Mapping[str, Sequence[tuple[int, int, str]]]]:
    """Return merged ranges and broken cells of each sheet, where they are not with the cells."""
    if path.suffix.lower() == ".ods":
        both = merged_and_empty_formulas(path, names)
        return {k: v[0] for k, v in both.items()}, {k: v[1] for k, v in both.items()}
    if path.suffix.lower() == WORKBOOK:
        return {}, broken_cells(path, names)
    return {}, {}  # of .xls the reader gives errors as text and formulas with their value


def _numbered(
    cells: Sequence[Sequence[CellValue]],
) -> tuple[list[int], list[tuple[str, ...]]]:
    """Return the rows that hold anything, as wide as what they hold, and their numbers."""
    rows = [tuple(cell_text(cell) for cell in row) for row in cells]
    width = max((k + 1 for row in rows for k, cell in enumerate(row) if cell), default=0)
    filled = [k for k, row in enumerate(rows) if any(row)]
    return [k + 1 for k in filled], [rows[k][:width] for k in filled]


def cell_text(value: CellValue) -> str:
    """Return what a cell holds as the text that a CSV file would hold."""
    if value is None:
        return ""
    if isinstance(value, bool):
        return "yes" if value else "no"
    if isinstance(value, float):
        return str(int(value)) if value.is_integer() else repr(value)
    if isinstance(value, dt.datetime):
        return _when(value)
    return str(value).strip()


def _when(value: dt.datetime) -> str:
    # A spreadsheet keeps a time as a fraction of a day, which is not whole seconds.
    second = (value + dt.timedelta(milliseconds=500)).replace(microsecond=0)
    if (second.hour, second.minute, second.second) == (0, 0, 0):
        return f"{second:%Y-%m-%d}"
    return f"{second:%Y-%m-%d %H:%M}" if second.second == 0 else f"{second:%Y-%m-%d %H:%M:%S}"


def broken_cell(file: str, line: int, column: str | None, what: str) -> Problem:
    """Return the problem with a cell that holds an error or a formula without a value."""
    return Problem(
        "error",
        file,
        line,
        column or None,
        what if what.startswith("a formula") else f"{what}, an error of the spreadsheet",
        "a value, or a formula with its value",
        "mend the formula and save the workbook from the spreadsheet, or type the value",
    )


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
