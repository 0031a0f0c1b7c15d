"""A workbook opened with care: its sheets, their cells as text, and what would fill the memory.

What a cell holds becomes the text that a CSV file would hold: whole numbers without a point, other
numbers as short as they can be, dates as 2026-05-31, yes and no.
"""

from __future__ import annotations

import datetime as dt
import re
import zipfile
import zlib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import Final, TypeAlias

from python_calamine import CalamineError, CalamineWorkbook

from silagetrial.data import office_open, opendocument
from silagetrial.data.sheet_marks import Beside, Range
from silagetrial.errors import Problem

__all__ = [
    "DAMAGED",
    "LARGEST_UNPACKED",
    "WORKBOOKS",
    "CellValue",
    "beside_the_cells",
    "broken_cell",
    "cell_text",
    "cells_of",
    "not_readable",
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

CellValue: TypeAlias = (
    "str | int | float | bool | dt.datetime | dt.date | dt.time | dt.timedelta | None"
)


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
        return opendocument.too_many_repeats(path, most=MOST_CELLS)
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


def beside_the_cells(path: Path, names: Sequence[str]) -> Mapping[str, Beside]:
    """Return what sheets hold beside the values of their cells, as far as the format is looked at.

    Of .xls, whose binary records no library in use here gives, the reader knows merged cells, and
    gives errors as text and formulas with their value; hidden rows and colours are not told.
    """
    if path.suffix.lower() == ".ods":
        return opendocument.beside_the_cells(path, names)
    return office_open.beside_the_cells(path, names) if path.suffix.lower() == WORKBOOK else {}


def cells_of(
    path: Path, names: Sequence[str]
) -> dict[str, tuple[Sequence[Sequence[CellValue]], list[Range]]]:
    """Return the cells of sheets from the first row and column on, and merged ranges.

    Raises
    ------
    Exception
        Any of `DAMAGED`, for a file that is.
    """
    with without_panic(), CalamineWorkbook.from_path(path) as workbook:
        sheets = {name: workbook.get_sheet_by_name(name) for name in names}
        return {
            name: (sheet.to_python(skip_empty_area=False), list(sheet.merged_cell_ranges or ()))
            for name, sheet in sheets.items()
        }


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
