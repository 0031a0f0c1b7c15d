"""What is due, overdue or missing on a day, and the picture of what is there."""

from __future__ import annotations

import datetime as dt
import json
from pathlib import Path

import pytest
from builders import make_trial, read_cells, write_cells
from problem_case import event

from silagetrial import cli
from silagetrial.data import read_trial
from silagetrial.data.grid import pair_grid, pair_grid_text, understood
from silagetrial.data.status import STATES, status, status_text

WRAPPED = dt.date(2025, 5, 26)


def undone(folder: Path, *prefixes: str) -> Path:
    """Take rows out of samples and weighings."""
    make_trial(folder, pairs=2, sites=1)
    for table in ("samples", "weighings"):
        rows = read_cells(folder / f"{table}.csv")
        kept = [row for row in rows if not next(iter(row.values())).startswith(prefixes)]
        write_cells(folder / f"{table}.csv", kept)
    return folder


def states(folder: Path, days: float) -> list[tuple[str, str, int]]:
    table = status(read_trial(folder), today=WRAPPED + dt.timedelta(days=days)).frame
    return list(table[["state", "what", "days_left"]].itertuples(index=False, name=None))


def test_nothing_is_left_of_a_finished_trial(tmp_path: Path) -> None:
    trial = read_trial(make_trial(tmp_path))
    table = status(trial, today=dt.date(2030, 1, 1))
    assert len(table.frame) == 0
    assert "Nothing is left to do" in status_text(trial, table)


@pytest.mark.parametrize(
    ("day", "state"),
    [(0, "to come"), (50, "to come"), (51, "due"), (69, "due"), (70, "late"), (900, "late")],
)
def test_an_opening_by_its_window(day: int, state: str, tmp_path: Path) -> None:
    folder = undone(tmp_path, "A01-net-60", "A01-net-w60")
    found = states(folder, day)
    assert found == [(state, what, 69 - day) for what in ("sample at opening", "weighing")]


@pytest.mark.parametrize(
    ("day", "state"), [(0, "due"), (1, "overdue"), (25, "overdue"), (26, "missing")]
)
def test_a_weighing_at_wrapping_can_be_done_till_half_the_time(
    day: int, state: str, tmp_path: Path
) -> None:
    """The reader takes an early weighing as the first up to half the time to the window."""
    folder = undone(tmp_path, "A01-net-w0")
    assert (state, "weighing at wrapping", -day) in states(folder, day)


def test_crop_that_is_gone_is_missing(tmp_path: Path) -> None:
    folder = undone(tmp_path, "A01-day0")
    assert {s for s, what, _ in states(folder, 2) if "crop" in what} == {"due"}
    assert {s for s, what, _ in states(folder, 3) if "crop" in what} == {"missing"}


def test_a_bale_that_was_opened_cannot_be_weighed(tmp_path: Path) -> None:
    folder = undone(tmp_path, "A01-net-w60")
    assert states(folder, 61) == [("missing", "weighing", 8)]


def test_a_bale_that_was_lost_before_is_not_asked_for(tmp_path: Path) -> None:
    folder = undone(tmp_path, "A01-net-60", "A01-net-w60")
    event("A01-net", "2025-06-20", "lost")(folder)
    assert states(folder, 61) == []


@pytest.mark.parametrize(("day", "state"), [(70, "late"), (230, "late"), (231, "missing")])
def test_a_core_can_be_taken_late_till_the_next_opening(
    day: int, state: str, tmp_path: Path
) -> None:
    folder = make_trial(tmp_path, design="recored", pairs=1, sites=1)
    rows = read_cells(folder / "samples.csv")
    write_cells(folder / "samples.csv", [r for r in rows if r["sample"] != "A01-net-60"])
    assert states(folder, day) == [(state, "core", 69 - day)]


