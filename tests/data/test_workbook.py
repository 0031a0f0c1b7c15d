"""One workbook in place of CSV files: the same tables give the same trial."""

from __future__ import annotations

import datetime as dt
import re
import zipfile
from pathlib import Path

import pytest
from builders import make_trial, read_cells
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import load_workbook
from pandas.testing import assert_frame_equal
from workbooks import problems_of, same_trial, to_workbook

from silagetrial.data import TABLES, read_trial
from silagetrial.data.cells import Value, parse_cell
from silagetrial.data.open_workbook import LARGEST_UNPACKED, cell_text
from silagetrial.data.workbook import find_workbook
from silagetrial.errors import DataProblems


@pytest.mark.parametrize("typing", [True, False])
@pytest.mark.parametrize("design", ["separate", "recored"])
def test_a_workbook_is_read_as_its_csv_files_are(design: str, typing: bool, tmp_path: Path) -> None:
    for name in ("csv", "book"):
        make_trial(tmp_path / name, design=design)
    to_workbook(tmp_path / "book", typing=typing)
    assert {path.name for path in (tmp_path / "book").iterdir()} == {"trial.toml", "field.xlsx"}
    same_trial(tmp_path / "csv", tmp_path / "book")
    assert read_trial(tmp_path / "book").files == ("trial.toml", "field.xlsx")


@pytest.mark.parametrize("declared", [True, False])
def test_numbers_of_a_workbook_have_no_decimal_mark(declared: bool, tmp_path: Path) -> None:
    """A spreadsheet shows 1,8 and holds a number; only its texts, as <0,3, have a mark."""
    for name in ("csv", "book"):
        make_trial(tmp_path / name, limit=2.5)
    to_workbook(tmp_path / "book", typing=True)
    path = tmp_path / "book" / "field.xlsx"
    book = load_workbook(path)
    limits = 0
    for cell in (cell for row in book["samples"].iter_rows() for cell in row):
        if isinstance(cell.value, str) and re.fullmatch(r"<\d*\.\d+", cell.value):
            cell.value, limits = cell.value.replace(".", ","), limits + 1
    assert limits
    book.save(path)
    if declared:
        for name in ("csv", "book"):
            settings_file = tmp_path / name / "trial.toml"
            text = settings_file.read_text(encoding="utf-8")
            mark = "," if name == "book" else "."
            settings_file.write_text(f'{text}\n[files]\ndecimal = "{mark}"\n', encoding="utf-8")
    csv, read = read_trial(tmp_path / "csv"), read_trial(tmp_path / "book")
    assert not read.errors
    for table in TABLES:
        assert_frame_equal(getattr(read, table), getattr(csv, table))


def test_some_tables_in_the_workbook_and_others_beside_it(tmp_path: Path) -> None:
    for name in ("csv", "book"):
        make_trial(tmp_path / name)
    to_workbook(tmp_path / "book", tables=("bales", "weighings"))
    same_trial(tmp_path / "csv", tmp_path / "book")
    files = ("trial.toml", "samples.csv", "scales.csv", "field.xlsx")
    assert read_trial(tmp_path / "book").files == files


CELL = st.sampled_from(
    ["", "0", "12", "-1", "0.1", "1e-05", "<0.3", "A01-net", "2025-06-01",
     "2025-06-01 10:31", "lost", "x y"]
) | st.text(st.characters(min_codepoint=32, max_codepoint=0x2FF), max_size=6)  # fmt: skip


