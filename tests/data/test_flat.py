"""One flat table gives the trial that the same numbers give in tables of their own."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from builders import Cells, make_trial, read_cells, write_cells
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from openpyxl import Workbook

from silagetrial.data import Trial, read_trial
from silagetrial.errors import DataProblems

COLUMNS = """
[flat]
file = "all.csv"

[flat.columns]
Bale = "bales.bale"
Pair = ["bales.pair", "day0.of"]
Farm = "bales.site"
Binding = "bales.binding"
"Film at" = "bales.film_wrapped_at"
Order = "bales.order"
Opening = "bales.planned_opening"
"kg in" = "wrapping.gross"
"kg out" = "opening.gross"
Date = "opening.taken_on"
"DM in" = "day0.dm"
"DM out" = "opening.dm"
Lactic = "opening.lactic_acid"
Acetic = "opening.acetic_acid"
Butyric = "opening.butyric_acid"

[flat.same]
"opening.dm_basis" = "oven"
"day0.dm_basis" = "oven"
"wrapping.tare" = "75"
"opening.tare" = "75"
"wrapping.flags" = "film_on"
"opening.flags" = "film_on"
"""


def flat_rows(folder: Path) -> Cells:
    """Return a trial as one row for each bale and opening."""
    bales = {row["bale"]: row for row in read_cells(folder / "bales.csv")}
    samples, weighings = (read_cells(folder / f"{n}.csv") for n in ("samples", "weighings"))
    crop = {row["of"]: row["dm"] for row in samples if row["kind"] == "day0"}
    rows = []
    for sample in samples:
        if sample["kind"] == "day0":
            continue
        bale = bales[sample["of"]]
        own = [row for row in weighings if row["bales"] == bale["bale"]]
        later = next(r for r in own if r["weighed_at"].startswith(sample["taken_on"]))
        rows.append(
            {
                "Bale": bale["bale"], "Pair": bale["pair"], "Farm": bale["site"],
                "Binding": bale["binding"], "Film at": bale["film_wrapped_at"],
                "Order": bale["order"], "Opening": bale["planned_opening"],
                "kg in": own[0]["gross"], "kg out": later["gross"], "Date": sample["taken_on"],
                "DM in": crop[bale["pair"]], "DM out": sample["dm"],
                "Lactic": sample["lactic_acid"], "Acetic": sample["acetic_acid"],
                "Butyric": sample["butyric_acid"],
            }
        )  # fmt: skip
    return rows


def flattened(folder: Path, **given: object) -> Path:
    make_trial(folder, pairs=2, **given)
    write_cells(folder / "all.csv", flat_rows(folder))
    for table in ("bales", "samples", "weighings"):
        (folder / f"{table}.csv").unlink()
    with (folder / "trial.toml").open("a", encoding="utf-8") as file:
        file.write(COLUMNS)
    return folder


def settings_changed(folder: Path, old: str, new: str) -> None:
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    assert old in text
    path.write_text(text.replace(old, new), encoding="utf-8")


def values(trial: Trial) -> list[object]:
    """Return what the analysis uses, without names of samples and weighings."""
    samples = trial.samples.sort_values(["of", "opening"])
    weighings = trial.weighings.sort_values(["bale", "opening"])
    columns = ("of", "kind", "opening", "dm", "lactic_acid", "butyric_acid", "butyric_acid_below")
    return [
        *(samples[name].astype(str).tolist() for name in columns),
        *(weighings[name].astype(str).tolist() for name in ("bale", "opening", "net", "film_on")),
        *(trial.bales[name].astype(str).tolist() for name in ("bale", "pair", "binding", "order")),
    ]


@pytest.mark.parametrize("design", ["separate", "recored"])
def test_the_same_values(design: str, tmp_path: Path) -> None:
    tables = read_trial(make_trial(tmp_path / "tables", design=design, pairs=2))
    flat = read_trial(flattened(tmp_path / "flat", design=design))
    assert flat.errors == ()
    assert values(flat) == values(tables)
    assert flat.files == ("trial.toml", "scales.csv", "all.csv")


def test_a_sheet_of_a_workbook(tmp_path: Path) -> None:
    folder = flattened(tmp_path / "flat")
    before = read_trial(folder)
    rows = read_cells(folder / "all.csv")
    book = Workbook()
    sheet = book.create_sheet("bales and all")
    sheet.append(list(rows[0]))
    for row in rows:
        sheet.append(list(row.values()))
    book.save(folder / "all.xlsx")
    (folder / "all.csv").unlink()
    settings_changed(folder, 'file = "all.csv"', 'file = "all.xlsx"\nsheet = "bales and all"')
    assert values(read_trial(folder)) == values(before)
    settings_changed(folder, "bales and all", "bales and al")
    with pytest.raises(DataProblems) as caught:
        read_trial(folder)
    assert caught.value.problems[0].remedy.startswith("did you mean 'bales and all'?")


def changed(folder: Path, at: int, heading: str, cell: str) -> None:
    rows = read_cells(folder / "all.csv")
    rows[at][heading] = cell
    write_cells(folder / "all.csv", rows)


def test_problems_stand_in_the_lines_and_headings_of_the_file(tmp_path: Path) -> None:
    for heading, cell, words in (
        ("DM out", "34x", "'34x'"),
        ("DM in", "34x", "'34x', and"),
        ("kg in", "x", "'x'"),
        ("kg out", "5", "net mass -70 kg"),
        ("Farm", "", "a blank cell"),
        ("Binding", "nett", "'nett'"),
        ("Bale", "", "a row without the name of a bale"),
        ("Bale", "2026-03-04", "'2026-03-04', a day"),
    ):
        folder = flattened(tmp_path / f"{heading}{cell}")
        changed(folder, 5, heading, cell)
        places = {(e.file, e.line, e.column) for e in read_trial(folder).errors if words in e.found}
        assert places == {("all.csv", 7, heading)}, heading


@pytest.mark.parametrize("heading", ["Film at", "Date"])
def test_a_time_that_stands_for_others_is_told_of_once(heading: str, tmp_path: Path) -> None:
    """The crop's sample and the first weighing take the day of wrapping, the second its opening."""
    folder = flattened(tmp_path)
    changed(folder, 0, heading, "4.6.2026")
    found = [(e.line, e.column) for e in read_trial(folder).errors if "'4.6.2026'" in e.found]
    assert found == [(2, heading)]


