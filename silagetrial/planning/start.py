"""An empty trial to fill in: trial.toml, and the tables as CSV files or as one workbook."""

from __future__ import annotations

import csv
import io
import json
import shutil
from collections.abc import Mapping
from contextlib import AbstractContextManager
from pathlib import Path
from typing import Final

import pandas as pd
from openpyxl import Workbook
from openpyxl.styles import Alignment
from openpyxl.utils import get_column_letter
from openpyxl.worksheet.worksheet import Worksheet

from silagetrial.data.examples import example_of
from silagetrial.data.frames import empty_table
from silagetrial.data.package import datapackage
from silagetrial.data.read_settings import SETTINGS_FILE, parse_settings
from silagetrial.data.schema import TABLES, file_name
from silagetrial.data.settings import Settings
from silagetrial.display.cautions import cautions, deferral
from silagetrial.display.place import Work, place
from silagetrial.errors import UsageError
from silagetrial.planning.field_columns import FieldColumn, sheet_words, unit_of
from silagetrial.planning.start_words import HOW_TO_USE, SETTINGS_TEXT
from silagetrial.planning.workbook import drop_downs, listing, table_sheet
from silagetrial.planning.workbook_cells import BOX, TO_FILL, font, plain_heading, print_set_up, put

__all__ = ["WORKBOOK", "start_demo", "start_trial"]

WORKBOOK: Final = "trial.xlsx"
COLUMNS: Final = "columns.txt"
_PACKAGE: Final = "datapackage.json"
_DEMONSTRATIONS: Final = "data_demo"
_TRIAL: Final = "three_farms"
_PLAN: Final = "plan_two_farms"
_ROWS: Final = 200
"""Rows of each sheet that are formatted and have drop-down lists."""
_NAMES: Final = "names"
_MOST_NAMES: Final = 12
_NAMED: Final = {
    "bindings": ("binding", "binding_seen"),
    "openings": ("planned_opening",),
}
"""What trial.toml is yet to name, and the columns that name it."""
_NAMED_COLUMNS: Final = tuple(name for names in _NAMED.values() for name in names)


def start_trial(
    folder: str | Path, *, workbook: bool = False, force: bool = False
) -> tuple[Path, ...]:
    """Write an empty trial that `read_trial` reads without an error.

    What is yet to fill in is a warning while there are no data, and an error from then on.

    Parameters
    ----------
    folder : str or Path
        The folder to write: new or empty.
    workbook : bool
        One workbook with explanations, examples and drop-down lists; else a CSV file a table with
        its heading, ``columns.txt`` with the explanations, and ``datapackage.json``.
    force : bool
        Replace a folder with anything else in it.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    UsageError
        When something is in the folder already, and that is not forced.
    """
    settings, _ = parse_settings(SETTINGS_TEXT)
    out = Path(folder)
    with _empty_place(out, force=force) as new:
        (new / SETTINGS_FILE).write_text(SETTINGS_TEXT, encoding="utf-8")
        if workbook:
            _workbook(settings).save(new / WORKBOOK)
        else:
            _folder(new, settings)
        names = sorted(item.name for item in new.iterdir())
    return tuple(out / name for name in names)


def start_demo(folder: str | Path, *, plan: bool = False, force: bool = False) -> tuple[Path, ...]:
    """Write the demonstration trial of three farms, or the plan; every number is invented.

    Parameters
    ----------
    folder : str or Path
        The folder to write: new or empty.
    plan : bool
        ``plan.toml`` in place of the trial.
    force : bool
        Replace a folder with anything else in it.

    Returns
    -------
    tuple of Path
        The files written.

    Raises
    ------
    UsageError
        When something is in the folder already, and that is not forced.
    """
    out, source = Path(folder), _demonstrations() / (_PLAN if plan else _TRIAL)
    with _empty_place(out, force=force) as new:
        names = sorted(item.name for item in source.iterdir())
        for name in names:
            shutil.copyfile(source / name, new / name)
    return tuple(out / name for name in names)


def _demonstrations() -> Path:
    """Return the folder of demonstrations: in the package once installed, beside it before."""
    package = Path(__file__).parents[1]
    inside = package / _DEMONSTRATIONS
    return inside if inside.is_dir() else package.parent / _DEMONSTRATIONS


def _empty_place(out: Path, *, force: bool) -> AbstractContextManager[Path]:
    """Give a working folder for a trial, which takes the place of a new or empty folder."""
    if not force and (out.is_symlink() or (out.exists() and not _is_empty(out))):
        raise UsageError(
            found=f"{out} is there and not an empty folder",
            expected="a folder that is new or empty",
            remedy="give another folder; only --force writes over one, and what is in it is lost",
        )
    return place(out, Work("trial", _PACKAGE, frozenset()), force=force)


def _is_empty(out: Path) -> bool:
    return out.is_dir() and not any(out.iterdir())


def _folder(new: Path, settings: Settings) -> None:
    for name, columns in TABLES.items():
        text = io.StringIO()
        csv.writer(text, lineterminator="\n").writerow([column.name for column in columns])
        (new / file_name(name)).write_text(text.getvalue(), encoding="utf-8")
    explained = _explained(settings)
    lines = [*HOW_TO_USE, "", *cautions(), deferral()]
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
            "" if field.column.name in _NAMED_COLUMNS else ", ".join(field.words),
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
    typed = _names(book.create_sheet(_NAMES))
    sheets = _columns(settings)
    for table, fields in sheets.items():
        sheet = book.create_sheet(table)
        kept = table_sheet(sheet, table, empty_table(table).frame, fields, spare=_ROWS)
        print_set_up(sheet, settings.title, wide=2, heading=True, kept=kept)
    explained = book.create_sheet("columns")
    listing(explained, _explained(settings), {"meaning": 80, "words": 44})
    drop_downs(book, sheets, lambda _, field: field.words, typed=typed)
    return book


def _names(sheet: Worksheet) -> dict[str, str]:
    """Write the sheet of names that lists offer; return the cells that each column offers.

    Lists of the names in an empty trial.toml would go on offering these when it is filled in.
    """
    last = _MOST_NAMES + 1
    offered: dict[str, str] = {}
    for j, (heading, columns) in enumerate(_NAMED.items(), start=1):
        plain_heading(put(sheet, 1, j, f"{heading}, as in trial.toml"))
        for row in range(2, last + 1):
            cell = put(sheet, row, j, None)
            cell.fill, cell.border, cell.number_format = TO_FILL, BOX, "@"
        sheet.column_dimensions[get_column_letter(j)].width = 28
        where = f"{_NAMES}!${get_column_letter(j)}$2:${get_column_letter(j)}${last}"
        offered |= dict.fromkeys(columns, where)
    put(
        sheet,
        1,
        len(_NAMED) + 1,
        "Typed here once, these are offered as lists by the other sheets.",
    )
    return offered


def _how_to_use(sheet: Worksheet) -> None:
    sheet.title = "how to use"
    sheet.column_dimensions["A"].width = 120
    for row, text in enumerate((*HOW_TO_USE, *cautions(), deferral()), start=1):
        cell = put(sheet, row, 1, text)
        cell.font = font(bold=row == 1)
        cell.alignment = Alignment(wrap_text=True, vertical="top")
