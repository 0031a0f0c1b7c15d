"""Cells of the field workbook: how they look, and how one value is written."""

from __future__ import annotations

import datetime as dt
import re
from typing import Final

from openpyxl.cell.cell import Cell
from openpyxl.comments import Comment
from openpyxl.styles import Alignment, Border, Font, PatternFill, Side
from openpyxl.worksheet.properties import PageSetupProperties
from openpyxl.worksheet.worksheet import Worksheet

from silagetrial.data.draft import is_given
from silagetrial.errors import UsageError
from silagetrial.planning.field_columns import FieldColumn

__all__ = [
    "BOX",
    "PLANNED",
    "TO_FILL",
    "body_cell",
    "cut",
    "font",
    "heading_cell",
    "plain_heading",
    "print_set_up",
    "put",
]

_HEAD_FILL: Final = PatternFill("solid", fgColor="333333")
TO_FILL: Final = PatternFill("solid", fgColor="FFF2CC")
PLANNED: Final = PatternFill("solid", fgColor="D9D9D9")
"""Pale and grey stay apart in a grey print as well: 95 % against 85 % of white."""
_THIN: Final = Side(style="thin", color="808080")
BOX: Final = Border(left=_THIN, right=_THIN, top=_THIN, bottom=_THIN)

_CONTROL: Final = re.compile(r"[\x00-\x08\x0b-\x1f\x7f]")


def font(
    *, bold: bool = False, italic: bool = False, size: float = 11, color: str = "000000"
) -> Font:
    """Return the one type face of the workbook."""
    return Font(name="Calibri", bold=bold, italic=italic, size=size, color=color)


def put(sheet: Worksheet, row: int, column: int, value: object) -> Cell:
    """Write one value; a text is a text, whatever it begins with.

    Raises
    ------
    UsageError
        A text with a control character, which no workbook can hold.
    """
    cell = sheet.cell(row, column)
    assert isinstance(cell, Cell)
    cell.font = font()
    if isinstance(value, tuple | list):
        value = " ".join(str(item) for item in value)
    if not is_given(value):
        return cell
    if isinstance(value, dt.date | dt.datetime):
        cell.value = value
    elif isinstance(value, int | float):
        cell.value = int(value) if float(value).is_integer() else float(value)
    else:
        text = str(value)
        if _CONTROL.search(text):
            raise UsageError(
                found=f"the text {text!r}, with a control character",
                expected="names and texts of characters that can be shown",
                remedy="correct it in plan.toml",
            )
        cell.value = text
        cell.data_type = "s"  # never a formula
    return cell


def heading_cell(cell: Cell, field: FieldColumn) -> None:
    """Make a cell the heading of a column, with a note of what the column means."""
    plain_heading(cell)
    note = Comment(field.told, "silagetrial")
    note.width, note.height = 320, 40 + 20 * (1 + len(field.told) // 42)
    cell.comment = note


def plain_heading(cell: Cell) -> None:
    """Make a cell a heading."""
    cell.fill, cell.border = _HEAD_FILL, BOX
    cell.font = font(bold=True, color="FFFFFF")
    cell.alignment = Alignment(wrap_text=True, vertical="center")


def body_cell(cell: Cell, field: FieldColumn, *, planned: bool, spare: bool) -> None:
    """Colour a cell by who fills it, and keep a spreadsheet from changing what is typed.

    Parameters
    ----------
    planned : bool
        The plan fills the cell.
    spare : bool
        A row for what nobody planned: every cell of it is to be filled.
    """
    cell.fill = TO_FILL if spare or (field.to_fill and not planned) else PLANNED
    cell.border = BOX
    kind = field.column.kind
    if kind == "datetime":
        cell.number_format = "yyyy\\-mm\\-dd\\ hh:mm"
    elif kind in ("id", "ids", "text", "choice"):
        cell.number_format = "@"  # a spreadsheet would read 3-4 as a day
    cell.alignment = Alignment(
        horizontal="left" if kind == "count" else None,
        vertical="top",
        wrap_text=field.column.name == "note",
    )


def cut(text: str, most: int) -> str:
    """Return a text no longer than a spreadsheet takes."""
    return text if len(text) <= most else text[: most - 1].rstrip() + "\N{HORIZONTAL ELLIPSIS}"


def print_set_up(sheet: Worksheet, title: str, *, wide: int = 1, heading: bool, kept: str) -> None:
    """Set a sheet up for A4 landscape, its heading on every page, the cautions named below.

    Parameters
    ----------
    wide : int
        Pages side by side.
    heading : bool
        The first row is repeated.
    kept : str
        Last column repeated where a sheet is several pages wide; empty: none.
    """
    sheet.page_setup.orientation = "landscape"
    sheet.page_setup.paperSize = 9  # A4 in the file format
    sheet.page_setup.fitToWidth, sheet.page_setup.fitToHeight = wide, 0
    sheet.sheet_properties.pageSetUpPr = PageSetupProperties(fitToPage=True)
    sheet.page_margins.left = sheet.page_margins.right = 0.4
    sheet.page_margins.top = sheet.page_margins.bottom = 0.8
    sheet.page_margins.header = sheet.page_margins.footer = 0.4
    if heading:
        sheet.print_title_rows = "1:1"
    if kept and wide > 1:
        sheet.print_title_cols = f"A:{kept}"
    head, foot = sheet.oddHeader, sheet.oddFooter
    assert head is not None
    assert foot is not None
    head.left.text, head.right.text = cut(title, 120).replace("&", "&&"), "&A"
    foot.left.text = 'Heavy bales, silage gas, spoiled feed: cautions on "how to use"'
    foot.right.text = "page &P of &N"
