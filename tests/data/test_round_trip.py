"""A trial keeps what it holds on the way from folder to workbook and back; other tools read it."""

from __future__ import annotations

import csv
import json
import logging
from pathlib import Path
from shutil import copytree

import pytest
from builders import make_trial
from frictionless import validate
from openpyxl import load_workbook
from problem_case import cell, parts
from workbooks import same_trial, to_workbook

from silagetrial import start_trial
from silagetrial.data import TABLES, datapackage, read_trial
from silagetrial.data.open_workbook import cell_text

DEMO = Path(__file__).parents[2] / "data_demo"


def to_folder(folder: Path) -> None:
    """Put the sheets of field.xlsx into CSV files."""
    book = load_workbook(folder / "field.xlsx", data_only=True)
    for sheet in book.worksheets:
        if sheet.title in TABLES:
            with (folder / f"{sheet.title}.csv").open("w", newline="", encoding="utf-8") as file:
                rows = sheet.iter_rows(values_only=True)
                csv.writer(file).writerows([cell_text(value) for value in row] for row in rows)
    (folder / "field.xlsx").unlink()


@pytest.mark.parametrize("name", ["three_farms", "cored_bales"])
def test_demo_to_workbook_to_folder_to_workbook(name: str, tmp_path: Path) -> None:
    kept, folder = copytree(DEMO / name, tmp_path / "kept"), copytree(DEMO / name, tmp_path / "way")
    to_workbook(folder)
    same_trial(kept, folder)
    to_folder(folder)
    same_trial(kept, folder)
    to_workbook(folder)
    same_trial(kept, folder)


def package(folder: Path) -> Path:
    """Write the description of the tables that are in a folder."""
    headings = {}
    for table in TABLES:
        if (folder / f"{table}.csv").is_file():
            with (folder / f"{table}.csv").open(newline="", encoding="utf-8") as file:
                headings[table] = next(csv.reader(file))
    path = folder / "datapackage.json"
    path.write_text(json.dumps(datapackage(headings=headings)), encoding="utf-8")
    return path


def complaints(path: Path) -> list[str]:
    logging.getLogger("frictionless").setLevel(logging.ERROR)
    report = validate(str(path))
    return [error.message for task in report.tasks for error in task.errors] + [
        error.message for error in report.errors
    ]


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("name", ["three_farms", "cored_bales"])
def test_frictionless_finds_the_demo_valid(name: str, tmp_path: Path) -> None:
    assert complaints(package(copytree(DEMO / name, tmp_path / name))) == []


@pytest.mark.filterwarnings("ignore")
def test_frictionless_finds_an_empty_trial_valid(tmp_path: Path) -> None:
    start_trial(tmp_path / "new")
    assert complaints(tmp_path / "new" / "datapackage.json") == []


@pytest.mark.filterwarnings("ignore")
def test_frictionless_finds_faults_that_the_reader_finds(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    parts(("A01-net-60", "A01-net"), ("A01-net-60", "A99-net"))(folder)
    cell("samples", "A01-film-60", "butyric_acid", "0,3")(folder)
    cell("bales", "A02-net", "bale", "A02-film")(folder)
    found = " ".join(complaints(package(folder)))
    assert "A99-net" in found
    assert "0,3" in found
    assert "violates the primary key" in found
    assert len(read_trial(folder).errors) >= 3
