"""Bootstrap-t: exact theory where there is one, the same bits everywhere, honest errors."""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pandas as pd
import pytest
from reference_models import fitted, made
from scipy import stats

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import (
    Fit,
    adjusted_mean_functions,
    bootstrap,
    contrasts,
    fit_mixed,
    variance_test,
)

SPLIT = made("made_splitplot_time.csv").astype({"day": str})


def split_plot() -> Fit:
    return fit_mixed(SPLIT, "y ~ trt * day", random=["pair", "bale"])


def net_less_film(fit: Fit) -> Any:
    return adjusted_mean_functions(fit, ["trt"]).differences("trt")


def test_balanced_t_is_students() -> None:
    """Across a balanced split plot t* is Student's t with pairs - 1 df, whatever the variances."""
    fit = split_plot()
    found = bootstrap(fit, net_less_film(fit), seed=20260101, draws=2000)
    assert found.failed == 0
    assert stats.kstest(found.statistics[:, 0], stats.t(5).cdf).pvalue > 0.01
    row, exact = found.table.frame.iloc[0], contrasts(fit, net_less_film(fit)).frame.iloc[0]
    for end in ("conf_low", "conf_high"):
        assert abs(row[end] - exact[end]) < 4 * row[f"{end}_mc_error"]
    assert abs(row["p_value"] - exact["p_value"]) < 4 * row["p_value_mc_error"]


def test_ends_come_from_the_opposite_tails() -> None:
    """``estimate - t*(.975) se`` below, ``estimate - t*(.025) se`` above, by hand."""
    fit = split_plot()
    found = bootstrap(fit, net_less_film(fit), seed=7, draws=399)
    row, t = found.table.frame.iloc[0], np.sort(found.statistics[:, 0])
    assert row["conf_low"] == pytest.approx(row["estimate"] - t[389] * row["std_error"], rel=1e-9)
    assert row["conf_high"] == pytest.approx(row["estimate"] - t[9] * row["std_error"], rel=1e-9)
    beyond = min((t >= row["statistic"]).sum(), (t <= row["statistic"]).sum())
    assert row["p_value"] == pytest.approx(2 * (1 + beyond) / 400, rel=1e-12)


def test_symmetric_interval() -> None:
    fit = split_plot()
    row = bootstrap(
        fit, net_less_film(fit), seed=5, draws=1000, method="symmetric"
    ).table.frame.iloc[0]
    assert row["conf_high"] - row["estimate"] == pytest.approx(row["estimate"] - row["conf_low"])
    exact = contrasts(fit, net_less_film(fit)).frame.iloc[0]
    assert abs(row["conf_low"] - exact["conf_low"]) < 4 * row["conf_low_mc_error"]
    assert abs(row["p_value"] - exact["p_value"]) < 4 * row["p_value_mc_error"]


def test_interval_and_p_agree() -> None:
    """p is below 5 % where the 95 % interval leaves out zero, up to one order statistic."""
    fit = split_plot()
    functions = adjusted_mean_functions(fit, ["trt", "day"]).differences(
        "day", families="all pairs"
    )
    for method in ("equal tails", "symmetric"):
        frame = bootstrap(fit, functions, seed=8, draws=999, method=method).table.frame
        outside = (frame["conf_low"] > 0) | (frame["conf_high"] < 0)
        clear = (frame["p_value"] - 0.05).abs() > 0.003
        assert ((frame["p_value"] < 0.05) == outside)[clear].all()
        assert 0 < outside.sum() < len(frame)


@pytest.mark.slow
def test_monte_carlo_errors_are_the_spread_over_seeds() -> None:
    fit = fit_mixed(SPLIT, "y ~ trt", random=["pair"])
    runs = [
        bootstrap(fit, net_less_film(fit), seed=seed, draws=400).table.frame.iloc[0]
        for seed in range(40)
    ]
    frame = pd.DataFrame(runs)
    for column in ("conf_low", "conf_high", "p_value"):
        claimed = float(frame[f"{column}_mc_error"].astype(float).mean())
        # The SD of 40 values is good to 11 %, the mean of the claimed ones to a few per cent.
        assert frame[column].astype(float).std() == pytest.approx(claimed, rel=0.35)


def test_same_bits_with_any_number_of_workers() -> None:
    fit = split_plot()
    runs = [
        bootstrap(fit, net_less_film(fit), seed=11, draws=600, workers=workers)
        for workers in (1, 2, 4)
    ]
    for other in runs[1:]:
        assert np.array_equal(runs[0].statistics, other.statistics)
        pd.testing.assert_frame_equal(runs[0].table.frame, other.table.frame, check_exact=True)
    different = bootstrap(fit, net_less_film(fit), seed=12, draws=600)
    assert not np.array_equal(runs[0].statistics, different.statistics)


