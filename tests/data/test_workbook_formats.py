"""Workbooks of other formats, and what sheets say by other means than cells."""

from __future__ import annotations

import zipfile
from pathlib import Path

import pytest
from builders import make_trial
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from odf.opendocument import OpenDocument, load
from odf.style import Style, TableCellProperties
from odf.table import Table, TableCell, TableColumn, TableRow
from openpyxl import load_workbook
from openpyxl.styles import PatternFill
from workbooks import as_ods, as_xls, problems_of, same_trial, to_workbook

from silagetrial.data import read_trial
from silagetrial.data.workbook import find_workbook


@pytest.mark.parametrize("save", [as_xls, as_ods])
@pytest.mark.parametrize("design", ["separate", "recored"])
def test_other_formats_give_the_same_trial(save: object, design: str, tmp_path: Path) -> None:
    for name in ("csv", "book"):
        make_trial(tmp_path / name, design=design)
    to_workbook(tmp_path / "book")
    path = save(tmp_path / "book")
    same_trial(tmp_path / "csv", tmp_path / "book")
    assert read_trial(tmp_path / "book").files == ("trial.toml", path.name)


@pytest.mark.parametrize("save", [as_xls, as_ods])
@settings(max_examples=25, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
@pytest.mark.slow
def test_a_damaged_file_ends_in_words(
    save: object, tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = make_trial(tmp_path_factory.mktemp("damaged"), pairs=1, sites=1)
    to_workbook(folder)
    path = save(folder)
    content = bytearray(path.read_bytes())
    for _ in range(data.draw(st.integers(0, 6))):
        at = int(data.draw(st.floats(0, 1)) * (len(content) - 1))
        content[at] = data.draw(st.integers(0, 255))
    kept = data.draw(st.sampled_from([1.0, 1.0, 0.99, 0.5, 0.01]))
    path.write_bytes(bytes(content[: int(kept * len(content))]))
    assert all(problem.remedy for problem in problems_of(folder))


def edited(folder: Path, old: bytes, new: bytes) -> None:
    """Change content.xml of field.ods."""
    path = folder / "field.ods"
    with zipfile.ZipFile(path) as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    assert old in parts["content.xml"]
    parts["content.xml"] = parts["content.xml"].replace(old, new, 1)
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        for name, content in parts.items():
            packed.writestr(name, content)


def test_a_formula_without_a_value_in_an_open_document(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    to_workbook(folder)
    as_ods(folder)
    cell = b'office:value-type="float" office:value="75"'
    edited(folder, cell, b'table:formula="of:=1+74"')
    found = {(e.found, e.file, e.line, e.column) for e in read_trial(folder).errors}
    assert found == {("a formula without a value", "field.ods, sheet weighings", 2, "tare")}


def test_an_open_document_that_would_fill_the_memory_is_not_read(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    to_workbook(folder)
    as_ods(folder)
    row = b'<table:table-row><table:table-cell office:value-type="string"'
    edited(folder, row, row.replace(b"row>", b'row table:number-rows-repeated="9000000">'))
    workbook, (problem,) = find_workbook(folder)
    assert workbook is None
    assert problem.found == "a cell below row 99999 or right of column ZZ"


@pytest.mark.parametrize("save", [None, as_ods])
def test_merged_cells(save: object, tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    to_workbook(folder)
    if save is None:
        book = load_workbook(folder / "field.xlsx")
        book["bales"].merge_cells("C2:C4")
        book.save(folder / "field.xlsx")
    else:
        path = as_ods(folder)
        old = b'<table:table-cell office:value-type="string"><text:p>Alder Farm'
        spanned = b' table:number-rows-spanned="3" table:number-columns-spanned="1"'
        edited(folder, old, old.replace(b"cell ", b"cell" + spanned + b" ", 1))
        assert path.is_file()
    said = [e for e in read_trial(folder).errors if e.found.startswith("merged")]
    assert [(e.line, e.column) for e in said] == [(2, "site")]
    assert "line 2 to 4, 1 columns wide" in said[0].found
    assert said[0].remedy.startswith("undo the merging")


def hide(folder: Path, kind: str) -> None:
    """Hide lines 4 and 6 of bales."""
    if kind == "xlsx":
        book = load_workbook(folder / "field.xlsx")
        for row in (4, 6):
            book["bales"].row_dimensions[row].hidden = True
        book.save(folder / "field.xlsx")
        return
    as_ods(folder)
    book = load(folder / "field.ods")
    rows = sheet_of(book, "bales").getElementsByType(TableRow)
    rows[3].setAttribute("visibility", "collapse")
    rows[5].setAttribute("visibility", "filter")
    book.save(str(folder / "field.ods"))


def sheet_of(book: OpenDocument, name: str) -> Table:
    sheets = book.spreadsheet.getElementsByType(Table)
    return next(sheet for sheet in sheets if sheet.getAttribute("name") == name)


@pytest.mark.parametrize("kind", ["xlsx", "ods"])
def test_hidden_rows_are_read_and_told(kind: str, tmp_path: Path) -> None:
    plain, folder = make_trial(tmp_path / "plain"), make_trial(tmp_path / "hidden")
    to_workbook(folder)
    hide(folder, kind)
    trial = read_trial(folder)
    (problem,) = trial.problem_list
    assert (problem.severity, problem.line) == ("warning", 4)
    assert problem.file == f"field.{kind}, sheet bales"
    assert problem.found == "2 hidden rows (line 4, 6)"
    assert "read as all others" in problem.remedy
    assert len(trial.bales) == len(read_trial(plain).bales)


def test_colour_is_not_read_and_told(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    to_workbook(folder)
    book = load_workbook(folder / "field.xlsx")
    sheet = book["samples"]
    for row in range(3, 10):
        sheet.cell(row, 2).fill = PatternFill("solid", fgColor="FF0000")
    sheet.cell(12, 2).fill = PatternFill("solid", fgColor="FFF2CC")  # as the package writes
    sheet.cell(1, 2).fill = PatternFill("solid", fgColor="FF0000")  # a heading
    book.save(folder / "field.xlsx")
    (problem,) = read_trial(folder).problem_list
    assert problem.found == "7 coloured cells (line 3, 4, 5, 6, 7 and 2 more)"
    assert "colour is not read" in problem.remedy


def coloured(book: OpenDocument, name: str, colour: str | None, parent: str = "") -> str:
    """Add a style of cells, with a colour of its own or that of its parent."""
    style = Style(name=name, family="table-cell", **({"parentstylename": parent} if parent else {}))
    if colour is not None:
        style.addElement(TableCellProperties(backgroundcolor=colour))
    book.automaticstyles.addElement(style)
    return name


def test_colour_in_an_open_document(tmp_path: Path) -> None:
    """By the cell's style, that of its parent, of its row and of its column; by no other."""
    folder = make_trial(tmp_path)
    to_workbook(folder)
    as_ods(folder)
    book = load(folder / "field.ods")
    red = coloured(book, "red", "#ff0000")
    child = coloured(book, "child", None, parent="red")
    plain = coloured(book, "plain", "transparent")
    ours = coloured(book, "ours", "#FFF2CC")
    sheet = sheet_of(book, "samples")
    rows = sheet.getElementsByType(TableRow)
    for line, style in ((1, red), (3, red), (4, child), (6, plain), (7, ours)):
        rows[line - 1].getElementsByType(TableCell)[1].setAttribute("stylename", style)
    rows[8].setAttribute("defaultcellstylename", red)
    filled = [len(cell.childNodes) or bool(cell.getAttribute("valuetype"))
              for cell in rows[8].getElementsByType(TableCell)]  # fmt: skip
    book.save(str(folder / "field.ods"))
    (problem,) = read_trial(folder).problem_list
    assert problem.found == f"{2 + sum(map(bool, filled))} coloured cells (line 3, 4, 9)"
    assert "colour is not read" in problem.remedy

    column = TableColumn(defaultcellstylename=red)
    sheet.insertBefore(column, rows[0])
    book.save(str(folder / "field.ods"))
    (problem,) = read_trial(folder).problem_list
    # The first cell of every line below the heading has the colour of its column now.
    assert f"{2 + sum(map(bool, filled)) + len(rows) - 2} coloured cells" in problem.found
