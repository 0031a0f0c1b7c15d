"""Laboratory reports through the whole reading: shapes, units, limits, joins, what is in use."""

from __future__ import annotations

import csv
import hashlib
import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest
from builders import read_cells, write_cells
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook
from openpyxl.styles import PatternFill
from report_files import (
    SAMPLE,
    SAMPLES,
    Heading,
    found,
    laboratory,
    one_sample,
    put,
    report,
    trial_without_results,
)

from silagetrial.data import read_trial
from silagetrial.data.laboratory.told import RESULT_COLUMNS

DM = Heading("TM", "dm", "g/kg")
BUTYRIC = Heading("BS", "butyric_acid", "g/kg DM", {"detection_limit": 0.3})
Table = Mapping[str, Sequence[float]]
GERMAN = {"decimal": ",", "separator": ";"}


def as_rows(table: Table, decimal: str) -> list[list[str]]:
    """Return sample, heading and value of a table as the laboratory writes them."""
    return [
        [sample, heading, repr(value).replace(".", decimal)]
        for heading, values in table.items()
        for sample, value in zip(SAMPLES, values, strict=True)
    ]


def in_shape(table: Table, shape: str, decimal: str, separator: str) -> str:
    """Return a report of the table."""
    rows = as_rows(table, decimal)
    cells = {(sample, heading): text for sample, heading, text in rows}
    lines = {
        "sample rows": [["Probe", *table]]
        + [[name, *(cells[name, heading] for heading in table)] for name in SAMPLES],
        "analyte rows": [["Parameter", *SAMPLES]]
        + [[heading, *(cells[name, heading] for name in SAMPLES)] for heading in table],
        "result rows": [["Probe", "Parameter", "Wert"], *rows],
    }[shape]
    text = io.StringIO(newline="")
    csv.writer(text, delimiter=separator, lineterminator="\n").writerows(lines)
    return text.getvalue()


VALUES = st.lists(st.floats(0.3, 60), min_size=4, max_size=4)