def test_large_mean_and_scale_change_nothing() -> None:
    """t* has no units: the same draws of a response in other units and far from zero."""
    fit = split_plot()
    moved = fit_mixed(
        SPLIT.assign(y=1e5 + 40.0 * SPLIT["y"]), "y ~ trt * day", random=["pair", "bale"]
    )
    one, other = (
        bootstrap(f, net_less_film(f), seed=2, draws=200).statistics for f in (fit, moved)
    )
    np.testing.assert_allclose(one, other, rtol=1e-6)


@pytest.mark.slow
def test_failed_fits_are_counted() -> None:
    """Three pairs with rows lost: some data sets have no maximum; they are counted and left out."""
    rng = np.random.default_rng(6)
    frame = SPLIT[(SPLIT["pair"] <= 3) & (SPLIT["day"] != "240")]
    seen = 0
    for _ in range(40):
        part = frame[rng.random(len(frame)) > 0.35]
        part = part.assign(y=rng.normal(size=len(part)))
        try:
            fit = fit_mixed(part, "y ~ trt", random=["pair", "bale"])
            found = bootstrap(fit, net_less_film(fit), seed=1, draws=256)
        except (NoAnswer, UsageError) as refusal:
            seen |= "of 256 simulated data sets cannot be fitted" in refusal.found
            continue
        if found.failed:
            gone = np.isnan(found.statistics).any(axis=1).sum()
            assert gone == found.failed
            assert f"{found.failed} more could not be fitted" in found.table.notes[0]
            seen |= 2
        if seen == 3:
            break
    assert seen == 3


def test_wrong_method() -> None:
    fit = split_plot()
    wrong: Any = "percentile"
    with pytest.raises(UsageError) as caught:
        bootstrap(fit, net_less_film(fit), seed=1, draws=10, method=wrong)
    assert "method='percentile'" in caught.value.found


def test_variance_of_a_one_way_layout_is_its_f_test() -> None:
    """The restricted ratio grows with F: its simulated p is the p of F (R: anova(lm()))."""
    for name in ("Dyestuff", "Dyestuff2"):
        fit = fitted(name)
        y = fit.frame.y.reshape(6, 5)
        exact = float(stats.f_oneway(*y).pvalue)
        row = variance_test(fit, "Batch", seed=4, draws=2000).frame.iloc[0]
        if name == "Dyestuff2":
            # F is below 1: the ratio is zero and every data set reaches it.
            assert (row["statistic"], row["p_value"], row["mixture_p"]) == (0.0, 1.0, 1.0)
        else:
            assert abs(row["p_value"] - exact) < 4 * row["p_value_mc_error"] + 1 / 2001
            assert row["draws"] + row["failed"] == 2000


def test_variance_statistic_is_the_difference_of_two_fits() -> None:
    fit, without = split_plot(), fit_mixed(SPLIT, "y ~ trt * day", random=["pair"])
    row = variance_test(fit, "bale", seed=4, draws=500).frame.iloc[0]
    assert row["statistic"] == pytest.approx(2 * (fit.loglik - without.loglik), rel=1e-8)
    assert row["mixture_p"] == pytest.approx(stats.chi2.sf(row["statistic"], 1) / 2, rel=1e-9)
    # Balanced: the ratio against no bale variance grows with MS(bale) / MS(within).
    within, bale = 0.124223180555556, 0.44847325  # tests/reference/tables.json, R's aov
    exact = float(stats.f.sf(bale / within, 5, 30))
    assert abs(row["p_value"] - exact) < 4 * row["p_value_mc_error"] + 1 / 501


def test_correlated_slopes_against_none() -> None:
    fit = fitted("sleepstudy_rs_corr")
    row = variance_test(fit, "Subject (1 + Days)", seed=4, draws=64).frame.iloc[0]
    assert row["p_value"] == pytest.approx(1 / 65)
    assert np.isnan(row["mixture_p"])


def test_unknown_term() -> None:
    with pytest.raises(UsageError) as caught:
        variance_test(split_plot(), "farm", seed=1)
    assert "no random term 'farm'" in caught.value.found
    assert caught.value.expected == "one of pair, bale"


@pytest.mark.slow
def test_two_thousand_fits_of_the_reference_trial_in_two_seconds() -> None:
    rng = np.random.default_rng(1)
    grid = pd.MultiIndex.from_product([range(12), ["film", "net"], ["14", "60", "120", "240"]])
    frame = grid.to_frame(index=False, name=["pair", "trt", "day"])
    frame["site"], frame["bale"] = frame["pair"] // 4, frame["pair"].astype(str) + frame["trt"]
    effect = rng.normal(size=3)[frame["site"]] + rng.normal(size=12)[frame["pair"]]
    frame["y"] = effect + rng.normal(size=24)[pd.factorize(frame["bale"])[0]] + rng.normal(size=96)
    fit = fit_mixed(frame, "y ~ trt * day", random=["site", "pair", "bale"])
    bootstrap(fit, net_less_film(fit), seed=1, draws=128)
    start = time.perf_counter()
    found = bootstrap(fit, net_less_film(fit), seed=1, draws=2000)
    assert time.perf_counter() - start < 2.0
    assert found.failed <= 20