def test_what_is_of_a_bale_is_the_same_in_all_its_rows(tmp_path: Path) -> None:
    folder = flattened(tmp_path, design="recored")
    changed(folder, 1, "kg in", "600")
    (error,) = read_trial(folder).errors
    assert (error.line, error.column) == (3, "kg in")
    assert "in an earlier row of the same weighing" in error.found
    assert error.remedy == "see which is right and correct the other"


def test_a_sample_of_each_bale_is_named_so(tmp_path: Path) -> None:
    folder = flattened(tmp_path)
    changed(folder, 1, "DM in", "341")
    (error,) = read_trial(folder).errors
    assert "in an earlier row of the same sample of the crop" in error.found
    assert error.remedy == (
        "see which is right and correct the other; where each bale had a sample of its own, write "
        '"day0.of" beside "bales.bale" under [flat.columns]'
    )


def test_the_opening_of_all_bales_is_said_once(tmp_path: Path) -> None:
    folder = flattened(tmp_path)
    planned = next(line for line in COLUMNS.splitlines() if "planned_opening" in line)
    settings_changed(folder, f"{planned}\n", "")
    problem = next(e for e in read_trial(folder).errors if e.column == "bales.planned_opening")
    remedy = 'write "bales.planned_opening" = "60 days" under [flat.same]'
    assert problem.remedy.endswith(f"where all bales have one, {remedy}")
    settings_changed(folder, "[flat.same]\n", '[flat.same]\n"bales.planned_opening" = "60 days"\n')
    found = read_trial(folder)
    assert not [e for e in found.errors if e.column == "bales.planned_opening"]
    assert {*found.bales["planned_opening"]} == {"60 days"}


