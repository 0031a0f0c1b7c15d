"""An empty trial to fill in: trial.toml, and the tables as CSV files or as one workbook."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Mapping
from pathlib import Path
from typing import Final

import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment
from openpyxl.worksheet.worksheet import Worksheet

from silagetrial.data.examples import example_of
from silagetrial.data.frames import empty_table
from silagetrial.data.package import datapackage
from silagetrial.data.read_settings import SETTINGS_FILE, parse_settings
from silagetrial.data.schema import TABLES, file_name
from silagetrial.data.settings import Settings
from silagetrial.display.cautions import CAUTIONS, DEFERRAL
from silagetrial.display.place import Work, place
from silagetrial.errors import UsageError
from silagetrial.planning.field_columns import FieldColumn, sheet_words, unit_of
from silagetrial.planning.start_words import HOW_TO_USE, SETTINGS_TEXT
from silagetrial.planning.workbook import drop_downs, listing, table_sheet
from silagetrial.planning.workbook_cells import font, print_set_up, put

__all__ = ["WORKBOOK", "start_trial"]

WORKBOOK: Final = "trial.xlsx"
COLUMNS: Final = "columns.txt"
_PACKAGE: Final = "datapackage.json"
_ROWS: Final = 200
"""Rows of each sheet that are formatted and have drop-down lists."""


def start_trial(folder: str | Path, *, workbook: bool = False) -> tuple[Path, ...]:
    """Write an empty trial that `read_trial` reads without a problem.

    Parameters
    ----------
    folder : str or Path
        The folder to write: new or empty.
    workbook : bool
        One workbook with explanations, examples and drop-down lists; else a CSV file a table with
        its heading, ``columns.txt`` with the explanations, and ``datapackage.json``.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    UsageError
        When something is in the folder already.
    """
    out = Path(folder)
    if out.is_symlink() or (out.exists() and (not out.is_dir() or any(out.iterdir()))):
        raise UsageError(
            found=f"{out} is there and not an empty folder",
            expected="a folder that is new or empty",
            remedy="give another folder; nothing is ever written over a trial",
        )
    settings, _ = parse_settings(SETTINGS_TEXT)
    with place(out, Work("trial", _PACKAGE, frozenset())) as new:
        (new / SETTINGS_FILE).write_text(SETTINGS_TEXT, encoding="utf-8")
        if workbook:
            _workbook(settings).save(new / WORKBOOK)
        else:
            _folder(new, settings)
        names = sorted(item.name for item in new.iterdir())
    return tuple(out / name for name in names)


def _folder(new: Path, settings: Settings) -> None:
    for name, columns in TABLES.items():
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerow([column.name for column in columns])
        (new / file_name(name)).write_text(text.getvalue(), encoding="utf-8")
    explained = _explained(settings)
    lines = [*HOW_TO_USE, "", *CAUTIONS, DEFERRAL]
    table = ""
    for row in explained.to_dict("records"):
        if row["table"] != table:
            table = str(row["table"])
            lines += ["", file_name(table)]
        unit = f", {row['unit']}" if row["unit"] else ""
        words = f"; one of {row['words']}" if row["words"] else ""
        lines.append(
            f"  {row['column']} ({row['need']}{unit}): {row['meaning']}{words}; "
            f"example {row['example']}"
        )
    (new / COLUMNS).write_text("\n".join(lines) + "\n", encoding="utf-8")
    package = json.dumps(
        datapackage(
            headings={name: [column.name for column in columns] for name, columns in TABLES.items()}
        ),
        indent=2,
        ensure_ascii=False,
    )
    (new / _PACKAGE).write_text(package + "\n", encoding="utf-8")


def _columns(settings: Settings) -> Mapping[str, tuple[FieldColumn, ...]]:
    """Return every column of every table, all to be filled."""
    return {
        table: tuple(
            FieldColumn(
                column, unit_of(column, settings), True, *sheet_words(table, column, settings)
            )
            for column in columns
        )
        for table, columns in TABLES.items()
    }


def _explained(settings: Settings) -> pd.DataFrame:
    """Return one row a column: what it means, its unit, its words, an example."""
    rows = [
        (
            table,
            field.column.name,
            _need(field),
            field.column.description,
            field.unit,
            ", ".join(field.words),
            example_of(field.column),
        )
        for table, fields in _columns(settings).items()
        for field in fields
    ]
    names = ["table", "column", "need", "meaning", "unit", "words", "example"]
    return pd.DataFrame(rows, columns=names)


def _need(field: FieldColumn) -> str:
    if field.column.required:
        return "required"
    return "blank until done" if field.column.once_done else "may stay blank"


def _workbook(settings: Settings) -> Workbook:
    book = Workbook()
    how = book.active
    assert isinstance(how, Worksheet)
    _how_to_use(how)
    sheets = _columns(settings)
    for table, fields in sheets.items():
        sheet = book.create_sheet(table)
        kept = table_sheet(sheet, table, empty_table(table).frame, fields, spare=_ROWS)
        print_set_up(sheet, settings.title, wide=2, heading=True, kept=kept)
    explained = book.create_sheet("columns")
    listing(explained, _explained(settings), {"meaning": 80, "words": 44})
    drop_downs(book, sheets, lambda _, field: field.words)
    return book


def _how_to_use(sheet: Worksheet) -> None:
    sheet.title = "how to use"
    sheet.column_dimensions["A"].width = 120
    for row, text in enumerate((*HOW_TO_USE, *CAUTIONS, DEFERRAL), start=1):
        cell = put(sheet, row, 1, text)
        cell.font = font(bold=row == 1)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
