"""Repeat results of a unit at an opening.

Mean of DM losses by the mass balance ``L = 1 - M1 D1 / (M0 D0)`` worked from the row's own columns;
its error by Monte Carlo with numpy's normal numbers.
"""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from analysis_designs import change
from builders import Cells, make_trial, read_cells, write_cells

from silagetrial.analysis import Analysis, analyse
from silagetrial.data.read import read_trial

TRIAL: dict[str, Any] = {"sites": 1, "pairs": 5, "limit": 0.01, "form": "none"}


def twice(folder: Path, *, single: tuple[str, ...] = (), more: float = 10.0) -> Path:
    """Give every bale but some a second sample at its opening, with more DM in it."""
    samples: Cells = []
    for row in read_cells(folder / "samples.csv"):
        samples.append(row)
        if row["kind"] != "day0" and row["of"] not in single:
            dm = f"{float(row['dm']) + more:.1f}"
            acid = f"{1.4 * float(row['butyric_acid']):.3f}"
            samples.append({**row, "sample": f"{row['sample']}b", "dm": dm, "butyric_acid": acid})
    write_cells(folder / "samples.csv", samples)
    return folder


def answer(folder: Path) -> Analysis:
    trial = read_trial(folder)
    assert trial.errors == ()
    return analyse(trial)


def test_a_late_result_does_not_change_how_its_opening_is_analysed(tmp_path: Path) -> None:
    """A bale with one result outside the window counts as if it had none at the opening."""
    late, none = (
        twice(make_trial(tmp_path / name, **TRIAL), single=("A01-net",))
        for name in ("late", "none")
    )
    change(late, "samples", {"sample": "A01-net-60"}, taken_on="2025-08-20")
    rest = [row for row in read_cells(none / "samples.csv") if row["sample"] != "A01-net-60"]
    write_cells(none / "samples.csv", rest)
    found, wanted = (answer(folder)["butyric_acid"] for folder in (late, none))
    assert (len(found.records.rows), len(found.records.outside)) == (19, 1)
    assert found.model is not None
    assert found.model.random == ("pair",)
    columns = ["estimate", "std_error", "df", "p_value"]
    np.testing.assert_allclose(
        found.differences.frame[columns], wanted.differences.frame[columns], rtol=1e-9
    )


def test_a_mean_has_the_columns_of_its_samples(tmp_path: Path) -> None:
    """DM 338 and 348, mean 343; the loss is that of the mean."""
    folder = make_trial(tmp_path, **TRIAL)
    change(folder, "samples", {"sample": "A01-net-60"}, dm="338")
    row = answer(twice(folder))["dm_loss"].records.rows.set_index("bale").loc["A01-net"]
    assert row["sample"] == "A01-net-60 A01-net-60b"
    assert (row["d1"], row["d1_oven"]) == (343.0, 343.0)
    by_hand = 100.0 * (1.0 - row["m1"] * 343.0 / (row["m0"] * row["d0"]))
    assert (row["value"], row["uncorrected"]) == pytest.approx((by_hand, by_hand))


def test_the_error_of_a_mean_is_that_of_two_samples(tmp_path: Path) -> None:
    """SD 1 kg and 5 g/kg: the spread of 200,000 losses drawn with one crop's DM and two DM."""
    folder = twice(make_trial(tmp_path, **TRIAL))
    row = answer(folder)["dm_loss"].records.rows.iloc[0]
    rng = np.random.default_rng(8)
    m0, m1 = (row[name] + rng.normal(0, 1, 200_000) for name in ("m0", "m1"))
    d0 = row["d0"] + rng.normal(0, 5, 200_000)
    d1 = row["d1"] + rng.normal(0, 5, (200_000, 2)).mean(axis=1)
    drawn = 100.0 * (1.0 - m1 * d1 / (m0 * d0))
    # Monte Carlo error of an SD: 1 / sqrt(2 n), 0.16 per cent of it.
    assert row["measurement_se"] == pytest.approx(drawn.std(), rel=0.008)


def test_a_mean_without_one_ovens_dm_has_none(tmp_path: Path) -> None:
    """The laboratory corrected one of two samples itself: no loss without the correction."""
    folder = twice(make_trial(tmp_path, **{**TRIAL, "form": "short"}))
    change(folder, "samples", {"sample": "A01-net-60b"}, dm_basis="corrected")
    rows = answer(folder)["dm_loss"].records.rows.set_index("bale")
    assert np.isnan(rows.loc["A01-net", ["uncorrected", "d1_oven"]].astype(float)).all()
    assert rows["uncorrected"].notna().sum() == 19


def test_a_mean_of_two_laboratories_is_of_both(tmp_path: Path) -> None:
    folder = twice(make_trial(tmp_path / "both", **TRIAL))
    rows = [
        {**row, "laboratory": "B" if row["sample"].endswith("b") else "A"}
        for row in read_cells(folder / "samples.csv")
    ]
    write_cells(folder / "samples.csv", rows)
    found = answer(folder)["butyric_acid"].records.rows
    assert set(found["laboratory"]) == {"A + B"}
    one = answer(twice(make_trial(tmp_path / "one", **TRIAL)))["butyric_acid"].records.rows
    assert one["laboratory"].dropna().nunique() <= 1
