"""A value measured outside the window of its opening: none of that opening, one of the curve."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import pandas as pd
import pytest
from analysis_designs import change, replace_text
from builders import make_trial, read_cells

from silagetrial.analysis import analyse
from silagetrial.analysis.records import Records, records_of
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS
from silagetrial.data.grid import pair_grid
from silagetrial.data.read import read_trial
from silagetrial.data.status import status

TRIAL = {"sites": 1, "pairs": 4, "limit": 0.01}
LATE = "2025-08-20"


def records(folder: Path, *, loss: bool = False) -> Records:
    trial = read_trial(folder)
    assert trial.errors == ()
    return records_of(trial, DM_LOSS if loss else BUTYRIC_ACID)


def late(folder: Path, *bales: str) -> Path:
    """Take the samples of some bales at 60 days 86 days after wrapping; the window ends at 69."""
    for bale in bales:
        change(folder, "samples", {"sample": f"{bale}-60"}, taken_on=LATE)
    return folder


def test_it_leaves_its_opening_and_its_partner_stays(tmp_path: Path) -> None:
    folder = late(make_trial(tmp_path, **TRIAL), "A01-net")
    found = records(folder)
    assert found.outside["bale"].tolist() == ["A01-net"]
    assert "A01-net" not in set(found.rows["bale"])
    assert "A01-film" in set(found.rows["bale"])
    (row,) = found.left_out.frame.to_dict("records")
    assert row == {
        "bale": "A01-net", "binding": "net", "opening": "60 days", "what": "outside the window",
        "reason": "samples: 86 days, window 51 to 69; used for a curve over storage only, and "
        "none is planned",
    }  # fmt: skip
    result = analyse(read_trial(folder))["butyric_acid"]
    assert result.fit is not None
    assert len(result.fit.frame.y) == 15
    pairs = result.exact.frame.set_index("contrast")["pairs"]
    assert (pairs["60 days"], pairs["240 days"]) == (3, 4)


@pytest.mark.parametrize(("day", "hour", "inside"), [
    (51, 0, True), (51, 1, True), (50, 23, False), (69, 23, True), (70, 1, False),
])  # fmt: skip
def test_windows_count_calendar_days(tmp_path: Path, day: int, hour: int, inside: bool) -> None:
    """The last day is inside to its last hour, whatever the hour of wrapping."""
    folder = make_trial(tmp_path, **TRIAL)
    bale = next(row for row in read_cells(folder / "bales.csv") if row["bale"] == "A01-net")
    wrapped = dt.datetime.fromisoformat(bale["film_wrapped_at"]).replace(hour=0, minute=0)
    when = wrapped + dt.timedelta(days=day, hours=hour, minutes=30)
    change(folder, "samples", {"sample": "A01-net-60"}, taken_on=f"{when:%Y-%m-%d %H:%M}")
    assert ("A01-net" in set(records(folder).rows["bale"])) == inside
    assert any("days in storage" in w.found for w in read_trial(folder).warnings) != inside


def test_a_weighing_outside_takes_the_dm_loss_out_alone(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, **TRIAL)
    change(folder, "weighings", {"weighing": "A01-net-w60"}, weighed_at=f"{LATE} 09:00")
    assert len(records(folder).rows) == 16
    found = records(folder, loss=True)
    assert found.outside["bale"].tolist() == ["A01-net"]
    assert (
        found.left_out.frame["reason"]
        .iloc[0]
        .startswith("weighings: weighed outside the window, 51 to 69 days")
    )


def cored(folder: Path) -> Path:
    """Cored bales, one of them late at 60 days, with a planned curve."""
    make_trial(folder, design="recored", openings=(60, 120, 240), **TRIAL)
    replace_text(folder, "[analysis]", '[analysis]\ncurve = "linear"')
    return late(folder, "A01-net")


def test_a_curve_takes_it_at_its_days(tmp_path: Path) -> None:
    """Whether a window holds a value is nothing to a curve: the same curve with a wider window."""
    narrow, wide = cored(tmp_path / "narrow"), cored(tmp_path / "wide")
    replace_text(wide, "window = [51, 69]", "window = [51, 90]")
    one, other = (analyse(read_trial(folder))["butyric_acid"] for folder in (narrow, wide))
    assert len(one.records.rows) == len(other.records.rows) - 1
    assert one.curve is not None
    assert other.curve is not None
    assert one.curve.fit is not None
    assert len(one.curve.fit.frame.y) == 24
    for table in ("rates", "means", "differences", "variances"):
        found, wanted = (getattr(part.curve, table).frame for part in (one, other))
        numbers = wanted.select_dtypes("number").columns
        pd.testing.assert_frame_equal(found[numbers], wanted[numbers], rtol=1e-6)
    reason = one.records.left_out.frame["reason"].iloc[0]
    assert reason == "samples: 86 days, window 51 to 69; used for the curve over storage only"
    pairs = one.curve.exact.frame.query("method == 'paired t'")["pairs"]
    assert pairs.tolist() == [3]


def test_an_early_core_leaves_its_opening_due(tmp_path: Path) -> None:
    """Cored on day 41: the core of 60 days can still be taken, and the picture marks it."""
    folder = make_trial(tmp_path, design="recored", **TRIAL)
    change(folder, "samples", {"sample": "A01-net-60"}, taken_on="2025-07-06")
    trial = read_trial(folder)
    frame = status(trial, today=dt.date(2025, 7, 20)).frame
    due = frame[frame["bale"] == "A01-net"][["state", "what", "opening"]].to_numpy().tolist()
    assert due == [["due", "core", "60 days"]]
    states = {row.pair: row.states for row in pair_grid(trial)}
    assert states["A01"][0] == ("weighing", "complete")
    change(folder, "weighings", {"weighing": "A01-net-w60"}, weighed_at="2025-07-06 09:00")
    states = {row.pair: row.states for row in pair_grid(read_trial(folder))}
    assert states["A01"][0] == ("outside", "complete")
