"""Trial folders turned into one workbook, as a person would type it, in three formats."""

from __future__ import annotations

import datetime as dt
import re
from pathlib import Path

import xlwt
from builders import read_cells
from odf.opendocument import OpenDocumentSpreadsheet
from odf.table import Table, TableCell, TableRow
from odf.text import P
from openpyxl import Workbook, load_workbook
from pandas.testing import assert_frame_equal

from silagetrial.data import TABLES, Problem, read_trial
from silagetrial.errors import DataProblems

__all__ = ["as_ods", "as_xls", "problems_of", "same_trial", "to_workbook"]

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


def as_xls(folder: Path) -> Path:
    """Save field.xlsx as .xls, cell by cell."""
    book, other = load_workbook(folder / "field.xlsx"), xlwt.Workbook()
    date = xlwt.easyxf(num_format_str="YYYY-MM-DD HH:MM")
    for sheet in book.worksheets:
        copy = other.add_sheet(sheet.title)
        for row in sheet.iter_rows():
            for cell in row:
                if cell.value is not None and sheet.title != "how to use":
                    style = (
                        date if isinstance(cell.value, dt.datetime) else xlwt.Style.default_style
                    )
                    copy.write(cell.row - 1, cell.column - 1, cell.value, style)
    (folder / "field.xlsx").unlink()
    other.save(str(folder / "field.xls"))
    return folder / "field.xls"


def ods_cell(value: object) -> TableCell:
    if value is None:
        return TableCell()
    if isinstance(value, dt.datetime):
        return TableCell(valuetype="date", datevalue=value.isoformat())
    if isinstance(value, int | float):
        return TableCell(valuetype="float", value=repr(value))
    cell = TableCell(valuetype="string")
    cell.addElement(P(text=str(value)))
    return cell


def as_ods(folder: Path) -> Path:
    """Save field.xlsx as .ods, cell by cell."""
    book, other = load_workbook(folder / "field.xlsx"), OpenDocumentSpreadsheet()
    for sheet in book.worksheets:
        table = Table(name=sheet.title)
        for row in sheet.iter_rows(values_only=True):
            line = TableRow()
            for value in row:
                line.addElement(ods_cell(None if sheet.title == "how to use" else value))
            table.addElement(line)
        other.spreadsheet.addElement(table)
    (folder / "field.xlsx").unlink()
    other.save(str(folder / "field.ods"))
    return folder / "field.ods"


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