@pytest.mark.parametrize("target", ["day0.dm_basis", "opening.dm_basis"])
def test_what_no_heading_gives_is_called_as_in_trial_toml(target: str, tmp_path: Path) -> None:
    folder = flattened(tmp_path)
    settings_changed(folder, f'"{target}" = "oven"\n', "")
    assert {error.column for error in read_trial(folder).errors} == {target}


@pytest.mark.parametrize(
    ("old", "new", "found", "remedy"),
    [
        ('"opening.dm"', '"opening.dmm"', "'opening.dmm'", "did you mean 'opening.dm'?"),
        ("Lactic =", "Lactik =", "'Lactik', which is no heading", "did you mean 'Lactic'?"),
        ("Acetic = ", 'Acetic = "opening.ash"\nX = ', "'X', which is no heading", "as it stands"),
        ('Order = "bales.order"', 'Order = "bales.pair"', "'bales.pair' twice", "remove one"),
        ('Bale = "bales.bale"', 'Bale = "bales.note"', "no heading for bales.bale", "add it"),
        ('Order = "bales.order"\n', "", "headings that [flat] does not name: Order", "name them"),
    ],
)
def test_what_can_be_wrong_with_the_names(
    old: str, new: str, found: str, remedy: str, tmp_path: Path
) -> None:
    folder = flattened(tmp_path)
    settings_changed(folder, old, new)
    said = [item for item in read_trial(folder).problem_list if found in item.found]
    assert said
    assert remedy in said[0].remedy


@pytest.mark.parametrize("name", ["../all.csv", "/etc/passwd", "gone.csv", "link.csv", "."])
def test_only_a_file_of_the_folder_is_read(name: str, tmp_path: Path) -> None:
    folder = flattened(tmp_path / "trial")
    (tmp_path / "all.csv").write_text("Bale\nA\n", encoding="utf-8")
    (folder / "link.csv").symlink_to(tmp_path / "all.csv")
    settings_changed(folder, 'file = "all.csv"', f'file = "{name}"')
    with pytest.raises(DataProblems) as caught:
        read_trial(folder)
    assert "which is no file in the trial's folder" in caught.value.problems[0].found


def test_bales_in_two_places(tmp_path: Path) -> None:
    folder = flattened(tmp_path)
    (folder / "bales.csv").write_text("bale,site,binding,film_wrapped_at\n", encoding="utf-8")
    assert any("the table bales here and as" in e.found for e in read_trial(folder).errors)


@settings(max_examples=50, deadline=None, suppress_health_check=list(HealthCheck))
@given(st.data())
@pytest.mark.slow
def test_any_cells(tmp_path_factory: pytest.TempPathFactory, data: st.DataObject) -> None:
    folder = flattened(tmp_path_factory.mktemp("flat"))
    rows = read_cells(folder / "all.csv")
    for _ in range(data.draw(st.integers(1, 5))):
        row = rows[data.draw(st.integers(0, len(rows) - 1))]
        cell = st.sampled_from(["", "A01", "0", "<1", "=1", "2025-01-01", "kg", "Mean"])
        row[data.draw(st.sampled_from(list(row)))] = data.draw(
            cell | st.text("aé\u202e1,;", max_size=4)
        )
    write_cells(folder / "all.csv", rows)
    last = len((folder / "all.csv").read_text(encoding="utf-8").splitlines())
    for problem in read_trial(folder).problem_list:
        assert problem.line is None or 1 <= problem.line <= max(last, 200)
        assert problem.found
        assert problem.remedy


def test_a_bale_not_opened_yet_is_to_come(tmp_path: Path) -> None:
    folder = flattened(tmp_path)
    for heading in ("kg out", "Date", "DM out", "Lactic", "Acetic", "Butyric"):
        changed(folder, 3, heading, "")
    trial = read_trial(folder)
    assert trial.errors == ()
    due = trial.due.frame
    assert sorted(due["what"]) == ["sample at opening", "weighing at opening"]
    assert np.isfinite(due["days"]).all()
