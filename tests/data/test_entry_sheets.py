"""A report as a PDF: entry sheets with codes filled in, typed twice, compared, hashed."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Mapping
from pathlib import Path

import pytest
from report_files import SAMPLE, SAMPLES, Heading, found, laboratory, put, report
from report_files import trial_without_results as waiting

from silagetrial import cli
from silagetrial.data import read_trial, write_entry_sheets
from silagetrial.errors import UsageError

PDF = b"%PDF-1.4 invented\n%%EOF\n"
HEADINGS = (Heading("TM", "dm", "%"), Heading("Buttersäure", "butyric_acid", "g/kg TM"))
LAB = laboratory(
    HEADINGS, shape="analyte rows", sample=None, analyte="Parameter", decimal=",", separator=";",
    marks={"blank": "missing"},
)  # fmt: skip
TYPED = report("R1.pdf", typed=["R1-first.csv", "R1-second.csv"])


def fill(path: Path, cells: Mapping[tuple[str, str], str]) -> None:
    """Type into an entry sheet."""
    text = path.read_text(encoding="utf-8-sig")
    heading, *rows = csv.reader(io.StringIO(text), delimiter=";")
    for row in rows:
        for k, name in enumerate(heading[1:], start=1):
            row[k] = cells.get((row[0], name), "")
    lines = "".join(";".join(row) + "\n" for row in (heading, *rows))
    path.write_text(lines, encoding="utf-8-sig")


def typed(folder: Path, second: Mapping[tuple[str, str], str]) -> Path:
    """Return a trial with a report typed twice; `second` is what differs the second time."""
    put(waiting(folder), LAB)
    sheets = write_entry_sheets(folder, "North", number="R1")
    put(folder, LAB + TYPED, R1_pdf=PDF)
    first = {(name, "TM"): "35,0" for name in SAMPLES}
    first |= {(name, "Buttersäure"): f"{k},5" for k, name in enumerate(SAMPLES)}
    for sheet, more in zip(sheets, ({}, second), strict=True):
        fill(sheet, {**first, **more})
    return folder


def test_sheets_hold_the_codes_of_samples_without_results(tmp_path: Path) -> None:
    folder = put(waiting(tmp_path), LAB)
    first, second = write_entry_sheets(folder, "North", number="R1")
    assert first.read_bytes() == second.read_bytes()
    assert first.name == "R1-first.csv"
    lines = first.read_text(encoding="utf-8-sig").splitlines()
    assert lines == ["sample;TM;Buttersäure", *(f"{name};;" for name in sorted(SAMPLES))]


def test_what_was_typed_alike_is_read_and_the_pdf_hashed(tmp_path: Path) -> None:
    folder = typed(tmp_path, {(SAMPLES[0], "TM"): "35"})
    trial = read_trial(folder)
    assert found(trial) == []
    samples = trial.samples.set_index("sample").loc[list(SAMPLES)]
    assert samples["butyric_acid"].tolist() == [0.5, 1.5, 2.5, 3.5]
    assert samples["dm"].tolist() == [350.0] * 4
    told = trial.laboratory_results
    assert set(told["file"]) == {"R1.pdf"}
    assert set(told["sha256"]) == {hashlib.sha256(PDF).hexdigest()}
    assert set(trial.files) >= {
        f"laboratory_reports/{name}" for name in ("R1.pdf", "R1-first.csv", "R1-second.csv")
    }


def test_what_differs_is_a_problem_and_not_read(tmp_path: Path) -> None:
    folder = typed(tmp_path, {(SAMPLE, "Buttersäure"): "15"})
    trial = read_trial(folder)
    assert found(trial) == [
        f"sample {SAMPLE}: '1,5' here, '15' in line {sorted(SAMPLES).index(SAMPLE) + 2} of "
        "laboratory_reports/R1-second.csv"
    ]
    problem = trial.errors[0]
    assert (problem.file, problem.column) == ("laboratory_reports/R1-first.csv", "Buttersäure")
    assert problem.remedy == "look at the report and correct the sheet that is wrong"
    samples = trial.samples.set_index("sample")
    assert samples["butyric_acid"].notna().sum() == 3


@pytest.mark.parametrize(("sheet", "other"), [("first", "second"), ("second", "first")])
def test_a_line_in_one_sheet_only(sheet: str, other: str, tmp_path: Path) -> None:
    folder = typed(tmp_path, {})
    path = folder / "laboratory_reports" / f"R1-{other}.csv"
    lines = path.read_text(encoding="utf-8-sig").splitlines(keepends=True)
    kept = [line for line in lines if not line.startswith(SAMPLE)]
    path.write_text("".join(kept), encoding="utf-8-sig")
    said = [item for item in read_trial(folder).errors if f"not in the {other} entry" in item.found]
    assert len(said) == 2
    assert said[0].file == f"laboratory_reports/R1-{sheet}.csv"
    assert said[0].remedy == "type it into the other one as well"


def test_a_file_that_is_no_pdf(tmp_path: Path) -> None:
    folder = typed(tmp_path, {})
    (folder / "laboratory_reports" / "R1.pdf").write_bytes(b"a picture")
    (problem,) = read_trial(folder).errors
    assert (problem.found, problem.remedy) == ("a file that is no PDF", "put the PDF there")


@pytest.mark.parametrize(
    ("toml", "name", "number", "found", "remedy"),
    [
        (LAB, "South", "R1", "the laboratory 'South'", "columns laboratories.toml` lists its keys"),
        (LAB, "Nort", "R1", "the laboratory 'Nort'", "did you mean 'North'?"),
        (LAB, "North", "../R1", "the number '../R1'", "write - in place of other signs"),
        (LAB, "North", ".R1", "the number '.R1'", "write - in place of other signs"),
        (LAB.replace('"TM"', '"=TM"'), "North", "R1", "'=TM', which a spreadsheet takes for a",
         "a sheet of your own making"),
        ("", "North", "R1", "the laboratory 'North'", "add its section to laboratories.toml"),
    ],
)  # fmt: skip
def test_sheets_that_cannot_be_written(
    toml: str, name: str, number: str, found: str, remedy: str, tmp_path: Path
) -> None:
    folder = put(waiting(tmp_path), toml)
    with pytest.raises(UsageError) as caught:
        write_entry_sheets(folder, name, number=number)
    assert found in caught.value.found
    assert remedy in caught.value.remedy
    assert caught.value.expected
    assert list((folder / "laboratory_reports").iterdir()) == []


def test_a_sheet_is_never_overwritten(tmp_path: Path) -> None:
    folder = typed(tmp_path, {})
    for path in (folder / "laboratory_reports").glob("*.csv"):
        path.write_text("sample;TM\n", encoding="utf-8")
    with pytest.raises(UsageError) as caught:
        write_entry_sheets(folder, "North", number="R1")
    assert caught.value.found == "R1-first.csv, which is already there"
    assert caught.value.remedy == "type into it, move it away, or replace both sheets with --force"
    assert cli.main(["entry", str(folder), "North", "R1", "--force"]) == 0
    home = folder / "laboratory_reports"
    assert sorted(path.name for path in home.iterdir()) == [
        "R1-first.csv",
        "R1-second.csv",
        "R1.pdf",
    ]
    assert "sample;TM;Buttersäure" in (home / "R1-first.csv").read_text(encoding="utf-8")


def test_nothing_waits_for_results(tmp_path: Path) -> None:
    with pytest.raises(UsageError) as caught:
        write_entry_sheets(typed(tmp_path, {}), "North", number="R2")
    assert caught.value.found == "no sample without results that may have gone to North"
    assert "see the column laboratory" in caught.value.remedy


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = put(waiting(tmp_path), LAB)
    assert cli.main(["entry", str(folder), "North", "R1"]) == 0
    home = folder / "laboratory_reports"
    written = f"Entry sheets: {home / 'R1-first.csv'} and {home / 'R1-second.csv'}"
    assert capsys.readouterr().out.split() == written.split()
    assert len(list(home.iterdir())) == 2
