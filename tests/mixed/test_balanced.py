"""Balanced designs, where the mixed model must give the textbook's paired t and split-plot F.

The t and F come from R's t.test and aov (tests/reference/tables.json) and, for random data, from
scipy's ttest_rel and sums of squares written out here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from reference_models import coefficients, made, terms, values
from scipy import stats

from silagetrial.mixed import Fit, fit_mixed

BALANCED: dict[str, Any] = values("tables.json")["balanced"]
LEVELS = {"trt": ["film", "net"]}


def paired_fit(file: str, *, bound: str = "free") -> Fit:
    return fit_mixed(made(file), "y ~ trt", random=["pair"], levels=LEVELS, bound=bound)


def contrast_row(fit: Fit) -> pd.Series:
    return coefficients(fit).loc["trt[net]"]


@pytest.mark.parametrize("block", ["paired", "paired_zero"])
def test_contrast_of_complete_pairs_is_the_paired_t(block: str) -> None:
    """Also where pairs are negatively correlated, because a pair's variance is free in sign."""
    theirs = BALANCED[block]
    row = contrast_row(paired_fit(theirs["data"]))
    for column in ("estimate", "std_error", "df", "statistic", "p_value", "conf_low", "conf_high"):
        assert row[column] == pytest.approx(theirs[column], rel=1e-8), column


def test_negatively_correlated_pairs() -> None:
    """Pair covariance by hand: (MS between pairs - MS within) / 2 is negative."""
    wide = made("made_paired_zero.csv").pivot(index="pair", columns="trt", values="y")
    between = 2 * wide.mean(axis=1).var(ddof=1)
    within = (wide["net"] - wide["film"]).var(ddof=1) / 2
    free = paired_fit("made_paired_zero.csv")
    assert free.theta == pytest.approx([(between - within) / 2, within], rel=1e-9)
    assert free.theta[0] == pytest.approx(-0.16160714, abs=5e-9)
    assert not free.at_bound.any()
    # Held at zero the SE is that of two unpaired samples; Kenward-Roger keeps the design's df.
    held = contrast_row(paired_fit("made_paired_zero.csv", bound="zero"))
    unpaired = np.sqrt(wide.var(ddof=1).sum() / len(wide))
    assert held["std_error"] == pytest.approx(unpaired, rel=1e-9)
    assert held["df"] == pytest.approx(7, rel=1e-9)


@pytest.mark.parametrize("term", ["trt", "day", "trt:day"])
def test_split_plot_in_time(term: str) -> None:
    fit = fit_mixed(
        made("made_splitplot_time.csv"),
        "y ~ trt * day",
        random=["pair", "bale"],
        levels={**LEVELS, "day": ["14", "60", "120", "240"]},
    )
    theirs = BALANCED["splitplot"]
    row = terms(fit).loc[term]
    assert row["statistic"] == pytest.approx(theirs[term]["statistic"], rel=1e-9)
    assert row["num_df"] == theirs[term]["num_df"]
    assert row["den_df"] == pytest.approx(theirs[term]["den_df"], rel=1e-9)
    assert row["p_value"] == pytest.approx(theirs[term]["p_value"], rel=1e-8)
    expected = [
        (theirs["ms_pair"] - theirs["ms_bale"]) / 8,
        (theirs["ms_bale"] - theirs["ms_within"]) / 4,
        theirs["ms_within"],
    ]
    assert fit.theta == pytest.approx(expected, rel=1e-8)
    np.testing.assert_allclose(fit.covariance_kr, fit.covariance, atol=1e-12)


tenths = st.integers(-200, 200).map(lambda v: v / 10)


@settings(max_examples=40, deadline=None, derandomize=True)
@given(
    st.integers(3, 9).flatmap(lambda n: st.lists(st.tuples(tenths, tenths), min_size=n, max_size=n))
)
def test_paired_t_whatever_the_data(pairs: list[tuple[float, float]]) -> None:
    y = np.array(pairs)
    assume(np.ptp(y[:, 1] - y[:, 0]) > 0 and np.ptp(y.sum(axis=1)) > 0)  # both strata have an error
    frame = pd.DataFrame(
        {"pair": np.repeat(np.arange(len(y)), 2), "trt": ["film", "net"] * len(y), "y": y.ravel()}
    )
    row = contrast_row(fit_mixed(frame, "y ~ trt", random=["pair"], levels=LEVELS))
    expected = stats.ttest_rel(y[:, 1], y[:, 0])
    assert row["df"] == pytest.approx(len(y) - 1, rel=1e-7)
    assert row["statistic"] == pytest.approx(expected.statistic, rel=1e-7, abs=1e-9)
    assert row["p_value"] == pytest.approx(expected.pvalue, rel=1e-6)


@settings(max_examples=25, deadline=None, derandomize=True)
@given(st.integers(0, 2**32 - 1), st.integers(3, 6), st.integers(2, 4))
def test_split_plot_whatever_the_data(seed: int, pairs: int, openings: int) -> None:
    """F of the treatment is MS treatment / MS pair x treatment, whatever sign variances have."""
    y = np.random.default_rng(seed).normal(size=(pairs, 2, openings))
    grid = pd.MultiIndex.from_product([range(pairs), ["film", "net"], range(openings)])
    frame = grid.to_frame(index=False, name=["pair", "trt", "day"]).assign(y=y.ravel())
    frame["bale"] = frame["pair"].astype(str) + frame["trt"]
    frame["day"] = "d" + frame["day"].astype(str)
    fit = fit_mixed(frame, "y ~ trt * day", random=["pair", "bale"], levels=LEVELS)
    row = terms(fit).loc["trt"]
    bale_means = y.mean(axis=2)
    t = stats.ttest_rel(bale_means[:, 1], bale_means[:, 0]).statistic
    assert row["statistic"] == pytest.approx(t**2, rel=1e-6)
    assert row["den_df"] == pytest.approx(pairs - 1, rel=1e-6)
