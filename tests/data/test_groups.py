"""Values of several bales: one value of the group, never divided and never copied."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pytest
from builders import make_trial, read_cells, write_cells
from problem_case import cell, parts

from silagetrial import analyse
from silagetrial.data import read_trial
from silagetrial.data.grid import pair_grid, pair_grid_text
from silagetrial.data.status import status


def weighed_together(folder: Path) -> Path:
    """Weigh the bales of net opened first on a site in one go, at wrapping and at opening."""
    make_trial(folder)
    rows = read_cells(folder / "weighings.csv")
    group = sorted({r["bales"] for r in rows if r["weighing"].endswith("-net-w60")})[:3]
    kept = [row for row in rows if row["bales"] not in group]
    for day in (0, 60):
        mine = [
            row for row in rows if row["bales"] in group and row["weighing"].endswith(f"w{day}")
        ]
        gross = sum(float(row["gross"]) for row in mine)
        together = {"weighing": f"together-{day}", "bales": " ".join(group), "tare": "225"}
        kept.append({**mine[0], **together, "gross": f"{gross:g}"})
    write_cells(folder / "weighings.csv", kept)
    return folder


def test_a_group_weighing_is_one_value(tmp_path: Path) -> None:
    trial = read_trial(weighed_together(tmp_path))
    assert trial.errors == ()
    assert {w.column for w in trial.warnings} == {"bales"}  # no bale is said to lack a weighing
    rows = trial.weighings[trial.weighings["weighing"].str.startswith("together")]
    assert rows["bale"].isna().all()
    assert rows["opening"].isna().tolist() == [True, False]
    table = trial.group_masses.frame
    assert len(table) == 1
    row = table.iloc[0]
    net = (rows["gross"] - rows["tare"]).tolist()
    assert (row["number"], row["binding"], row["opening"]) == (3, "net", "60 days")
    assert (row["first"], row["later"]) == tuple(net)
    assert row["change"] == pytest.approx(100 * (net[1] / net[0] - 1))
    assert "of the whole group" in trial.group_masses.notes[0]


def test_bales_weighed_together_are_marked_in_the_picture(tmp_path: Path) -> None:
    trial = read_trial(weighed_together(tmp_path))
    marked = [row for row in pair_grid(trial) if ("group", "complete") in row.states]
    assert len(marked) == 3
    text = pair_grid_text(trial)
    assert text.count("  g#") == 3
    assert text.endswith(
        "# sample and weighing\n"
        "g the same, of several bales at once: one value of them, none of each bale"
    )


def test_no_bale_gets_a_dm_loss_from_a_group(tmp_path: Path) -> None:
    plain, together = make_trial(tmp_path / "plain"), weighed_together(tmp_path / "together")
    losses = [analyse(read_trial(folder))["dm_loss"].records.rows for folder in (plain, together)]
    assert len(losses[0]) - len(losses[1]) == 3


def test_a_group_that_differs_at_opening_says_nothing(tmp_path: Path) -> None:
    folder = weighed_together(tmp_path)
    rows = read_cells(folder / "weighings.csv")
    rows[-1]["bales"] = " ".join(rows[-1]["bales"].split()[:2])
    write_cells(folder / "weighings.csv", rows)
    assert len(read_trial(folder).group_masses.frame) == 0


def test_a_composite_is_one_value_of_no_bale(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    parts(("A01-net-60", "A01-net"), ("A01-net-60", "A02-net"))(folder)
    cell("samples", "A01-net-60", "of", "")(folder)
    trial = read_trial(folder)
    assert trial.errors == ()
    row = trial.samples.set_index("sample").loc["A01-net-60"]
    assert row["of"] != row["of"]  # missing
    assert row["opening"] == "60 days"
    values = analyse(trial)["butyric_acid"].records.rows
    assert "A01-net" not in set(values["bale"])
    assert list(trial.sample_parts["bale"]) == ["A01-net", "A02-net"]


def test_parts_of_different_openings_belong_to_none(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    late = next(
        r["bale"] for r in read_cells(folder / "bales.csv") if r["planned_opening"] == "240 days"
    )
    parts(("A01-net-60", "A01-net"), ("A01-net-60", late))(folder)
    cell("samples", "A01-net-60", "of", "")(folder)
    row = read_trial(folder).samples.set_index("sample").loc["A01-net-60"]
    assert row["opening"] != row["opening"]


@pytest.mark.parametrize(("day", "refused"), [(0, False), (60, True)])
def test_bales_of_different_openings_are_weighed_together_at_wrapping_only(
    tmp_path: Path, day: int, refused: bool
) -> None:
    folder = make_trial(tmp_path)
    rows = read_cells(folder / "weighings.csv")
    row = next(r for r in rows if r["weighing"] == f"A01-net-w{day}")
    rows.append({**row, "weighing": "all", "bales": "A01-net A05-net", "gross": "1350"})
    write_cells(folder / "weighings.csv", rows)
    trial = read_trial(folder)
    found = "2 bales of different openings on the scale at once"
    assert [item.found for item in trial.errors] == ([found] if refused else [])
    row = trial.weighings.set_index("weighing").loc["all"]
    assert row["first"] == (not refused)
    assert row["opening"] != row["opening"]  # of none


def test_a_composite_counts_for_each_of_its_bales_in_status(tmp_path: Path) -> None:
    """Sampled together, neither of the two is asked for a sample again; crop together as well."""
    folder = make_trial(tmp_path)
    parts(("A01-net-60", "A01-net"), ("A01-net-60", "A02-net"))(folder)
    cell("samples", "A01-net-60", "of", "")(folder)
    rows = [r for r in read_cells(folder / "samples.csv") if r["sample"] != "A02-net-60"]
    write_cells(folder / "samples.csv", rows)
    frame = status(read_trial(folder), today=dt.date(2025, 7, 30)).frame
    assert not frame["bale"].isin(["A01-net", "A02-net"]).any()


def test_a_composite_to_come_is_due_for_all_its_bales(tmp_path: Path) -> None:
    folder = make_trial(tmp_path)
    parts(("A01-net-60", "A01-net"), ("A01-net-60", "A02-net"))(folder)
    rows = [r for r in read_cells(folder / "samples.csv") if r["sample"] != "A02-net-60"]
    for row in rows:
        if row["sample"] == "A01-net-60":
            blank = dict.fromkeys(row.keys() - {"sample", "kind"}, "")
            row.update(blank)
    write_cells(folder / "samples.csv", rows)
    trial = read_trial(folder)
    assert trial.errors == ()
    assert not any("no sample" in warning.found for warning in trial.warnings)
    due = trial.due.frame[trial.due.frame["table"] == "samples"].iloc[0]
    assert (due["bale"], due["opening"], due["days"]) == ("A01-net A02-net", "60 days", 60.0)
    left = analyse(trial)["butyric_acid"].records.left_out.frame
    assert left["reason"].tolist() == ["planned, not taken yet"] * 2