def test_status_as_text_and_as_a_command(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = undone(tmp_path, "A01-net-60", "A01-net-w0", "A03")
    assert cli.main(["status", str(folder), "--date", "2025-08-20"]) == 0
    shown = capsys.readouterr().out
    assert "not done on 2025-08-20\n" in shown
    assert f"missing: {STATES['missing']}\n" in shown
    assert (
        f"late: {STATES['late']}: used for a curve over storage only, and none is planned\n"
        in shown
    )
    assert "Next: sample at opening from 2026-01-12" in shown
    assert cli.main(["status", str(folder)]) == 0  # today
    assert cli.main(["status", str(folder), "--date", "2025-05-27"]) == 0
    assert f"overdue: {STATES['overdue']}\n" in capsys.readouterr().out


def test_what_is_late_serves_a_planned_curve(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = undone(tmp_path, "A01-net-60")
    path = folder / "trial.toml"
    text = path.read_text(encoding="utf-8")
    planned = text.replace("[analysis]\n", '[analysis]\ncurve = "linear"\n')
    path.write_text(planned, encoding="utf-8")
    assert cli.main(["status", str(folder), "--date", "2025-08-20"]) == 0
    assert ": used for the curve over storage only\n" in capsys.readouterr().out


def test_a_date_still_to_come_is_asked_about(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = make_trial(tmp_path, pairs=2, sites=1)
    assert read_trial(folder).problem_list == (), "a report is the same on any day"
    last = read_trial(folder).samples["taken_on"].max().date()
    assert cli.main(["check", str(folder), "--date", f"{last}"]) == 0
    assert "No problems found" in capsys.readouterr().out
    before = last - dt.timedelta(days=1)
    trial = read_trial(folder, today=before)
    tables = {(item.severity, item.file, item.column) for item in trial.problem_list}
    assert tables == {
        ("warning", "samples.csv", "taken_on"),
        ("warning", "weighings.csv", "weighed_at"),
    }
    assert cli.main(["check", str(folder), "--date", f"{before}"]) == 0
    shown = " ".join(capsys.readouterr().out.split())
    assert f"found: {last}, which is later than {before}" in shown
    assert f"expected: a date up to {before}, the day of this check" in shown
    assert "correct the date; a row that is planned and not done yet has none" in shown
    assert cli.main(["status", str(folder), "--date", f"{before}"]) == 0
    assert f"Warnings in the data: {len(trial.warnings)}; see silagetrial check" in (
        capsys.readouterr().out
    )


def test_the_picture_of_pairs_and_openings(tmp_path: Path) -> None:
    folder = undone(tmp_path, "A01-net-60", "A01-film-w60", "A02-film-60", "A02-film-w60")
    event("A02-film", "2025-06-20", "lost")(folder)
    trial = read_trial(folder)
    by_pair = {row.pair: row.states for row in pair_grid(trial)}
    assert by_pair["A01"] == (("weighing", "sample"), ("none", "none"))
    assert by_pair["A02"] == (("complete", "lost"), ("none", "none"))
    assert by_pair["A03"] == (("none", "none"), ("complete", "complete"))
    text = pair_grid_text(trial)
    assert text.splitlines()[0] == "Pairs by opening; letters in the order net, film"
    assert "  A01  ws" in text
    assert "  A02  #x" in text
    assert "  A03           ##" in text
    assert text.splitlines()[-1] == (
        "# sample and weighing   s sample only   w weighing only   x lost before"
    )


@pytest.mark.parametrize(
    ("gone", "states"),
    [("A01-net-w0", ("no start", "complete")), ("A01-day0", ("no start", "no start"))],
)
def test_the_picture_tells_bales_without_a_beginning(
    gone: str, states: tuple[str, str], tmp_path: Path
) -> None:
    trial = read_trial(undone(tmp_path, gone))
    assert next(row.states[0] for row in pair_grid(trial) if row.pair == "A01") == states
    assert pair_grid_text(trial).endswith(
        "n the same, but no crop sample or no weighing at wrapping: no DM loss"
    )


def test_a_large_trial_is_counted(tmp_path: Path) -> None:
    trial = read_trial(make_trial(tmp_path, pairs=31, sites=1))
    assert pair_grid_text(trial) == (
        "Complete pairs, of those planned, by opening\n"
        "  Alder Farm  60 days: 31 of 31, 240 days: 31 of 31"
    )


def test_check_as_json(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = make_trial(tmp_path, pairs=2)
    rows = read_cells(folder / "samples.csv")
    rows[0]["dm"] = "<script>"
    write_cells(folder / "samples.csv", rows)
    assert cli.main(["check", "--json", str(folder)]) == 3
    told = json.loads(capsys.readouterr().out)
    assert told == json.loads(json.dumps(understood(read_trial(folder))))
    assert told["counts"]["errors"] == 1
    assert told["counts"]["pairs"] == 8
    assert told["problems"][0]["line"] == 2
    assert told["problems"][0]["column"] == "dm"
    assert {"file": "samples.csv", "severity": "error", "count": 1} in told["problems_by_file"]
    assert told["grid"][0]["states"] == [["complete", "complete"], ["none", "none"]]
