"""A pair whose bales went to two laboratories gives no contrast, and the report says so."""

from __future__ import annotations

from pathlib import Path

from builders import make_trial, read_cells, write_cells

from silagetrial.analysis.records import records_of
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS
from silagetrial.data import Trial, read_trial


def sent_to_south(folder: Path, *samples: str) -> Trial:
    """Return a trial of which some samples went to another laboratory."""
    make_trial(folder, pairs=3, sites=2)
    rows = read_cells(folder / "samples.csv")
    for row in rows:
        if row["sample"].startswith(samples):
            row["laboratory"] = "South"
    write_cells(folder / "samples.csv", rows)
    return read_trial(folder)


def test_the_values_of_a_split_pair_are_left_out_and_named(tmp_path: Path) -> None:
    trial = sent_to_south(tmp_path, "A01-net-60")
    assert trial.errors == ()
    for response in (BUTYRIC_ACID, DM_LOSS):
        records = records_of(trial, response)
        assert "A01" not in set(records.rows["pair"])
        assert len(records.rows) == 22
        left = records.left_out.frame
        assert sorted(left["bale"]) == ["A01-film", "A01-net"]
        assert all(
            "the bales of its pair went to two laboratories" in reason for reason in left["reason"]
        )
    warning = next(item for item in trial.warnings if item.column == "laboratory")
    assert "the pair gives no contrast" in warning.remedy


def test_a_pair_that_went_whole_to_another_laboratory_stays(tmp_path: Path) -> None:
    records = records_of(sent_to_south(tmp_path, "A01"), BUTYRIC_ACID)
    assert len(records.rows) == 24
    assert len(records.left_out.frame) == 0


def test_where_every_pair_is_split_the_confounding_is_left_to_be_refused(tmp_path: Path) -> None:
    films = tuple(f"{site}{pair:02d}-film" for site in "AB" for pair in range(1, 7))
    records = records_of(sent_to_south(tmp_path, *films), BUTYRIC_ACID)
    assert len(records.rows) == 24
    assert records.rows.groupby("laboratory")["binding"].nunique().tolist() == [1, 1]
