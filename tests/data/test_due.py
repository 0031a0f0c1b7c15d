"""Rows that are planned and not done yet are no fault, and nothing that is analysed."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import pandas as pd
import pytest
from builders import make_trial, read_cells, write_cells
from problem_case import FILM, NET, cell

from silagetrial.analysis import analyse
from silagetrial.data import Trial, read_trial

RESULTS = ("dm", "pH", "lactic_acid", "acetic_acid", "butyric_acid", "ammonia_n")
MADE, TAKEN, WEIGHED = (
    ("baled_at", "film_wrapped_at"),
    ("taken_on", *RESULTS),
    ("weighed_at", "gross"),
)
DONE: Mapping[str, tuple[str, ...]] = {"bales": MADE, "samples": TAKEN, "weighings": WEIGHED}


def undone(folder: Path, table: str, *words: str) -> None:
    """Empty the cells that are filled when a row is done, in rows that hold one of the words."""
    path = folder / f"{table}.csv"
    rows = read_cells(path)
    for row in rows:
        if not words or set(words) & {*row.values(), row.get("planned_opening", "")}:
            row |= dict.fromkeys(DONE[table], "")
    write_cells(path, rows)


def summary(trial: Trial) -> dict[str, str]:
    return dict(trial.summary.frame.itertuples(index=False, name=None))


def test_a_trial_of_which_nothing_is_done(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=2)
    for table in DONE:
        undone(folder, table)
    (folder / "scales.csv").write_text("scale,check_mass\nplatform,500\n", encoding="utf-8")
    events = [{"bale": NET, "at": "", "what": "inspected"}] * 2
    write_cells(folder / "events.csv", events)
    trial = read_trial(folder)
    assert trial.problem_list == ()
    tables = (trial.bales, trial.samples, trial.weighings, trial.events)
    assert [len(table) for table in tables] == [0, 0, 0, 0]
    assert list(trial.scales["scale"]) == ["platform"]  # a scale is there before its check
    counted = "16 bales, 32 weighings, 24 samples, 2 events, 1 scale"
    assert summary(trial)["not done yet"] == counted
    analysis = analyse(trial)
    for name in ("butyric_acid", "dm_loss"):
        refusal = analysis[name].refusal
        assert refusal is not None
        assert refusal.found.endswith("(no bale made yet of 16 planned)")


def test_headings_alone_are_a_trial(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=1, sites=1)
    for table in ("bales", "samples", "weighings"):
        path = folder / f"{table}.csv"
        path.write_text(path.read_text(encoding="utf-8").splitlines()[0] + "\n", encoding="utf-8")
    trial = read_trial(folder)
    assert trial.errors == ()
    assert len(trial.due) == 0
    assert "not done yet" not in summary(trial)


def test_what_is_due_says_when(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=1, sites=1)
    undone(folder, "samples", "A02-net-240", "A01-day0")
    undone(folder, "weighings", "A02-net-w240")
    trial = read_trial(folder)
    assert trial.problem_list == ()
    due = trial.due.frame.astype(object)
    assert due.where(due.notna(), None).to_numpy().tolist() == [
        ["weighings", "A02-net-w240", "A02-net", "weighing at opening", "240 days", 240.0],
        ["samples", "A01-day0", "A01", "sample of the crop at baling", None, 0.0],
        ["samples", "A02-net-240", "A02-net", "sample at opening", "240 days", 240.0],
    ]
    records = analyse(trial)["butyric_acid"].records.left_out.frame
    assert records[["bale", "what", "reason"]].to_numpy().tolist() == [
        ["A02-net", "no sample", "planned, not taken yet"]
    ]


def test_a_weighing_that_names_its_opening_is_not_the_one_at_wrapping(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=1, sites=1)
    undone(folder, "weighings")
    cell("weighings", "A01-net-w60", "planned_opening", "60 days")(folder)
    due = read_trial(folder).due.frame.set_index("name")
    assert due.loc["A01-net-w60", ["what", "days"]].tolist() == ["weighing at opening", 60.0]
    assert due.loc["A01-net-w0", ["what", "days"]].tolist() == ["weighing at wrapping", 0.0]


def test_what_is_due_is_not_missing(tmp_path: Path) -> None:
    # Half way: the first opening is done, the second is to come.
    folder = make_trial(tmp_path, pairs=2, sites=2)
    late = [
        row["bale"] for row in read_cells(folder / "bales.csv") if "240" in row["planned_opening"]
    ]
    undone(folder, "samples", *(f"{bale}-240" for bale in late))
    undone(folder, "weighings", *(f"{bale}-w240" for bale in late))
    trial = read_trial(folder)
    assert trial.problem_list == ()
    assert summary(trial)["not done yet"] == "8 weighings, 8 samples"
    # Rows taken out altogether: of an opening that nobody began, said once.
    whole = {table: read_cells(folder / f"{table}.csv") for table in ("samples", "weighings")}
    for table in ("samples", "weighings"):
        path = folder / f"{table}.csv"
        rows = read_cells(path)
        write_cells(path, [row for row in rows if row[DONE[table][0]]])
    found = {item.found for item in read_trial(folder).warnings}
    assert found == {
        f"no {what} of any bale at 240 days (8 planned)" for what in ("sample", "weighing")
    }
    # Of an opening that was begun, bale by bale.
    first, *others = late
    for table, name, cells in (
        ("samples", f"{first}-240", {"taken_on": "2026-01-21", "dm": "350", "dm_basis": "oven"}),
        ("weighings", f"{first}-w240", {"weighed_at": "2026-01-21", "gross": "676"}),
    ):
        rows = read_cells(folder / f"{table}.csv")
        key = next(iter(rows[0]))
        (again,) = [row for row in whole[table] if row[key] == name]
        write_cells(folder / f"{table}.csv", [*rows, {**again, **cells}])
    found = {item.found for item in read_trial(folder).warnings}
    assert {
        f"bale {bale}: no {what} at 240 days" for bale in others for what in ("sample", "weighing")
    } <= found


def test_half_a_pair_is_made(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=1)
    for table in ("samples", "weighings"):
        undone(folder, table)
    bales = [row["bale"] for row in read_cells(folder / "bales.csv") if row["bale"] != NET]
    undone(folder, "bales", *bales)
    trial = read_trial(folder)
    assert trial.problem_list == ()
    assert trial.bales["bale"].tolist() == [NET]


def test_a_slip_in_a_planned_row_is_found(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=1)
    for table in DONE:
        undone(folder, table)
    cell("bales", NET, "binding", "nett")(folder)
    cell("samples", "A01-film-60", "of", "A01-fil")(folder)
    assert {item.column for item in read_trial(folder).errors} == {"binding", "of"}


@pytest.mark.parametrize("design", ["separate", "recored"])
@pytest.mark.slow
def test_a_spare_bale_is_expected_at_no_opening(design: str, tmp_path: Path) -> None:
    folder = make_trial(tmp_path, design=design, pairs=3, sites=2)
    for name in (NET, FILM):
        cell("bales", name, "planned_opening", "spare")(folder)
    # It lies in store: weighed at wrapping and never sampled.
    for table in ("samples", "weighings"):
        rows = read_cells(folder / f"{table}.csv")
        kept = [r for r in rows if not next(iter(r.values())).startswith((f"{NET}-", f"{FILM}-"))]
        kept += [r for r in rows if next(iter(r.values())) in (f"{NET}-w0", f"{FILM}-w0")]
        write_cells(folder / f"{table}.csv", kept)
    trial = read_trial(folder)
    assert trial.errors == ()
    assert not any("bale A01" in item.found for item in trial.warnings)
    left = analyse(trial)["butyric_acid"].records.left_out.frame
    assert not left["bale"].isin([NET, FILM]).any()


@pytest.mark.parametrize("what", ["lost", "dropped", "holed", "taped", "opened_early"])
def test_what_happens_unplanned_needs_its_time(what: str, tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=1, sites=1)
    write_cells(folder / "events.csv", [{"bale": NET, "at": "", "what": what}])
    assert [item.column for item in read_trial(folder).errors] == ["at"]
    write_cells(folder / "events.csv", [{"bale": NET, "at": "", "what": "inspected"}])
    trial = read_trial(folder)
    assert trial.errors == ()
    assert trial.due.frame["what"].tolist() == ["inspected"]


def test_cells_that_cannot_be_read_are_not_blank(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, pairs=1, sites=1)
    undone(folder, "weighings", "A01-net-w60")
    cell("weighings", "A01-net-w60", "gross", "6o0")(folder)
    trial = read_trial(folder)
    assert {item.column for item in trial.errors} == {"gross", "weighed_at"}
    assert len(trial.due) == 0


def test_due_is_empty_where_all_is_done(tmp_path: Path) -> None:
    due = read_trial(make_trial(tmp_path)).due
    assert list(due.frame) == ["table", "name", "bale", "what", "opening", "days"]
    assert isinstance(due.frame, pd.DataFrame)
    assert len(due) == 0
