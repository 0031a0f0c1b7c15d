"""An empty trial reads back clean, explains every column, and takes what is filled in."""

from __future__ import annotations

import shutil
from pathlib import Path

import pytest
from builders import make_trial, read_cells
from openpyxl import load_workbook

from silagetrial import cli, start_trial
from silagetrial.data import TABLES, read_trial
from silagetrial.data.cells import CellFault, parse_cell
from silagetrial.data.examples import example_of
from silagetrial.errors import UsageError

pytestmark = pytest.mark.slow

PLACES = ["title", "question", "bindings.compare", "bindings.reference", "analysis.contrast"]


@pytest.fixture(scope="module")
def empty_book(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """An empty trial with a workbook, written once; to be copied before it is changed."""
    place = tmp_path_factory.mktemp("empty") / "book"
    start_trial(place, workbook=True)
    return place


@pytest.mark.parametrize("workbook", [False, True])
def test_an_empty_trial_reads_back_clean(workbook: bool, tmp_path: Path) -> None:
    written = start_trial(tmp_path / "new", workbook=workbook)
    assert all(path.is_file() for path in written)
    trial = read_trial(tmp_path / "new")
    assert trial.errors == ()
    assert [item.column for item in trial.problem_list] == PLACES
    for table, columns in TABLES.items():
        frame = getattr(trial, table)
        assert len(frame) == 0
        assert {column.name for column in columns} <= {*frame.columns}


def test_names_never_filled_in_are_errors_once_there_are_data(tmp_path: Path) -> None:
    """One problem for each key, with what to write; the bales are not measured by them."""
    filled = make_trial(tmp_path / "filled", pairs=2)
    start_trial(tmp_path / "new")
    text = (tmp_path / "new" / "trial.toml").read_text(encoding="utf-8")
    own = (filled / "trial.toml").read_text(encoding="utf-8")
    for name in ("title", "compare", "reference", "contrast"):
        mine, empty = (next(line for line in file.splitlines() if line.startswith(name))
                       for file in (own, text))  # fmt: skip
        own = own.replace(mine, empty)
    (filled / "trial.toml").write_text(own, encoding="utf-8")
    found = read_trial(filled).problem_list
    assert [item.column for item in found] == [PLACES[0], *PLACES[2:]]
    assert {item.severity for item in found} == {"error"}
    assert {item.file for item in found} == {"trial.toml"}
    lines = own.splitlines()
    for item in found:
        assert item.line is not None
        assert lines[item.line - 1].startswith(str(item.column).split(".")[-1])
        assert item.found.endswith(", as the empty trial has it")
    assert [item.remedy for item in found] == [
        'write what was tried and where, such as title = "Net or film on three farms"',
        'write them as in bales, such as compare = ["film", "net"]',
        'write reference = "film"',
        'write contrast = ["net", "film"]',
    ]
    assert cli.main(["report", str(filled), "--out", str(tmp_path / "out")]) == 3


def test_one_binding_never_named_is_enough(tmp_path: Path) -> None:
    filled = make_trial(tmp_path, pairs=2)
    text = (filled / "trial.toml").read_text(encoding="utf-8")
    text = text.replace('compare = ["net", "film"]', 'compare = ["net", "binding B"]')
    (filled / "trial.toml").write_text(text, encoding="utf-8")
    (problem,) = read_trial(filled).errors
    assert problem.column == "bindings.compare"


def test_every_example_can_be_read() -> None:
    for table, columns in TABLES.items():
        for column in columns:
            read = parse_cell(example_of(column), column)
            assert not isinstance(read, CellFault), (table, column.name)


def test_every_column_is_explained(tmp_path: Path, empty_book: Path) -> None:
    start_trial(tmp_path / "folder")
    text = (tmp_path / "folder" / "columns.txt").read_text(encoding="utf-8")
    sheet = load_workbook(empty_book / "trial.xlsx")["columns"]
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


def test_what_is_filled_in_is_read(tmp_path: Path, empty_book: Path) -> None:
    shutil.copytree(empty_book, tmp_path / "new")
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


def test_lists_of_words_are_offered(empty_book: Path) -> None:
    book = load_workbook(empty_book / "trial.xlsx")
    sheet = book["samples"]
    column = next(c.column_letter for c in sheet[1] if c.value == "kind")
    rule = next(r for r in sheet.data_validations.dataValidation if f"{column}2" in r.sqref)
    assert rule.type == "list"
    where = rule.formula1.removeprefix("lists!").replace("$", "")
    assert [cell[0].value for cell in book["lists"][where]] == ["day0", "core", "opening"]
    assert book["bales"].column_dimensions["A"].width > 0
    assert book["bales"]["A2"].number_format == "@"  # 3-4 stays a name


def test_names_that_trial_toml_is_yet_to_say_are_offered_as_typed(tmp_path: Path) -> None:
    start_trial(tmp_path / "new", workbook=True)
    path = tmp_path / "new" / "trial.xlsx"
    book = load_workbook(path)
    for table, name, heading in (
        ("bales", "binding", "bindings"),
        ("samples", "binding_seen", "bindings"),
        ("bales", "planned_opening", "openings"),
        ("weighings", "planned_opening", "openings"),
    ):
        sheet = book[table]
        column = next(c.column_letter for c in sheet[1] if c.value == name)
        rule = next(r for r in sheet.data_validations.dataValidation if f"{column}2" in r.sqref)
        assert not rule.showErrorMessage, "what was not typed there is let pass"
        cells = book["names"][rule.formula1.removeprefix("names!").replace("$", "")]
        assert [cell[0].value for cell in cells] == [None] * 12
        assert book["names"].cell(1, cells[0][0].column).value == f"{heading}, as in trial.toml"
    shown = [str(v) for s in book for row in s.iter_rows(values_only=True) for v in row if v]
    assert [text for text in shown if "binding A" in text or "8 months" in text] == []
    book["names"]["A2"] = "net"
    book.save(path)
    assert not read_trial(tmp_path / "new").errors, "the sheet is for people"


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
    assert "only --force writes over one" in caught.value.remedy
    assert sorted(path.name for path in tmp_path.rglob("*")) == before


def test_a_folder_is_replaced_by_force(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    place = tmp_path / "there"
    place.mkdir()
    (place / "notes.txt").write_text("mine", encoding="utf-8")
    (tmp_path / "beside.txt").write_text("mine", encoding="utf-8")
    assert cli.main(["start", str(place), "--workbook", "--force"]) == 0
    assert capsys.readouterr().out.startswith("Replaced, and gone: notes.txt\n")
    assert sorted(path.name for path in place.iterdir()) == ["trial.toml", "trial.xlsx"]
    assert sorted(path.name for path in tmp_path.iterdir()) == ["beside.txt", "there"]


@pytest.mark.parametrize(
    ("option", "name", "then"),
    [
        ("--demo", "three_farms", "Make the report: silagetrial report {0} --out {1}"),
        ("--plan", "plan_two_farms", "See what the trial could find: silagetrial power {0}"),
    ],
)
def test_the_demonstration_is_copied(
    option: str, name: str, then: str, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / "demo"
    assert cli.main(["start", str(folder), option]) == 0
    shown = capsys.readouterr().out
    assert "is invented" in shown
    assert shown.endswith(then.format(folder, tmp_path / "report") + "\n")
    source = Path(__file__).parents[2] / "data_demo" / name
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == {
        p.name: p.read_bytes() for p in source.iterdir()
    }
    assert cli.main(["start", str(folder), option]) == 2


def test_the_report_of_a_demonstration_goes_beside_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.chdir(tmp_path)
    assert cli.main(["start", ".", "--demo"]) == 0
    assert capsys.readouterr().out.endswith("silagetrial report . --out ../report\n")
    assert (tmp_path / "bales.csv").is_file()


def test_start_as_a_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert cli.main(["start", str(tmp_path / "new")]) == 0
    shown = capsys.readouterr().out
    assert f"{tmp_path / 'new' / 'bales.csv'}\n" in shown
    assert "Fill in trial.toml first" in shown
    assert cli.main(["check", str(tmp_path / "new")]) == 0
    assert cli.main(["start", str(tmp_path / "new")]) == 2