@settings(max_examples=40, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
@pytest.mark.slow
def test_any_cells_are_read_alike(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    base = tmp_path_factory.mktemp("alike")
    table = data.draw(st.sampled_from(["bales", "samples", "weighings", "scales"]))
    changes: list[tuple[int, str, str]] = []
    for name in ("csv", "book"):
        folder = make_trial(base / name, pairs=1, sites=2)
        rows = read_cells(folder / f"{table}.csv")
        if not changes:
            changes = [
                (
                    data.draw(st.integers(0, len(rows) - 1)),
                    data.draw(st.sampled_from(list(rows[0]))),
                    data.draw(CELL).strip(),
                )
                for _ in range(3)
            ]
        for k, column, text in changes:
            rows[k][column] = text
        lines = [",".join(rows[0])]
        lines += [",".join('"' + v.replace('"', '""') + '"' for v in row.values()) for row in rows]
        (folder / f"{table}.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    to_workbook(base / "book", typing=False)
    same_trial(base / "csv", base / "book")


@given(st.floats(-1e9, 1e9) | st.integers(-(10**9), 10**9))
def test_numbers_keep_their_value(number: float) -> None:
    column = next(c for c in TABLES["scales"] if c.name == "step")
    read = parse_cell(cell_text(number), column)
    assert isinstance(read, Value)
    assert read.value == number


@given(st.datetimes(dt.datetime(1951, 1, 1), dt.datetime(2199, 1, 1)))
def test_times_keep_their_second(when: dt.datetime) -> None:
    column = next(c for c in TABLES["bales"] if c.name == "baled_at")
    read = parse_cell(cell_text(when), column)
    assert isinstance(read, Value)
    assert isinstance(read.value, dt.datetime)
    assert abs(read.value - when) <= dt.timedelta(milliseconds=500)


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (12.0, "12"), (0.1, "0.1"), (1e-5, "1e-05"), (True, "yes"), (False, "no"), (None, ""),
        (" a ", "a"), (dt.date(2026, 5, 31), "2026-05-31"), (dt.time(10, 30), "10:30:00"),
        (dt.datetime(2026, 5, 31), "2026-05-31"),
        (dt.datetime(2026, 5, 31, 10, 31), "2026-05-31 10:31"),
        (dt.datetime(2026, 5, 31, 10, 30, 59, 999000), "2026-05-31 10:31"),
        (dt.datetime(2026, 5, 31, 10, 31, 7), "2026-05-31 10:31:07"),
    ],
)  # fmt: skip
def test_a_cell_as_text(value: object, text: str) -> None:
    assert cell_text(value) == text


def test_lines_are_rows_of_the_sheet(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    to_workbook(folder)
    book = load_workbook(folder / "field.xlsx")
    sheet = book["weighings"]
    sheet.insert_rows(2, 3)  # blank rows between heading and rows
    gross = next(c.column for c in sheet[1] if c.value == "gross")
    sheet.cell(7, gross).value = "6o0"
    book.save(folder / "field.xlsx")
    (problem,) = read_trial(folder).errors
    where = (problem.file, problem.line, problem.column)
    assert where == ("field.xlsx, sheet weighings", 7, "gross")


@pytest.mark.parametrize("table", ["bales", "samples"])
def test_a_sheet_of_a_heading_alone_has_no_rows(table: str, tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    to_workbook(folder)
    book = load_workbook(folder / "field.xlsx")
    book[table].delete_rows(2, book[table].max_row)
    book.save(folder / "field.xlsx")
    trial = read_trial(folder)
    assert len(getattr(trial, table)) == 0
    assert not [item for item in trial.errors if item.file.endswith(table)]


def test_an_error_of_the_spreadsheet_is_no_blank_cell(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    to_workbook(folder)
    # As a spreadsheet saves it: the formula with its value, an error.
    with zipfile.ZipFile(folder / "field.xlsx") as packed:
        parts = {name: packed.read(name) for name in packed.namelist()}
    name = next(n for n, part in parts.items() if b'<c r="B4"><f>1/0</f>' in part)
    parts[name] = parts[name].replace(b'<c r="B4">', b'<c r="B4" t="e">').replace(
        b"<v></v>", b"<v>#DIV/0!</v>"
    ).replace(b"<v />", b"<v>#DIV/0!</v>").replace(b"<v/>", b"<v>#DIV/0!</v>")  # fmt: skip
    book = load_workbook(folder / "field.xlsx")
    place = book.sheetnames.index("weighings") + 1
    old, new = parts[f"xl/worksheets/sheet{place}.xml"], b'<c r="G3" t="e"><v>#DIV/0!</v></c>'
    column = next(c.column_letter for c in book["weighings"][1] if c.value == "gross")
    new = new.replace(b"G3", f"{column}3".encode())
    changed = re.sub(rf'<c r="{column}3"[^>]*>.*?</c>'.encode(), new, old)
    assert changed != old
    parts[f"xl/worksheets/sheet{place}.xml"] = changed
    with zipfile.ZipFile(folder / "field.xlsx", "w") as packed:
        for part, content in parts.items():
            packed.writestr(part, content)
    errors = read_trial(folder).errors
    assert ("#DIV/0!, an error of the spreadsheet", 3) in [(e.found, e.line) for e in errors]
    # Elsewhere, on a sheet that is no table, such a cell is nobody's business.
    assert not any(e.line == 4 and "DIV" in e.found for e in errors)


def test_a_lock_file_is_no_workbook(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    (folder / "~$field.xlsx").write_bytes(b"owner")
    assert read_trial(folder).problem_list == ()


def test_no_bales_in_any_place(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    to_workbook(folder, tables=("samples",))
    (folder / "bales.csv").unlink()
    with pytest.raises(DataProblems) as caught:
        read_trial(folder)
    (problem,) = caught.value.problems
    assert problem.file == "bales.csv"
    assert "or a sheet of this name in the workbook" in problem.remedy


def test_a_workbook_that_would_fill_the_memory_is_not_unpacked(tmp_path: Path) -> None:
    path = tmp_path / "big.xlsx"
    with zipfile.ZipFile(path, "w", zipfile.ZIP_DEFLATED) as packed:
        packed.writestr("xl/worksheets/sheet1.xml", b" " * (LARGEST_UNPACKED + 1))
    workbook, (problem,) = find_workbook(tmp_path)
    assert workbook is None
    assert problem.found == "a workbook that unpacks to 200 MB"
    assert problem.remedy == "take pictures and other sheets out of it"


@settings(max_examples=60, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
@pytest.mark.slow
def test_a_damaged_workbook_ends_in_words(
    tmp_path_factory: pytest.TempPathFactory, data: st.DataObject
) -> None:
    folder = make_trial(tmp_path_factory.mktemp("damaged"), pairs=1, sites=1)
    to_workbook(folder)
    content = bytearray((folder / "field.xlsx").read_bytes())
    for _ in range(data.draw(st.integers(0, 5))):
        content[int(data.draw(st.floats(0, 1)) * (len(content) - 1))] = data.draw(
            st.integers(0, 255)
        )
    kept = data.draw(st.sampled_from([1.0, 1.0, 0.999, 0.5, 0.01]))
    (folder / "field.xlsx").write_bytes(bytes(content[: int(kept * len(content))]))
    assert all(problem.remedy for problem in problems_of(folder))
