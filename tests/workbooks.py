"""Trial folders turned into one workbook, as a person would type it."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

from builders import read_cells
from openpyxl import Workbook
from pandas.testing import assert_frame_equal

from silagetrial.data import TABLES, Problem, read_trial
from silagetrial.errors import DataProblems

__all__ = ["problems_of", "same_trial", "to_workbook"]

NUMBERS = {c.name for columns in TABLES.values() for c in columns if c.kind in ("number", "count")}
NUMBERS |= {c.name for columns in TABLES.values() for c in columns if c.kind == "measured"}
TIMES = {c.name for columns in TABLES.values() for c in columns if c.kind == "datetime"}


def typed(column: str, text: str) -> object:
    """Return a cell as a person types it into a spreadsheet: numbers and dates are such."""
    if not text:
        return None
    if column in NUMBERS and re.fullmatch(r"-?[\d.]+", text):
        return float(text) if "." in text else int(text)
    if column in TIMES:
        return dt.datetime.fromisoformat(text)
    return text


def to_workbook(
    folder: Path, *, tables: tuple[str, ...] = tuple(TABLES), typing: bool = True
) -> None:
    """Put the CSV files of a trial into field.xlsx, one sheet each, beside a sheet of words."""
    book = Workbook()
    page = book.active
    assert page is not None
    page.title = "how to use"
    page["B4"] = "=1/0"
    for table in tables:
        path = folder / f"{table}.csv"
        if not path.is_file():
            continue
        rows = read_cells(path)
        sheet = book.create_sheet(table)
        sheet.append(list(rows[0]))
        for row in rows:
            sheet.append([typed(k, v) if typing else v or None for k, v in row.items()])
            for cell in sheet[sheet.max_row]:
                if isinstance(cell.value, str):
                    cell.data_type = "s"  # text, also where it begins as a formula does
        path.unlink()
    book.save(folder / "field.xlsx")


def same_trial(one: Path, other: Path) -> None:
    """Check that two folders give equal trials."""
    first, second = read_trial(one), read_trial(other)
    assert second.settings == first.settings
    assert str(second) == str(first)
    for table in TABLES:
        assert_frame_equal(getattr(second, table), getattr(first, table))
    assert_frame_equal(second.due.frame, first.due.frame)
    found = [(p.severity, p.line, p.column) for p in first.problem_list]
    assert [(p.severity, p.line, p.column) for p in second.problem_list] == found


def problems_of(folder: Path) -> tuple[Problem, ...]:
    """Return the problems of a trial, read or refused."""
    try:
        return read_trial(folder).problem_list
    except DataProblems as error:
        return error.problems
