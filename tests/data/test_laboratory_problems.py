"""Every problem of laboratories.toml and of reports, with its file and words."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import pytest
from builders import read_cells, write_cells
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook
from report_files import (
    SAMPLE,
    SAMPLES,
    Heading,
    laboratory,
    put,
    report,
    section,
    trial_without_results,
)

from silagetrial.data import read_trial
from silagetrial.errors import DataProblems

BUTYRIC = Heading("BS", "butyric_acid", "g/kg DM")
NIR = Heading("BS", "butyric_acid", "g/kg DM", {"method": "NIR"})
DM = Heading("TM", "dm", "g/kg")
LAB = laboratory([BUTYRIC], separator=";")
GOOD = LAB + report()
CSV = f"Probe;BS\n{SAMPLE};8.4\n"
TOML, FILE = "laboratories.toml", "laboratory_reports/r.csv"


@dataclass(frozen=True)
class Case:
    """What is written, and the problem it must give."""

    toml: str
    text: str | bytes
    file: str
    line: int | None
    found: str
    remedy: str
    severity: str = "error"
    more: dict[str, str | bytes] = field(default_factory=dict)


def of_toml(toml: str, found: str, remedy: str, line: int | None = None) -> Case:
    return Case(toml, CSV, TOML, line, found, remedy)


def of_file(text: str | bytes, found: str, remedy: str, *, line: int | None = None,
            toml: str = GOOD, severity: str = "error") -> Case:  # fmt: skip
    return Case(toml, text, FILE, line, found, remedy, severity)


def lab(*headings: Heading, **keys: object) -> str:
    return laboratory(headings or [BUTYRIC], **{"separator": ";", **keys}) + report()


def twice(first: str, second: str, found: str, remedy: str, **keys: object) -> Case:
    toml = LAB + report("a.csv", number="A") + report("r.csv", number="B", **keys)
    return Case(toml, f"Probe;BS\n{second}\n", FILE, 2, found, remedy,
                more={"a_csv": f"Probe;BS\n{first}\n"})  # fmt: skip


IN_TOML = [
    of_toml("colour = 1\n" + GOOD, "'colour', which is not known here", "remove it", 1),
    of_toml(lab(colour="red"), "'colour', which is not known here", "remove it"),
    of_toml(lab(shape="sample row"), "shape = 'sample row'", "did you mean 'sample rows'?"),
    of_toml(lab(decimal=None), "no decimal in [laboratory]", "decimal ="),
    of_toml(lab(sample=None), "no sample, with sample rows", "add the line sample ="),
    of_toml(lab(shape="result rows", analyte="P"), "no value, with result rows", "value ="),
    of_toml(lab(shape="analyte rows"), "no analyte, with analyte rows", "analyte ="),
    of_toml(GOOD.replace("[[laboratory]]", "[laboratory]", 1).replace("[[laboratory.", "[[lab."),
            "one section [laboratory]", "write [[laboratory]] with two brackets", 1),
    of_toml("report = 1\n" + LAB, "one section [report]", "write [[report]]"),
    of_toml(LAB + GOOD, "the laboratory 'North' twice", "another name"),
    of_toml(laboratory([]) + report(), "no results", "add the sections"),
    of_toml(lab(DM, dm_basis=None), "a dry matter without its basis", "ask the laboratory"),
    of_toml(lab(Heading("N", "total_n", "% DM"), total_n=None), "nitrogen without saying from",
            "a dried sample has lost ammonia"),
    of_toml(lab(marks={"ND": "nothing"}), "'ND' = 'nothing'", "correct the meaning"),
    of_toml(lab(marks={"ND": "misssing"}), "'ND' = 'misssing'", "did you mean 'missing'?"),
    of_toml(lab(Heading("BS", "butyric", "% DM")), "is = 'butyric'", "did you mean 'butyric_acid'"),
    of_toml(lab(Heading("BS", "butyric_acid", "g/kg")), "the unit 'g/kg' for butyric_acid",
            "say on what: dry or fresh matter"),
    of_toml(lab(Heading("BS", "butyric_acid", "")), "no unit for butyric_acid", "names the unit"),
    of_toml(lab(Heading("BS", "butyric_acid", "oz DM")), "the unit 'oz DM' for butyric_acid",
            "the report names the unit"),
    of_toml(lab(Heading("BS", "butyric_acid", "% DM", {"limit_unit": "g"})),
            "the unit 'g' for butyric_acid", "the report names the unit"),
    of_toml(lab(Heading("pH", "pH", "g/kg")), "a unit for pH", "remove the line"),
    of_toml(lab(Heading("BS", "butyric_acid", "% DM", {"detection_limit": 0})),
            "a limit of 0 or less", "write the limit that the laboratory names"),
    of_toml(lab(BUTYRIC, Heading("S", "butyric_acids", "% DM")),
            "'S' and 'BS', which both give butyric_acid", "under not_read"),
    of_toml(lab(BUTYRIC, BUTYRIC), "'BS' and 'BS', which both give butyric_acid", "not_read"),
    of_toml(lab(Heading("BS", "butyric_acid", "% of total acids")),
            "'BS' in % of total acids and no heading with the total acids", "ask the laboratory"),
    of_toml(LAB + report(laboratory="Nort"), "the laboratory 'Nort'", "did you mean 'North'?"),
    of_toml(LAB + report(number=None), "no number in [report]", "number ="),
    of_toml(LAB + report("r.pdf"), "a PDF, which is not read", "silagetrial entry"),
    of_toml(LAB + report(typed=["a.csv", "b.csv"]), "typed files for 'r.csv'", "remove the line"),
    of_toml(GOOD + report("q.csv"), "the report 'R1' twice", "under supersedes"),
    of_toml(GOOD + report(number="R2"), "the file 'r.csv' twice", "remove one of the two"),
    of_toml(LAB + report(supersedes="R1"), "report 'R1', which corrects itself", "correct the"),
    of_toml(LAB + report(supersedes="R0"), "'R0', which is no report of North",
            "add the earlier report"),
]  # fmt: skip

IN_FILES = [
    of_file(b"Probe;BS\nBl\xe4tter;8.4\n", "a byte (0xe4) that is no UTF-8", "UTF-8", line=2),
    of_file(b"Probe;\x81S\n", "a byte (0x81) that is no Windows-1252", "correct encoding =",
            line=1, toml=lab(encoding="windows-1252")),
    of_file('Probe;BS\n"A;8.4\n', "text that is no CSV", "double quote", line=2),
    of_file("", "no heading", "correct heading_line = 1", line=1),
    of_file("Probe,BS\nA,1\n", "no heading 'Probe'", "or its heading_line or separator", line=1),
    of_file("Proben;BS\n", "no heading 'Probe'", "did you mean 'Proben'?", line=1),
    of_file(f"Probe;BS;BS\n{SAMPLE};1;2\n", "the heading 'BS' twice", "not_read", line=1),
    of_file(f"Probe;Bs\n{SAMPLE};8.4\n", "no 'BS'", "did you mean 'Bs'?", line=1),
    of_file(f"Probe;TM\n{SAMPLE};8.4\n", "no 'BS'", "where it was not ordered", line=1,
            severity="warning"),
    of_file(f"Probe;BS;Zink\n{SAMPLE};8.4;1\n", "'Zink', not known", "not_read", line=1,
            severity="warning"),
    of_file(f"Probe;BS\n{SAMPLE};8.4\n;5\n", "results without a sample code", "write it", line=3),
    of_file("Probe;BS\nA01-nett-60;8.4\n", "sample 'A01-nett-60', which is not in samples.csv",
            f"did you mean '{SAMPLE}'?", line=2),
    of_file("Probe;BS\nMittelwert;8.4\n", "sample 'Mittelwert', which is not in samples.csv",
            "name it under not_read", line=2),
    of_file(f"Probe;BS\n{SAMPLE};8,4\n", f"sample {SAMPLE}: '8,4', with a comma", "decimal mark",
            line=2),
    of_file(f"Probe;BS\n{SAMPLE};ND\n", f"sample {SAMPLE}: 'ND', whose meaning is not declared",
            "ask the laboratory", line=2),
    of_file(f"Probe;BS\n{SAMPLE};8.4\n{SAMPLE};8.6\n", f"sample {SAMPLE} again, first in line 2",
            'analysis = "replicates"', line=3),
    of_file(f"Probe;BS\n;g/kg TM\n{SAMPLE};8.4\n", "", "", toml=lab(unit_line=True),
            severity="none"),
    of_file(f"Probe;BS\n;% TM\n{SAMPLE};8.4\n", "the unit '% TM'", "as printed_unit", line=2,
            toml=lab(unit_line=True)),
    of_file(f"P;BS\nEinheit;\n{SAMPLE};8.4\n", "no unit", "as printed_unit", line=2,
            toml=lab(unit_line=True, sample="P")),
    of_file(f"Probe;BS\n{SAMPLE};2.94\n", f"sample {SAMPLE}: a result in g/kg fresh without the",
            "add it", line=2, toml=lab(Heading("BS", "butyric_acid", "g/kg FM"))),
    of_file(f"Probe;A\n{SAMPLE};2.94\n", f"sample {SAMPLE}: a result in g/kg DM without the total",
            "add it", line=2, toml=lab(Heading("A", "ammonia_n", "g/kg DM"))),
    of_file(f"Probe;BS;I\n{SAMPLE};1;2\n", f"sample {SAMPLE}: 1 g/kg DM of n- and iso-butyric",
            "it is butyric_acid", line=2,
            toml=lab(Heading("BS", "butyric_acids", "g/kg DM"),
                     Heading("I", "iso_butyric_acid", "g/kg DM"))),
    of_file(f"Probe;Y\n{SAMPLE};0\n", f"sample {SAMPLE}: '0', which has no logarithm",
            "what a count", line=2,
            toml=lab(Heading("Y", "yeasts", "cfu/g fresh"), marks={"0": "zero"})),
    of_file(f"Probe;TM\n{SAMPLE};<5\n", f"sample {SAMPLE}: '<5', dm below a limit",
            "correct the mark", line=2, toml=lab(DM)),
    of_file(f"Probe;BS\n{SAMPLE};840\n", "840 g/kg DM",
            "the unit of butyric_acid in laboratories.toml", line=2),
    of_file(f"Probe;TM\n{SAMPLE};35\n", "35 g/kg", "the unit of dm in laboratories.toml", line=2,
            toml=lab(DM)),
    of_file(f"Probe;BS\n{SAMPLE};84\n", "84 g/kg DM, an unusual result",
            "the unit of butyric_acid in laboratories.toml", line=2, severity="warning"),
    of_file(f"Probe;BS\n{SAMPLE};8.4\n", "butyric acid by near-infrared in 1 samples",
            "near-infrared is poor", toml=lab(NIR), severity="warning"),
    of_file(f"Probe;N\n{SAMPLE};9\n", "ammonia-N as a share of the total N of the dried sample",
            "its share reads too high", severity="warning",
            toml=lab(Heading("N", "ammonia_n", "% of total N"), total_n="dried")),
    of_file(f"Probe;N\n{SAMPLE};9\n", "ammonia-N as a share of the total N of no known sample",
            "its share reads too high", severity="warning",
            toml=lab(Heading("N", "ammonia_n", "% of total N"), total_n="not known")),
    of_file(f"Probe;BS\n{SAMPLE};9\n", "n- and iso-butyric acid together", "ask the laboratory",
            severity="warning", toml=lab(Heading("BS", "butyric_acids", "g/kg DM"))),
    twice(f"{SAMPLE};8.0", f"{SAMPLE};8.4",
          f"sample {SAMPLE}: butyric_acid in report B, and in report A (line 2 of",
          'supersedes = "A" where this report corrects'),
    Case(LAB + report("gone.csv") + report(number="R2"), CSV, "laboratory_reports/gone.csv", None,
         "no such file", "copy the report there"),
    Case(LAB + report("R.csv"), CSV, "laboratory_reports/R.csv", None, "no such file",
         "did you mean 'r.csv'?"),
    Case(LAB + report("../trial.toml"), CSV, "laboratory_reports/../trial.toml", None,
         "a name that leads out of the folder", "write its name alone"),
    Case(LAB + report("/etc/hostname"), CSV, "laboratory_reports//etc/hostname", None,
         "a name that leads out of the folder", "write its name alone"),
    Case(LAB + report("x.xlsx"), CSV, "laboratory_reports/x.xlsx", None,
         "a file that cannot be read as a workbook", "save it again", more={"x_xlsx": b"PK"}),
    Case(GOOD, CSV, "laboratory_reports/old.csv", None, "a file that laboratories.toml does not",
         "add the section", "warning", {"old_csv": CSV}),
]  # fmt: skip


@pytest.mark.parametrize("case", [*IN_TOML, *IN_FILES], ids=lambda case: case.found[:40])
def test_problem(case: Case, tmp_path: Path) -> None:
    folder = put(trial_without_results(tmp_path), case.toml, r_csv=case.text, **case.more)
    problems = read_trial(folder).problem_list
    if case.severity == "none":
        assert not [item for item in problems if item.severity == "error"]
        return
    said = [
        item
        for item in problems
        if (item.severity, item.file) == (case.severity, case.file) and case.found in item.found
    ]
    assert said, problems
    assert case.remedy in said[0].remedy
    assert said[0].expected
    assert case.line is None or said[0].line == case.line


def test_text_that_is_no_toml(tmp_path: Path) -> None:
    folder = put(trial_without_results(tmp_path), "a = \n", r_csv=CSV)
    with pytest.raises(DataProblems) as caught:
        read_trial(folder)
    assert caught.value.problems[0].file == TOML
    assert caught.value.problems[0].line == 1


def test_a_folder_of_reports_and_nothing_said_of_them(tmp_path: Path) -> None:
    folder = put(trial_without_results(tmp_path), GOOD, r_csv=CSV)
    (folder / TOML).unlink()
    (problem,) = (item for item in read_trial(folder).problem_list if item.file == TOML)
    assert problem.found == "a folder laboratory_reports and no laboratories.toml"
    assert "silagetrial columns laboratories.toml" in problem.remedy


def test_without_samples_no_code_is_called_unknown(tmp_path: Path) -> None:
    folder = put(trial_without_results(tmp_path), GOOD, r_csv=CSV)
    (folder / "samples.csv").unlink()
    trial = read_trial(folder)
    assert [item.file for item in trial.errors if "sample" in item.found] == []
    assert "samples.csv" in [item.file for item in trial.errors]


def test_a_link_out_of_the_folder_is_not_followed(tmp_path: Path) -> None:
    folder = put(trial_without_results(tmp_path / "trial"), GOOD, q_csv=CSV)
    outside = tmp_path / "secret.csv"
    outside.write_text(CSV, encoding="utf-8")
    (folder / "laboratory_reports" / "r.csv").symlink_to(outside)
    trial = read_trial(folder)
    assert "a name that leads out of the folder" in [item.found for item in trial.problem_list]
    assert len(trial.laboratory_results) == 0
    assert FILE not in trial.files


def test_a_large_file_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("silagetrial.data.laboratory.grid.LARGEST_FILE", 10)
    folder = put(trial_without_results(tmp_path), GOOD, r_csv=CSV)
    (problem,) = (item for item in read_trial(folder).problem_list if item.file == FILE)
    assert "a file of 0 MB" in problem.found
    assert "take pictures" in problem.remedy


def test_a_sheet_that_is_not_there(tmp_path: Path) -> None:
    (folder := trial_without_results(tmp_path)).joinpath("laboratory_reports").mkdir()
    frame = read_cells(folder / "samples.csv")
    import_book(folder / "laboratory_reports" / "x.xlsx", frame)
    put(folder, lab(sheet="Ergebnis").replace("r.csv", "x.xlsx"))
    said = [item for item in read_trial(folder).problem_list if "no sheet" in item.found]
    assert said[0].found == "no sheet 'Ergebnis'"
    assert said[0].remedy == "did you mean 'Ergebnisse'? If not, correct sheet = in " + TOML


def import_book(path: Path, rows: Sequence[dict[str, str]]) -> None:
    book = Workbook()
    assert book.active is not None
    book.active.title = "Ergebnisse"
    for row in rows:
        book.active.append(list(row.values()))
    book.save(path)


def test_a_formula_without_a_value_is_no_empty_cell(tmp_path: Path) -> None:
    (folder := trial_without_results(tmp_path)).joinpath("laboratory_reports").mkdir()
    path = folder / "laboratory_reports" / "x.xlsx"
    import_book(path, [{"a": "Probe", "b": "BS"}, {"a": SAMPLE, "b": "=4.2*2"}])
    put(folder, lab(marks={"blank": "missing"}).replace("r.csv", "x.xlsx"))
    said = [item for item in read_trial(folder).errors if item.file.endswith("x.xlsx")]
    assert [item.found for item in said] == ["a formula without a value"]
    assert said[0].line == 2
    assert "save the workbook from the spreadsheet" in said[0].remedy


def edited(column: str, value: str) -> Callable[[Path], None]:
    def edit(folder: Path) -> None:
        rows = read_cells(folder / "samples.csv")
        for row in rows:
            row.setdefault(column, "")
            if row["sample"] == SAMPLE:
                row[column] = value
        write_cells(folder / "samples.csv", rows)

    return edit


@pytest.mark.parametrize(
    ("column", "value", "found"),
    [
        ("butyric_acid", "8.5", "butyric_acid 8.4 in the report, 8.5 in line"),
        ("butyric_acid", "<0.3", "butyric_acid 8.4 in the report, <0.3 in line"),
        ("batch", "2", "batch '1' by the report, '2' in line"),
        ("laboratory", "South", "laboratory 'North' by the report, 'South' in line"),
        ("method", "HPLC", "method 'GC' by the report, 'HPLC' in line"),
        ("report", "R9", "report 'R1' by the report, 'R9' in line"),
    ],
)
def test_samples_and_report_contradict(column: str, value: str, found: str, tmp_path: Path) -> None:
    folder = put(trial_without_results(tmp_path), lab(method="GC"), r_csv=CSV)
    edited(column, value)(folder)
    said = [item for item in read_trial(folder).problem_list if item.file == FILE]
    assert [item.severity for item in said] == ["error"]
    assert f"sample {SAMPLE}: {found}" in said[0].found
    assert "samples" in said[0].remedy


def test_butyric_acids_of_two_kinds_are_not_compared(tmp_path: Path) -> None:
    toml = LAB + report("a.csv", number="A", batch=None)
    other = Heading("BS", "butyric_acids", "g/kg DM")
    toml += laboratory([other], separator=";", name="South") + report(laboratory="South")
    texts = {"a_csv": f"Probe;BS\n{SAMPLES[0]};8\n", "r_csv": f"Probe;BS\n{SAMPLES[1]};8\n"}
    said = [item for item in read_trial(
        put(trial_without_results(tmp_path), toml, **texts)).problem_list if item.file == TOML
    ]  # fmt: skip
    assert said[0].found == (
        "n-butyric acid in report A, together with iso-butyric acid in report R1"
    )
    assert "ask the laboratory" in said[0].remedy


@settings(
    max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(content=st.binary(max_size=200) | st.text(max_size=200).map(str.encode))
@pytest.mark.slow
def test_any_report_is_read_or_refused_in_words(
    content: bytes, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = FUZZED.setdefault("folder", trial_without_results(tmp_path_factory.mktemp("fuzz")))
    put(folder, GOOD, r_csv=content)
    for problem in read_trial(folder).problem_list:
        assert problem.found
        assert problem.remedy


FUZZED: dict[str, Path] = {}


@settings(max_examples=100, deadline=None)
@given(
    keys=st.dictionaries(
        st.sampled_from(["name", "shape", "sample", "decimal", "marks", "result", "x", "not_read"]),
        st.one_of(st.integers(), st.booleans(), st.text(max_size=5), st.just(["a"]),
                  st.sampled_from(["sample rows", ".", "result rows"])),
        max_size=6,
    )
)  # fmt: skip
@pytest.mark.slow
def test_any_toml_is_read_or_refused_in_words(
    keys: dict[str, object], tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = FUZZED.setdefault("folder", trial_without_results(tmp_path_factory.mktemp("fuzz")))
    safe = {name: repr(v).replace("'", "") if isinstance(v, str) else v for name, v in keys.items()}
    quoted = {n: v if not isinstance(v, str) else v.replace("\\", "").replace('"', "")
              for n, v in safe.items()}  # fmt: skip
    put(folder, section("laboratory", quoted) + report(), r_csv=CSV)
    assert read_trial(folder).errors
