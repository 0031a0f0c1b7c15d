"""The paired t of each pair's own slopes: scipy on slopes of numpy's least squares."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from analysis_designs import answer, drop
from curve_designs import planned
from scipy import stats

from silagetrial.analysis import Analysis
from silagetrial.analysis.curve_analysis import CurveAnalysis
from silagetrial.mixed import contrasts


@pytest.fixture(scope="module")
def linear(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return answer(
        planned(tmp_path_factory.mktemp("linear"), 'curve = "linear"\nresponses = ["pH"]')
    )


@pytest.fixture(scope="module")
def log(tmp_path_factory: pytest.TempPathFactory) -> Analysis:
    return answer(planned(tmp_path_factory.mktemp("log"), 'curve = "log"'))


def curve(analysis: Analysis, name: str) -> CurveAnalysis:
    found = analysis[name].curve
    assert found is not None
    assert found.model is not None
    return found


def by(found: CurveAnalysis, method: str) -> pd.Series:
    return found.exact.frame.set_index("method").loc[method]


def own_slopes(found: CurveAnalysis, *, start: str, log: bool = False) -> np.ndarray:
    """Film less net of each pair, by numpy's least squares bale by bale."""
    assert found.model is not None
    rows = found.model.rows.assign(x=found.model.rows["days"])
    if log:
        rows["x"] = np.log1p(rows["days"])
    crop = rows[rows["stored"] == 0].groupby("pair")["y"].mean()
    slopes = {}
    for (pair, binding), bale in rows[rows["stored"] == 1].groupby(["pair", "binding"]):
        x, y = bale["x"].to_numpy(), bale["y"].to_numpy()
        if start == "measured":
            y = y - crop[pair]
        design = np.column_stack([x, np.ones(len(x))]) if start == "unknown" else x[:, None]
        slopes[pair, binding] = np.linalg.lstsq(design, y)[0][0]
    pairs = sorted({pair for pair, _ in slopes})
    return np.array([slopes[pair, "film"] - slopes[pair, "net"] for pair in pairs])


@pytest.mark.parametrize(
    ("name", "start"), [("butyric_acid", "unknown"), ("dm_loss", "zero"), ("pH", "measured")]
)
def test_slopes_of_pairs_by_scipy(linear: Analysis, name: str, start: str) -> None:
    """scipy.stats.ttest_1samp of the differences, per 30 days."""
    found = curve(linear, name)
    each = 30.0 * own_slopes(found, start=start)
    outside = stats.ttest_1samp(each, 0.0)
    low, high = outside.confidence_interval(0.95)
    told = np.exp if name == "butyric_acid" else np.asarray
    row = by(found, "paired t")
    assert (row["pairs"], row["df"]) == (5, 4)
    assert row["p_value"] == pytest.approx(outside.pvalue, rel=1e-9)
    np.testing.assert_allclose(
        [row["estimate"], row["conf_low"], row["conf_high"]],
        told(np.array([each.mean(), low, high])),
        rtol=1e-9,
    )


def test_slopes_in_log_days_run_from_the_first_to_the_last_opening(log: Analysis) -> None:
    for name, start, first in (("butyric_acid", "unknown", 30.0), ("dm_loss", "zero", 0.0)):
        found = curve(log, name)
        times = np.log1p(240.0) - np.log1p(first)
        each = times * own_slopes(found, start=start, log=True)
        row = by(found, "paired t")
        assert row["p_value"] == pytest.approx(stats.ttest_1samp(each, 0.0).pvalue, rel=1e-9)
        assert f"from day {first:g} to day 240" in found.exact.notes[0]


def test_the_models_row_is_its_own_contrast_of_the_slopes(linear: Analysis, log: Analysis) -> None:
    """With one column in the curve: the difference of the two bindings' coefficients."""
    for analysis, name, times in (
        (linear, "butyric_acid", 30.0),
        (linear, "dm_loss", 30.0),
        (linear, "pH", 30.0),
        (log, "dm_loss", np.log1p(240.0)),
    ):
        found = curve(analysis, name)
        assert found.fit is not None
        columns = list(found.fit.frame.columns)
        weights = np.zeros(len(columns))
        for place, column in enumerate(columns):
            if column.endswith(":curve_1") or column.startswith("curve_1:"):
                sign = {"film": 1.0, "net": -1.0}
                weights[place] = next(s for b, s in sign.items() if f"[{b}]" in column)
        own = contrasts(found.fit, times * weights).frame.iloc[0]
        row = by(found, "model")
        told = np.exp if name == "butyric_acid" else np.asarray
        assert row["estimate"] == pytest.approx(float(told(own["estimate"])), rel=1e-8)
        assert row["p_value"] == pytest.approx(own["p_value"], rel=1e-7)
        assert row["df"] == pytest.approx(own["df"], rel=1e-7)


def test_rates_of_a_straight_line_are_the_models_row(linear: Analysis) -> None:
    found = curve(linear, "dm_loss")
    rate = found.rates.frame.set_index("term").loc["film - net"]
    assert by(found, "model")["estimate"] == pytest.approx(rate["estimate"], rel=1e-8)


def test_a_bent_curve_is_told_by_its_mean_slope(tmp_path: Path) -> None:
    found = curve(answer(planned(tmp_path, 'curve = "broken"\nknots = [120]')), "butyric_acid")
    assert set(found.exact.frame["method"]) == {"model", "paired t"}
    assert "The curve bends" in found.exact.notes[-1]


def test_a_pair_with_a_core_missing_is_left_out(tmp_path: Path) -> None:
    folder = planned(tmp_path, 'curve = "linear"')
    drop(folder, "samples", sample="A01-film-90")
    row = by(curve(answer(folder), "butyric_acid"), "paired t")
    assert (row["pairs"], row["df"]) == (4, 3)


def test_separate_bales_have_no_slopes_of_pairs(tmp_path: Path) -> None:
    found = curve(answer(planned(tmp_path, 'curve = "log"', design="separate")), "butyric_acid")
    assert not len(found.exact)
    assert found.exact.notes == (
        "Each bale was opened once, so that no pair has a slope of its own and the curve no "
        "paired t; the comparison at each opening has one.",
    )


@pytest.mark.slow
def test_sites_are_the_replicates_of_an_answer_about_sites(tmp_path: Path) -> None:
    found = curve(answer(planned(tmp_path, 'curve = "linear"', sites=5, pairs=2)), "dm_loss")
    row = by(found, "paired t")
    assert (row["pairs"], row["df"]) == (5, 4)
    each = own_slopes(found, start="zero").reshape(5, 2).mean(axis=1)
    assert row["p_value"] == pytest.approx(stats.ttest_1samp(each, 0.0).pvalue, rel=1e-9)
    assert "sites are the replicates" in found.exact.notes[-1]


def test_one_complete_pair_is_not_enough(tmp_path: Path) -> None:
    folder = planned(tmp_path, 'curve = "linear"', pairs=3)
    drop(folder, "samples", sample="A01-film-90")
    drop(folder, "samples", sample="A02-net-30")
    found = curve(answer(folder), "butyric_acid").exact
    assert not len(found) or found.frame.set_index("method").loc["paired t", "remark"]
