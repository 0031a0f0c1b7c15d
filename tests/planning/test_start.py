"""An empty trial reads back clean, explains every column, and takes what is filled in."""

from __future__ import annotations

from pathlib import Path

import pytest
from builders import make_trial, read_cells
from openpyxl import load_workbook

from silagetrial import cli, start_trial
from silagetrial.data import TABLES, read_trial
from silagetrial.data.cells import CellFault, parse_cell
from silagetrial.data.examples import example_of
from silagetrial.errors import UsageError


@pytest.mark.parametrize("workbook", [False, True])
def test_an_empty_trial_reads_back_clean(workbook: bool, tmp_path: Path) -> None:
    written = start_trial(tmp_path / "new", workbook=workbook)
    assert all(path.is_file() for path in written)
    trial = read_trial(tmp_path / "new")
    assert trial.problem_list == ()
    for table, columns in TABLES.items():
        frame = getattr(trial, table)
        assert len(frame) == 0
        assert {column.name for column in columns} <= {*frame.columns}


def test_every_example_can_be_read() -> None:
    for table, columns in TABLES.items():
        for column in columns:
            read = parse_cell(example_of(column), column)
            assert not isinstance(read, CellFault), (table, column.name)


def test_every_column_is_explained(tmp_path: Path) -> None:
    start_trial(tmp_path / "folder")
    start_trial(tmp_path / "book", workbook=True)
    text = (tmp_path / "folder" / "columns.txt").read_text(encoding="utf-8")
    sheet = load_workbook(tmp_path / "book" / "trial.xlsx")["columns"]
    rows = {(str(r[0]), str(r[1])): r for r in sheet.iter_rows(min_row=2, values_only=True)}
    assert len(rows) == sum(map(len, TABLES.values()))
    for table, columns in TABLES.items():
        for column in columns:
            assert f"  {column.name} (" in text
            assert column.description in text
            row = rows[table, column.name]
            assert row[3] == column.description
            assert row[6] == example_of(column)
    assert rows["samples", "lactic_acid"][4] == "g/kg DM"
    assert rows["bales", "film_kg"][4] == "kg"


def test_what_is_filled_in_is_read(tmp_path: Path) -> None:
    start_trial(tmp_path / "new", workbook=True)
    filled = make_trial(tmp_path / "filled", pairs=2)
    book = load_workbook(tmp_path / "new" / "trial.xlsx")
    for table in ("bales", "samples", "weighings", "scales"):
        sheet = book[table]
        heading = [cell.value for cell in sheet[1]]
        for k, row in enumerate(read_cells(filled / f"{table}.csv"), start=2):
            for name, text in row.items():
                sheet.cell(k, heading.index(name) + 1).value = text or None
    book.save(tmp_path / "new" / "trial.xlsx")
    settings = (filled / "trial.toml").read_text(encoding="utf-8")
    (tmp_path / "new" / "trial.toml").write_text(settings, encoding="utf-8")
    new, old = read_trial(tmp_path / "new"), read_trial(filled)
    assert new.problem_list == ()
    assert new.samples.reset_index(drop=True).equals(old.samples.reset_index(drop=True))


def test_lists_of_words_are_offered(tmp_path: Path) -> None:
    start_trial(tmp_path / "new", workbook=True)
    book = load_workbook(tmp_path / "new" / "trial.xlsx")
    sheet = book["samples"]
    column = next(c.column_letter for c in sheet[1] if c.value == "kind")
    rule = next(r for r in sheet.data_validations.dataValidation if f"{column}2" in r.sqref)
    assert rule.type == "list"
    where = rule.formula1.removeprefix("lists!").replace("$", "")
    assert [cell[0].value for cell in book["lists"][where]] == ["day0", "core", "opening"]
    assert book["bales"].column_dimensions["A"].width > 0
    assert book["bales"]["A2"].number_format == "@"  # 3-4 stays a name


@pytest.mark.parametrize("there", ["file", "full"])
def test_nothing_is_written_over(there: str, tmp_path: Path) -> None:
    place = tmp_path / "there"
    if there == "file":
        place.write_text("mine", encoding="utf-8")
    else:
        make_trial(place)
    before = sorted(path.name for path in tmp_path.rglob("*"))
    with pytest.raises(UsageError) as caught:
        start_trial(place)
    assert caught.value.found == f"{place} is there and not an empty folder"
    assert caught.value.expected == "a folder that is new or empty"
    assert "nothing is ever written over a trial" in caught.value.remedy
    assert sorted(path.name for path in tmp_path.rglob("*")) == before


def test_start_as_a_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["start", str(tmp_path / "new")]) == 0
    shown = capsys.readouterr().out
    assert f"{tmp_path / 'new' / 'bales.csv'}\n" in shown
    assert "Fill in trial.toml first" in shown
    assert cli.main(["check", str(tmp_path / "new")]) == 0
    assert cli.main(["start", str(tmp_path / "new")]) == 2