@settings(
    max_examples=15, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(st.lists(st.floats(250, 500), min_size=4, max_size=4), VALUES, VALUES)
@pytest.mark.slow
def test_three_shapes_and_two_languages_say_the_same(
    tmp_path_factory: pytest.TempPathFactory, dm: list[float], butyric: list[float],
    acetic: list[float],
) -> None:  # fmt: skip
    table = {"TM": dm, "BS": butyric, "ES": acetic}
    headings = [DM, BUTYRIC, Heading("ES", "acetic_acid", "g/kg DM")]
    for shape in ("sample rows", "analyte rows", "result rows"):
        for decimal, separator in ((".", ","), (",", ";"), (",", ",")):
            keys = {"analyte": None if shape == "sample rows" else "Parameter",
                    "value": "Wert" if shape == "result rows" else None}  # fmt: skip
            toml = laboratory(headings, shape=shape, decimal=decimal, separator=separator, **keys)
            folder = trial_without_results(tmp_path_factory.mktemp("trial"))
            put(folder, toml + report(), r_csv=in_shape(table, shape, decimal, separator))
            trial = read_trial(folder)
            assert found(trial) == []
            read = trial.samples.set_index("sample").loc[list(SAMPLES)]
            for column, values in (("dm", dm), ("butyric_acid", butyric), ("acetic_acid", acetic)):
                np.testing.assert_allclose(read[column], values, rtol=1e-12)


CONVERSIONS = [
    # heading, cell, further headings with their cells, column, value in the unit used inside
    (Heading("M", "dm", "% moisture"), "65", [], "dm", 350.0),
    (Heading("DM", "dm", "%"), "35", [], "dm", 350.0),
    (Heading("B", "butyric_acid", "% TM"), "0.84", [], "butyric_acid", 8.4),
    (Heading("B", "butyric_acid", "g/kg FM"), "2.94", [(DM, "350")], "butyric_acid", 8.4),
    (Heading("B", "butyric_acid", "mg/kg fresh"), "2940", [(DM, "350")], "butyric_acid", 8.4),
    # 88.106 g/mol (CIAAW): 95.34 mmol are 8.400 g.
    (Heading("B", "butyric_acid", "mmol/kg TS"), "95.34", [], "butyric_acid", 8.40003),
    (
        Heading("B", "butyric_acid", "% of total acids"), "12",
        [(Heading("S", "total_acids", "% DM"), "7")], "butyric_acid", 8.4,
    ),
    (
        Heading("B", "butyric_acids", "g/kg DM"), "9.4",
        [(Heading("I", "iso_butyric_acid", "% DM"), "0.1")], "butyric_acid", 8.4,
    ),
    (
        Heading("B", "butyric_acids", "g/kg DM"), "9.4",
        [(Heading("I", "iso_butyric_acid", "g/kg DM"), "<0.1")], "butyric_acid", 9.4,
    ),
    # Crude protein 15.625 % DM is 25 g N/kg DM; ammonia as protein 1.5625 % DM is a tenth of it.
    (Heading("CP", "crude_protein", "% DM"), "15.625", [], "total_n", 25.0),
    (
        Heading("A", "ammonia_n", "% DM as CP equivalent"), "1.5625",
        [(Heading("CP", "crude_protein", "% DM"), "15.625")], "ammonia_n", 10.0,
    ),
    (Heading("A", "ammonia_n", "% of CP"), "10", [], "ammonia_n", 10.0),
    (
        Heading("A", "ammonia_n", "g/kg DM"), "2.5",
        [(Heading("N", "total_n", "g/kg DM"), "25")], "ammonia_n", 10.0,
    ),
    # 2.5 g of nitrogen are in 2.5 * 17.031 / 14.007 g of NH3.
    (
        Heading("A", "ammonia", "g/kg DM"), "3.03973",
        [(Heading("N", "total_n", "g/kg DM"), "25")], "ammonia_n", 10.0,
    ),
    (
        Heading("A", "ammonia", "mmol/kg DM"), "178.482",
        [(Heading("N", "total_n", "g/kg DM"), "25")], "ammonia_n", 10.0,
    ),
    (Heading("Y", "yeasts", "cfu/g fresh"), "100000", [], "yeasts", 5.0),
    (Heading("Y", "yeasts", "log10 cfu/g fresh"), "5", [], "yeasts", 5.0),
]  # fmt: skip


@pytest.mark.parametrize(("heading", "cell", "others", "column", "value"), CONVERSIONS)
def test_conversions(
    heading: Heading, cell: str, others: Sequence[tuple[Heading, str]], column: str, value: float,
    tmp_path: Path,
) -> None:  # fmt: skip
    headings, cells = [heading, *(h for h, _ in others)], [cell, *(c for _, c in others)]
    trial, row = one_sample(tmp_path, headings, cells)
    assert found(trial) == []
    assert row[column] == pytest.approx(value, rel=1e-5)
    told = trial.laboratory_results.set_index("result")
    assert told.loc[column, "value"] == pytest.approx(value, rel=1e-5)
    assert told.loc[column, "reported"] == cell


def test_a_limit_on_fresh_matter_is_another_one_for_each_bale(tmp_path: Path) -> None:
    # 0.1 g/kg fresh at 250 g DM/kg is 0.4 g/kg DM; at 400 it is 0.25 (arithmetic).
    more = {"detection_limit": 0.1, "limit_unit": "g/kg fresh"}
    headings = [DM, Heading("BS", "butyric_acid", "g/kg TM", more)]
    lines = ["Probe;TM;BS", f"{SAMPLES[0]};250;n.n.", f"{SAMPLES[1]};400;< 0,1",
             f"{SAMPLES[2]};250;8,4"]  # fmt: skip
    folder = put(trial_without_results(tmp_path), laboratory(headings, **GERMAN) + report(),
                 r_csv="\n".join(lines))  # fmt: skip
    read = read_trial(folder)
    samples = read.samples.set_index("sample")
    assert found(read) == []
    limits = samples.loc[list(SAMPLES[:3]), "butyric_acid_below"].to_numpy()
    assert limits == pytest.approx([0.4, 0.25, np.nan], nan_ok=True)
    assert samples.loc[SAMPLES[2], "butyric_acid"] == 8.4


def test_value_limit_and_flag_stay_apart(tmp_path: Path) -> None:
    more = {"detection_limit": 0.1, "quantification_limit": 0.3}
    headings = [Heading("BS", "butyric_acid", "g/kg DM", more)]
    cells = ["n.n.", "<LOQ", "Spuren", "n.b."]
    lines = ["Probe;BS", *(f"{s};{c}" for s, c in zip(SAMPLES, cells, strict=True))]
    folder = put(trial_without_results(tmp_path), laboratory(headings, **GERMAN) + report(),
                 r_csv="\n".join(lines))  # fmt: skip
    read = read_trial(folder)
    told = read.laboratory_results.set_index("sample").loc[list(SAMPLES)]
    assert list(read.laboratory_results) == list(RESULT_COLUMNS)
    assert told["value"].isna().all()
    assert told["limit"].tolist()[:3] == [0.1, 0.3, 0.3]
    assert math.isnan(told["limit"].iloc[3])
    assert told["limit_kind"].tolist()[:3] == ["detection", "quantification", "quantification"]
    assert told["flag"].tolist() == ["below", "below", "trace", "not determined"]
    assert told["reported"].tolist() == cells
    samples = read.samples.set_index("sample").loc[list(SAMPLES)]
    assert samples["butyric_acid"].isna().all()
    assert samples["butyric_acid_below"].tolist()[:3] == [0.1, 0.3, 0.3]


def test_a_report_is_copied_named_and_hashed(tmp_path: Path) -> None:
    trial, row = one_sample(tmp_path, [DM, BUTYRIC], ["350", "8.4"], method="HPLC")
    path = tmp_path / "laboratory_reports" / "r.csv"
    assert trial.files[-2:] == ("laboratories.toml", "laboratory_reports/r.csv")
    told = trial.laboratory_results
    assert set(told["sha256"]) == {hashlib.sha256(path.read_bytes()).hexdigest()}
    assert set(told["file"]) == {"r.csv"}
    assert (row["laboratory"], row["report"], row["batch"]) == ("North", "R1", "1")
    assert (row["method"], row["dm_basis"]) == ("HPLC", "oven")


def test_a_workbook_is_read_with_numbers_of_any_type(tmp_path: Path) -> None:
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    sheet.title = "Ergebnisse"
    for line in (["Prüfbericht 7"], ["Probe", "TM", "BS"], [SAMPLE, 35.25, "8,4"]):
        sheet.append(line)
    book.create_sheet("Methoden")
    content = io.BytesIO()
    book.save(content)
    headings = [Heading("TM", "dm", "%"), BUTYRIC]
    toml = laboratory(headings, decimal=",", sheet="Ergebnisse", heading_line=2)
    folder = put(trial_without_results(tmp_path), toml + report("r.xlsx"),
                 r_xlsx=content.getvalue())  # fmt: skip
    trial = read_trial(folder)
    row = trial.samples.set_index("sample").loc[SAMPLE]
    assert found(trial) == []
    assert (row["dm"], row["butyric_acid"]) == (352.5, 8.4)


def test_what_a_report_says_by_other_means_than_its_cells(tmp_path: Path) -> None:
    """Merged cells, hidden rows and coloured numbers are told; a title over all columns is not."""
    book = Workbook()
    sheet = book.active
    assert sheet is not None
    for line in (["Prüfbericht 7"], ["Probe", "BS"], [SAMPLES[0], 8.4], [SAMPLES[2]], [SAMPLE, 2]):
        sheet.append(line)
    sheet.merge_cells("A1:B1")
    sheet.merge_cells("B3:B4")
    sheet.row_dimensions[5].hidden = True
    for place in ("B2", "B5"):
        sheet[place].fill = PatternFill("solid", fgColor="FF0000")
    content = io.BytesIO()
    book.save(content)
    toml = laboratory([BUTYRIC], heading_line=2, marks={"blank": "missing"}) + report("r.xlsx")
    trial = read_trial(put(trial_without_results(tmp_path), toml, r_xlsx=content.getvalue()))
    told = {item.line: item for item in trial.warnings if item.file.endswith("r.xlsx")}
    assert [item.found for item in trial.problem_list if item.file.endswith("r.xlsx")] == [
        "1 range of merged cells (line 3): only the first cell of each holds what is written",
        "1 coloured cell (line 5)",
        "1 hidden row (line 5)",
    ]
    assert "undo the merging in a copy" in told[3].remedy
    read = trial.samples.set_index("sample")["butyric_acid"]
    assert (read[SAMPLES[0]], read[SAMPLE]) == (8.4, 2.0)
    assert np.isnan(read[SAMPLES[2]])


def test_windows_1252_where_it_is_declared(tmp_path: Path) -> None:
    text = f"Probe;Buttersäure\n{SAMPLE};8,4\n".encode("cp1252")
    heading = Heading("Buttersäure", "butyric_acid", "g/kg TM")
    toml = laboratory([heading], encoding="windows-1252", **GERMAN) + report()
    trial = read_trial(put(trial_without_results(tmp_path), toml, r_csv=text))
    assert found(trial) == []
    assert trial.samples.set_index("sample").loc[SAMPLE, "butyric_acid"] == 8.4


def two_reports(folder: Path, first: str, second: str, **keys: object) -> Path:
    """Write two reports of butyric acid, one line a sample."""
    toml = laboratory([BUTYRIC], separator=";") + report("a.csv", number="A")
    toml += report("b.csv", **{"number": "B", **keys})
    texts = {name: f"Probe;BS\n{lines}" for name, lines in (("a_csv", first), ("b_csv", second))}
    return put(trial_without_results(folder), toml, **texts)


def test_a_corrected_report_replaces_what_it_names(tmp_path: Path) -> None:
    first = f"{SAMPLES[0]};8.0\n{SAMPLES[1]};9.0\n{SAMPLES[2]};1.0\n"
    second = f"{SAMPLES[0]};0.8\n{SAMPLES[1]};9.0\n"
    trial = read_trial(two_reports(tmp_path, first, second, supersedes="A"))
    samples = trial.samples.set_index("sample")
    assert samples.loc[list(SAMPLES[:3]), "butyric_acid"].tolist() == [0.8, 9.0, 1.0]
    assert samples.loc[list(SAMPLES[:3]), "report"].tolist() == ["B", "B", "A"]
    assert found(trial) == []
    assert found(trial, severity="warning") == [
        f"report B replaces 2 results of report A, 1 of them changed: {SAMPLES[0]} butyric_acid "
        "'8.0' to '0.8'; 1 results of that report are not in this one and stay in use"
    ]
    told = trial.laboratory_results
    assert told["use"].tolist() == ["replaced by B"] * 2 + ["used"] * 3
    assert told.loc[0, "reported"] == "8.0"


def test_a_correction_of_a_correction_replaces_both(tmp_path: Path) -> None:
    toml = laboratory([BUTYRIC], separator=";")
    for name, old in (("A", None), ("B", "A"), ("C", "B")):
        toml += report(f"{name}.csv", number=name, supersedes=old)
    texts = {f"{name}_csv": f"Probe;BS\n{SAMPLE};{k}\n" for k, name in enumerate("ABC", start=1)}
    trial = read_trial(put(trial_without_results(tmp_path), toml, **texts))
    assert trial.samples.set_index("sample").loc[SAMPLE, "butyric_acid"] == 3.0
    assert trial.laboratory_results["use"].str.startswith("replaced").sum() == 2


def test_repeats_of_every_sample_are_averaged(tmp_path: Path) -> None:
    first = "".join(f"{name};{k}\n" for k, name in enumerate(SAMPLES, start=1))
    second = "".join(f"{name};{k + 1}\n" for k, name in enumerate(SAMPLES, start=1))
    trial = read_trial(two_reports(tmp_path, first, second, analysis="repeat"))
    read = trial.samples.set_index("sample").loc[list(SAMPLES), "butyric_acid"]
    assert read.tolist() == [1.5, 2.5, 3.5, 4.5]
    assert set(trial.laboratory_results["use"]) == {"averaged"}
    sd = trial.laboratory_sd.frame.set_index(["what", "scale"])
    # Each pair differs by 1: its variance is 1/2.
    assert sd.loc[("repeat analyses", "identity"), "estimate"] == pytest.approx(math.sqrt(0.5))
    assert sd.loc[("repeat analyses", "identity"), "df"] == 4


def test_repeats_of_some_samples_tell_the_laboratory_and_change_no_value(tmp_path: Path) -> None:
    first = "".join(f"{name};{k}\n" for k, name in enumerate(SAMPLES, start=1))
    trial = read_trial(two_reports(tmp_path, first, f"{SAMPLES[0]};3\n", analysis="repeat"))
    read = trial.samples.set_index("sample").loc[list(SAMPLES), "butyric_acid"]
    assert read.tolist() == [1.0, 2.0, 3.0, 4.0]
    assert trial.laboratory_results["use"].tolist() == ["used"] * 4 + ["repeat, not used"]
    assert trial.laboratory_sd.frame["df"].tolist() == [1, 1]


def test_a_repeat_below_the_limit_is_not_averaged(tmp_path: Path) -> None:
    first = "".join(f"{name};{k}\n" for k, name in enumerate(SAMPLES, start=1))
    second = "".join(f"{name};{v}\n" for name, v in zip(SAMPLES, ["2", "<0.3", "2", "2"],
                                                        strict=True))  # fmt: skip
    trial = read_trial(two_reports(tmp_path, first, second, analysis="repeat"))
    read = trial.samples.set_index("sample").loc[list(SAMPLES), "butyric_acid"]
    assert read.tolist() == [1.0, 2.0, 3.0, 4.0]


def test_replicates_stand_on_several_lines_of_one_report(tmp_path: Path) -> None:
    lines = "".join(f"{name};{v}\n" for name in SAMPLES for v in (1, 3))
    toml = laboratory([BUTYRIC], separator=";") + report(analysis="replicates")
    trial = read_trial(put(trial_without_results(tmp_path), toml, r_csv=f"Probe;BS\n{lines}"))
    assert found(trial) == []
    assert set(trial.samples["butyric_acid"].dropna()) == {2.0}


def test_a_blind_duplicate_is_a_sample_with_a_code_of_its_own(tmp_path: Path) -> None:
    folder = trial_without_results(tmp_path)
    rows = read_cells(folder / "samples.csv")
    twin = next(row for row in rows if row["sample"] == SAMPLE)
    blank = {"of": "", "kind": "", "laboratory": "", "batch": ""}
    kept = [row for row in rows if row["sample"] not in SAMPLES]
    silage = [{**row, **blank} for row in rows if row["sample"] in SAMPLES]
    write_cells(folder / "samples.csv", [*kept, *silage, {**twin, **blank, "sample": "X9"}])
    key = [{"sample": row["sample"], "of": row["of"], "kind": row["kind"], "role": "sample"}
           for row in rows if row["sample"] in SAMPLES]  # fmt: skip
    write_cells(folder / "blind_key.csv", [*key, {**key[1], "sample": "X9", "role": "duplicate"}])
    key_of = {row["sample"]: row["of"] for row in key}
    lines = "".join(f"{code};{k}\n" for k, code in enumerate([*SAMPLES, "X9"], start=1))
    put(folder, laboratory([BUTYRIC], separator=";") + report(), r_csv=f"Probe;BS\n{lines}")
    trial = read_trial(folder)
    assert found(trial) == []
    samples = trial.samples.set_index("sample")
    assert samples.loc[SAMPLE, "of"] == key_of[SAMPLE] == "A01-net"
    assert trial.controls.set_index("sample").loc["X9", "butyric_acid"] == 5.0
    assert "X9" not in samples.index


def test_results_typed_into_samples_may_stand_in_a_report_as_well(tmp_path: Path) -> None:
    folder = trial_without_results(tmp_path)
    rows = read_cells(folder / "samples.csv")
    for row in rows:
        if row["sample"] == SAMPLE:
            row["butyric_acid"] = "8.4"
    write_cells(folder / "samples.csv", rows)
    heading = Heading("BS", "butyric_acid", "% DM")
    put(folder, laboratory([heading], separator=";") + report(), r_csv=f"Probe;BS\n{SAMPLE};0.84\n")
    trial = read_trial(folder)
    assert found(trial) == []
    assert trial.samples.set_index("sample").loc[SAMPLE, "butyric_acid"] == 8.4


def test_dry_matter_of_one_report_serves_the_acids_of_another(tmp_path: Path) -> None:
    toml = laboratory([DM], separator=";") + report("a.csv", number="A")
    toml += laboratory([Heading("BS", "butyric_acid", "g/kg fresh")], separator=";", name="South")
    toml += report("b.csv", number="B", laboratory="South", batch=None)
    folder = put(trial_without_results(tmp_path), toml,
                 a_csv=f"Probe;TM\n{SAMPLE};350\n", b_csv=f"Probe;BS\n{SAMPLE};2.94\n")  # fmt: skip
    trial = read_trial(folder)
    row = trial.samples.set_index("sample").loc[SAMPLE]
    assert found(trial) == []
    assert row["butyric_acid"] == pytest.approx(8.4)
    assert (row["laboratory"], row["report"]) == ("South", "B; A")


def test_farm_measures_are_converted(tmp_path: Path) -> None:
    folder = trial_without_results(tmp_path)
    before = read_trial(folder)
    rows = read_cells(folder / "weighings.csv")
    for row in rows:
        for name in ("gross", "tare"):
            row[name] = repr(float(row[name]) / 0.45359237)
    write_cells(folder / "weighings.csv", rows)
    rows = read_cells(folder / "bales.csv")
    wide = {"diameter": "50", "film_thickness": "1"}
    write_cells(folder / "bales.csv", [{**row, **wide} for row in rows])
    with (folder / "trial.toml").open("a", encoding="utf-8") as file:
        file.write('\n[measures]\nmass = "lb"\nsize = "in"\nthickness = "mil"\n')
    after = read_trial(folder)
    assert found(after) == []
    np.testing.assert_allclose(after.weighings["net"], before.weighings["net"], rtol=1e-12)
    assert after.bales["diameter"].tolist() == [1.27] * len(after.bales)
    assert after.bales["film_thickness"].tolist() == [25.4] * len(after.bales)


def test_the_example_of_the_readme_reads_without_a_problem(tmp_path: Path) -> None:
    readme = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
    toml = next(part.split("```")[0] for part in readme.split("```toml\n")
                if part.startswith("[[laboratory]]"))  # fmt: skip
    text = f"Probe;n-Buttersäure\n{SAMPLES[0]};2,94\n{SAMPLES[1]};n.d.\n"
    folder = put(trial_without_results(tmp_path), toml)
    (folder / "laboratory_reports" / "Q-24-0817.csv").write_text(text, encoding="utf-8")
    rows = read_cells(folder / "samples.csv")
    write_cells(folder / "samples.csv", [{**row, "dm": row["dm"] or "350",
                                          "dm_basis": "oven"} for row in rows])  # fmt: skip
    trial = read_trial(folder)
    assert found(trial) == []
    read = trial.samples.set_index("sample").loc[list(SAMPLES[:2])]
    assert read["butyric_acid"].iloc[0] == pytest.approx(8.4)
    assert read["butyric_acid_below"].iloc[1] == pytest.approx(0.1 * 1000 / 350)
