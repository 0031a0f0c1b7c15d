"""The field workbook: the sheet in the field, and the file the trial is read from.

One sheet a table, named as the table, its first row the column names; what the plan knows is
filled in, what is to be filled is boxed and pale, the rest grey. The sheets "how to use",
"opening days", "columns" and "lists" are for people and are not read.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from types import MappingProxyType
from typing import Any, Final

import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.datavalidation import DataValidation
from openpyxl.worksheet.worksheet import Worksheet

from silagetrial.data.draft import is_given
from silagetrial.display.cautions import cautions, deferral
from silagetrial.planning.days import opening_days
from silagetrial.planning.field_columns import SHEETS, FieldColumn, field_columns
from silagetrial.planning.field_words import (
    AT_ROUNDS,
    at_baling,
    at_opening,
    how_to_use,
    kept_alike,
)
from silagetrial.planning.layout import Layout
from silagetrial.planning.workbook_cells import (
    BOX,
    PLANNED,
    TO_FILL,
    body_cell,
    cut,
    font,
    heading_cell,
    plain_heading,
    print_set_up,
    put,
)

__all__ = ["WORKBOOK", "drop_downs", "listing", "table_sheet", "write_workbook"]

WORKBOOK: Final = "field.xlsx"

_SPARE_ROWS: Final = {"events": 60, "scales": 10, "weighings": 20, "samples": 10}
"""Rows ready for what nobody planned: a bale that drops, a weighing done again."""

_FROZEN: Final = {"bales": "binding", "weighings": "bales", "samples": "sample", "events": "bale"}
"""The last column that stays in sight when a sheet is moved sideways, and on every page."""

_WIDTHS: Final = {
    "id": 8, "ids": 8, "text": 10, "choice": 10, "number": 8, "count": 6, "datetime": 17,
    "measured": 9,
}  # fmt: skip
_WIDEST: Final = 40
_NOTE_WIDTH: Final = 28
_COLUMNS_A_PAGE: Final = 14

_WordsOf = Callable[[str, FieldColumn], tuple[str, ...]]
_Sheets = Mapping[str, tuple[FieldColumn, ...]]


def write_workbook(layout: Layout, path: Path) -> None:
    """Write the field workbook of a layout.

    Parameters
    ----------
    layout : Layout
    path : pathlib.Path
        The file to write.

    Raises
    ------
    UsageError
        When a name of the plan holds a control character, which no workbook can hold.
    """
    settings, book = layout.plan.settings, Workbook()
    how = book.active
    assert isinstance(how, Worksheet)
    _how_to_use(how, layout)
    print_set_up(how, settings.title, heading=False, kept="")
    sheets = {table: field_columns(table, getattr(layout, table), settings) for table in SHEETS}
    for table, columns in sheets.items():
        sheet = book.create_sheet(table)
        kept = table_sheet(sheet, table, getattr(layout, table), columns)
        wide = -(-len(columns) // _COLUMNS_A_PAGE)
        print_set_up(sheet, settings.title, wide=wide, heading=True, kept=kept)
    for name, frame, widths in (
        ("opening days", opening_days(layout), {}),
        ("columns", _columns(sheets), {"meaning": 80, "words": 44}),
    ):
        listing(book.create_sheet(name), frame, widths)
        print_set_up(book[name], settings.title, heading=True, kept="")
    drop_downs(book, sheets, lambda table, field: _words(table, field, layout))
    book.save(path)


def table_sheet(
    sheet: Worksheet,
    table: str,
    frame: pd.DataFrame,
    columns: Sequence[FieldColumn],
    *,
    spare: int | None = None,
) -> str:
    """Fill one sheet: heading with notes, planned rows, rows to spare; return the column kept."""
    more = _SPARE_ROWS.get(table, 0) if spare is None else spare
    last = 1 + len(frame) + more
    for j, field in enumerate(columns, start=1):
        name = field.column.name
        values = frame[name].tolist() if name in frame else []
        heading_cell(put(sheet, 1, j, name), field)
        for row in range(2, last + 1):
            value = values[row - 2] if row - 2 < len(values) else None
            unplanned = row - 2 >= len(frame)
            body_cell(put(sheet, row, j, value), field, planned=is_given(value), spare=unplanned)
        longest = max([len(str(v)) for v in values if is_given(v)], default=0)
        # Room for the arrow of the filter beside the name.
        wide = max(_WIDTHS[field.column.kind], min(longest + 2, _WIDEST), len(name) + 4)
        sheet.column_dimensions[get_column_letter(j)].width = (
            _NOTE_WIDTH if name == "note" else wide
        )
    sheet.row_dimensions[1].height = 24
    for row, note in enumerate(frame["note"].tolist() if "note" in frame else (), start=2):
        sheet.row_dimensions[row].height = 15.5 * max(1, -(-len(str(note)) // _NOTE_WIDTH))
    names = [field.column.name for field in columns]
    kept = names.index(_FROZEN[table]) + 1 if table in _FROZEN else 1
    sheet.freeze_panes = f"{get_column_letter(kept + 1)}2"
    sheet.auto_filter.ref = f"A1:{get_column_letter(len(columns))}{last}"
    return get_column_letter(kept)


def drop_downs(
    book: Workbook,
    sheets: _Sheets,
    words: _WordsOf,
    *,
    typed: Mapping[str, str] = MappingProxyType({}),
) -> None:
    """Give every column its list of words, its range of numbers and its prompt.

    Parameters
    ----------
    book : openpyxl.Workbook
    sheets : mapping of str to tuple of FieldColumn
        The columns of each sheet.
    words : callable
        Table and column to the words of its list.
    typed : mapping of str to str
        Name of a column to the cells of which its list holds what is typed there.
    """
    lists = book.create_sheet("lists")
    lists.sheet_state = "hidden"
    for table, columns in sheets.items():
        sheet = book[table]
        for j, field in enumerate(columns, start=1):
            where = typed.get(field.column.name)
            rule = (
                _rule(lists, table, field, words(table, field)) if where is None else _only(where)
            )
            letter = get_column_letter(j)
            rule.add(f"{letter}2:{letter}{sheet.max_row}")
            rule.showInputMessage = True
            rule.promptTitle = cut(field.column.name, 32)
            rule.prompt = cut(field.told, 255)
            sheet.add_data_validation(rule)


def _rule(
    lists: Worksheet, table: str, field: FieldColumn, words: tuple[str, ...]
) -> DataValidation:
    kind = field.column.kind
    if words:
        column = 1 if lists.cell(1, 1).value is None else lists.max_column + 1
        for row, word in enumerate((f"{table}.{field.column.name}", *words), start=1):
            put(lists, row, column, word)
        letter = get_column_letter(column)
        where = f"lists!${letter}$2:${letter}${len(words) + 1}"
        return _warns(DataValidation("list", where, allow_blank=True), strict=field.strict)
    if kind in ("number", "count"):
        whole: Any = "whole" if kind == "count" else "decimal"
        return _warns(DataValidation(whole, "0", operator="greaterThanOrEqual", allow_blank=True))
    if kind == "datetime":
        since_2000 = "36526"
        return _warns(
            DataValidation("date", since_2000, operator="greaterThanOrEqual", allow_blank=True)
        )
    return DataValidation(allow_blank=True)


def _only(where: str) -> DataValidation:
    """Offer what stands in some cells, and let anything else pass: they may be blank still."""
    return DataValidation("list", where, allow_blank=True, showErrorMessage=False)


def _words(table: str, field: FieldColumn, layout: Layout) -> tuple[str, ...]:
    """Words of a column, those of the other tables where it names their rows."""
    if table == "events" and field.column.name == "bale":
        return tuple(str(bale) for bale in layout.bales["bale"])
    if table == "weighings" and field.column.name == "scale":
        return tuple(dict.fromkeys(str(s) for s in layout.scales["scale"] if is_given(s)))
    return field.words


def _warns(rule: DataValidation, *, strict: bool = False) -> DataValidation:
    """Refuse what the reader would refuse too; of anything else only ask whether it is meant."""
    rule.showErrorMessage = True
    rule.errorStyle = "stop" if strict else "warning"
    rule.errorTitle = "Not expected here"
    rule.error = "See the note on the column's name for what is meant."
    return rule


def listing(sheet: Worksheet, frame: pd.DataFrame, widths: Mapping[str, int]) -> None:
    """Write a table that is for looking up only."""
    for j, name in enumerate(frame.columns, start=1):
        plain_heading(put(sheet, 1, j, str(name)))
        for row, value in enumerate(frame[name].tolist(), start=2):
            cell = put(sheet, row, j, value)
            cell.fill, cell.border = PLANNED, BOX
            cell.alignment = Alignment(wrap_text=True, vertical="top")
        longest = max([len(str(v)) for v in frame[name] if is_given(v)], default=0)
        wide = widths.get(str(name), max(len(str(name)), longest) + 3)
        sheet.column_dimensions[get_column_letter(j)].width = wide
    sheet.freeze_panes = "A2"


def _columns(sheets: _Sheets) -> pd.DataFrame:
    """List every column with its meaning, so that the notes can be printed as well."""
    rows = [
        (table, field.column.name, field.told, field.unit, ", ".join(field.words))
        for table, columns in sheets.items()
        for field in columns
    ]
    return pd.DataFrame(rows, columns=["sheet", "column", "meaning", "unit", "words"])


def _how_to_use(sheet: Worksheet, layout: Layout) -> None:
    """Write the first sheet: rules, cautions, colours."""
    settings = layout.plan.settings
    sheet.title = "how to use"
    sheet.column_dimensions["A"].width, sheet.column_dimensions["B"].width = 4, 120
    sheet.sheet_view.showGridLines = False
    lines: list[tuple[str, str]] = [("title", settings.title), ("text", settings.question)]
    for head, rules in (
        ("How to use", how_to_use(settings)),
        ("Cautions", (*cautions(), deferral())),
        ("Baling day", (*at_baling(settings), kept_alike(settings))),
        ("Inspection rounds", AT_ROUNDS),
        ("Opening day", at_opening(settings)),
    ):
        lines += [("head", head), *(("point", text) for text in rules)]
    row = 0
    for row, (kind, text) in enumerate((line for line in lines if line[1]), start=1):
        if kind == "point":
            mark = put(sheet, row, 1, "\N{BULLET}")
            mark.alignment = Alignment(horizontal="right", vertical="top")
            # A spreadsheet does not fit the height of a wrapped cell when a file is opened.
            sheet.row_dimensions[row].height = 15.5 * -(-len(text) // 122)
        cell = put(sheet, row, 2 if kind == "point" else 1, text)
        cell.font = _FONTS[kind]
        cell.alignment = Alignment(wrap_text=kind == "point", vertical="top")
    for at, (text, fill) in enumerate((("to be filled", TO_FILL), ("from the plan", PLANNED)), 1):
        cell = put(sheet, row + 1 + at, 2, text)
        cell.fill, cell.border = fill, BOX


_FONTS: Final = {
    "title": font(bold=True, size=16),
    "head": font(bold=True, size=13),
    "text": font(italic=True),
    "point": font(),
}
