"""The crop at day 0: baselines and covariates, on made trials."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from analysis_designs import (
    answer,
    change,
    drop,
    fitted,
    recored_pairs,
    separate_pairs,
    settings_of,
)
from builders import make_trial, read_cells, write_cells
from curve_designs import planned

from silagetrial.analysis import choose_model
from silagetrial.analysis.catalogue import response_of
from silagetrial.analysis.day0 import baseline_rows, covariate_columns, crop_values
from silagetrial.analysis.records import records_of
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS
from silagetrial.analysis.strata import completed
from silagetrial.data.read import read_trial
from silagetrial.errors import UsageError

# ---- the crop at day 0 ----


def test_butyric_acid_has_no_baseline(tmp_path: Path) -> None:
    trial = read_trial(make_trial(tmp_path, sites=1))
    rows = completed(records_of(trial, BUTYRIC_ACID).rows)
    for response in (BUTYRIC_ACID, DM_LOSS):
        with pytest.raises(UsageError, match="known at day 0") as refused:
            baseline_rows(trial, response, rows)
        assert "butyric acid of the crop is mostly below" in refused.value.remedy


def test_samples_of_bales_are_samples_of_their_pair(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, sites=1)
    change(folder, "samples", {"sample": "A01-day0"}, of="A01-net", dm="340")
    rows = read_cells(folder / "samples.csv")
    twin = {**rows[0], "sample": "A01-day0b", "of": "A01-film", "dm": "360"}
    write_cells(folder / "samples.csv", [*rows, twin])
    values = crop_values(read_trial(folder), "dm").set_index("name")
    assert values.loc["A01", "value"] == 350
    assert values.loc["A01", "level"] == "pair"


def test_a_lot_sample_is_no_nearer_to_one_pair(tmp_path: Path) -> None:
    folder = make_trial(tmp_path, sites=1)
    bales = read_cells(folder / "bales.csv")
    write_cells(folder / "bales.csv", [{**row, "lot": "L1"} for row in bales])
    rows = read_cells(folder / "samples.csv")
    crop = [row for row in rows if row["kind"] == "day0"]
    write_cells(folder / "samples.csv", [
        {**crop[0], "sample": "L1-day0", "of": "L1"}, *(row for row in rows if row not in crop),
    ])  # fmt: skip
    trial = read_trial(folder)
    silage = completed(records_of(trial, response_of("pH")).rows)
    found = baseline_rows(trial, response_of("pH"), silage)
    assert len(found) == 1
    assert found["pair"].iloc[0] == "lot L1 at baling"
    assert found["days"].iloc[0] == 0
    assert covariate_columns(trial, silage).equals(silage)  # none is planned


# ---- covariates ----


def test_covariate_as_least_squares_on_pair_differences() -> None:
    """One opening, complete pairs: binding x covariate is the slope of the pairs' differences.

    numpy.polyfit on film - net against the centred covariate, n - 2 df.
    """
    rng = np.random.default_rng(11)
    rows = separate_pairs(9, openings=("A",))
    crop = dict(zip(sorted(set(rows["pair"])), rng.normal(350, 15, 9), strict=True))
    rows["day0_dm"] = rows["pair"].map(crop) - np.mean(list(crop.values()))
    y = rng.normal(size=len(rows)) + 0.02 * rows["day0_dm"] * (rows["binding"] == "film")
    settings = settings_of(openings=("A",), covariates=("day0_dm",))
    choice, fit, wanted = fitted(rows, settings, y.to_numpy())
    assert choice.error_df == 7
    cells = rows.assign(y=y).pivot(index="pair", columns="binding", values="y")
    apart = cells["film"] - cells["net"]
    x = rows.groupby("pair")["day0_dm"].first()
    (slope, level), covariance = np.polyfit(x, apart, 1, cov=True)
    b = dict(zip(fit.names, fit.beta, strict=True))
    assert b["binding[film]:day0_dm"] == pytest.approx(slope, rel=1e-8)
    estimate = wanted.differences.rows[:, fit.frame.kept] @ fit.beta
    assert estimate == pytest.approx([level], rel=1e-8)
    k = fit.names.index("binding[film]:day0_dm")
    assert fit.covariance_kr[k, k] == pytest.approx(covariance[0, 0], rel=1e-8)


def test_covariate_not_known_or_told_already_is_left_out() -> None:
    rows = recored_pairs(4, sites=2)
    settings = settings_of("recored", openings=("A", "B"), covariates=("day0_dm",))

    def reason(frame: pd.DataFrame) -> tuple[bool, str]:
        terms = choose_model(frame, settings).terms.frame.set_index("term")
        return terms.loc["day0_dm", "kept"], terms.loc["day0_dm", "reason"]

    assert reason(rows) == (False, "not known at day 0 for every bale")
    assert reason(rows.assign(day0_dm=[np.nan] + [1.0] * (len(rows) - 1)))[0] == False  # noqa: E712
    of_site = rows.assign(day0_dm=(rows["site"] == "site 0").astype(float) - 0.5)
    assert reason(of_site) == (False, "the other terms tell it already")


def test_covariate_missing_in_one_pair_is_said(tmp_path: Path) -> None:
    folder = planned(tmp_path, 'covariates = ["day0_wsc"]')
    terms = answer(folder)["butyric_acid"].model
    assert terms is not None
    row = terms.terms.frame.set_index("term").loc["day0_wsc"]
    assert not row["kept"]
    assert row["reason"] == "not known at day 0 for every bale"


def test_own_baseline_is_no_covariate_of_its_curve(tmp_path: Path) -> None:
    lines = 'curve = "log"\nresponses = ["dm"]\ncovariates = ["day0_dm"]'
    found = answer(planned(tmp_path, lines))["dm"].curve
    assert found is not None
    assert found.model is not None
    assert not any("day0_dm" in term for term in found.model.fixed)
    assert any("day0_dm is the baseline of DM itself" in note for note in found.notes)


def test_pair_without_a_crop_sample_has_no_baseline_row(tmp_path: Path) -> None:
    """A pair without its crop sample has no baseline row; the others keep theirs."""
    folder = planned(tmp_path, 'curve = "log"\nresponses = ["pH"]')
    change(folder, "samples", {"sample": "A02-day0"}, pH="")
    drop(folder, "samples", sample="A03-net-90")
    found = answer(folder)["pH"].curve
    assert found is not None
    assert found.model is not None
    assert (found.model.rows["stored"] == 0).sum() == 4
