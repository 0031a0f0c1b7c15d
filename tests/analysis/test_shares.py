"""Share of bales over a limit: the noncentral t against outside values, counts against scipy."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from analysis_designs import DAYS, fitted, recored_pairs, separate_pairs, settings_of
from scipy import stats

from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS
from silagetrial.analysis.shares import (
    clopper_pearson,
    counted_shares,
    modelled_shares,
    share_interval,
)
from silagetrial.mixed import fit_mixed
from silagetrial.mixed.noncentral import noncentral_t_cdf


@pytest.mark.parametrize(("over", "total"), [(0, 9), (3, 8), (9, 9), (1, 1), (17, 60)])
@pytest.mark.parametrize("level", [0.9, 0.95])
def test_clopper_pearson_as_scipy(over: int, total: int, level: float) -> None:
    theirs = stats.binomtest(over, total).proportion_ci(level, method="exact")
    low, high = clopper_pearson(over, total, level=level)
    assert (low, high) == pytest.approx((theirs.low, theirs.high), abs=1e-12)


@pytest.mark.parametrize("df", [2.0, 5.5, 11.0, 60.0])
@pytest.mark.parametrize(("t", "nc"), [(-1.0, 0.5), (0.0, 1.0), (2.0, 1.5), (6.0, 4.0)])
def test_noncentral_t_as_scipy(t: float, df: float, nc: float) -> None:
    assert noncentral_t_cdf(t, df, nc) == pytest.approx(stats.nct.cdf(t, df, nc), abs=1e-9)


def test_share_interval_turns_round_a_tolerance_limit() -> None:
    """One-sided 95 % tolerance factor for 90 % of a normal, n = 10: k = 2.355 (ISO 16269-6).

    At a limit k standard deviations above the mean of ten, 95 % confidence says that at most
    10 % of the population lies over it.
    """
    _, _, high = share_interval(0.0, 1 / np.sqrt(10), 2.35464, sd=1.0, df=9.0, level=0.90)
    assert high == pytest.approx(0.10, abs=2e-5)


def test_share_of_known_spread_is_normal() -> None:
    found = share_interval(1.0, 0.25, 0.5, sd=1.0, df=np.inf, level=0.95)
    z = 0.5 + np.array([0.0, -1.0, 1.0]) * stats.norm.ppf(0.975) * 0.25
    assert found == pytest.approx(tuple(stats.norm.cdf(z)), abs=1e-9)


def test_modelled_shares_add_up_the_variances() -> None:
    rows = separate_pairs(8)
    y = np.random.default_rng(3).normal(size=len(rows)) + 2.0
    _, fit, wanted = fitted(rows, settings_of(openings=("A", "B")), y)
    table = modelled_shares(fit, wanted.means, DM_LOSS, 2.5, level=0.95)
    total = fit.theta.sum()
    means = wanted.means.rows[:, fit.frame.kept] @ fit.beta
    np.testing.assert_allclose(
        table.frame["estimate"], stats.norm.sf((2.5 - means) / np.sqrt(total)), rtol=1e-10
    )
    spread = fit.theta_covariance.sum()
    assert f"{2 * total**2 / spread:.1f} df" in table.notes[0]
    assert (table.frame["conf_low"] < table.frame["estimate"]).all()
    on_logs = modelled_shares(fit, wanted.means, BUTYRIC_ACID, float(np.exp(2.5)), level=0.95)
    np.testing.assert_allclose(on_logs.frame["estimate"], table.frame["estimate"], rtol=1e-12)


@pytest.mark.parametrize("by", ["opening", "binding:opening"])
def test_spread_of_a_value_is_that_of_its_group_and_no_range(by: str) -> None:
    """A serial range is in days, and of residual variances by group the cell's own counts."""
    rows = recored_pairs(16, openings=("A", "B", "C"))
    rows = rows.assign(days=rows["opening"].map(DAYS))
    rng = np.random.default_rng(8)
    y = rng.normal(size=len(rows)) * rows["opening"].map({"A": 0.5, "B": 1.0, "C": 2.0}) + 2.0
    choice, _, wanted = fitted(rows, settings_of("recored", openings=("A", "B", "C")), y.to_numpy())
    fit = fit_mixed(
        rows.assign(y=y), choice.formula, random=choice.random, levels=choice.levels,
        residual_by=by, serial={"bale": "days"},
    )  # fmt: skip
    theta = {p.name: value for p, value in zip(fit.parameters, fit.theta, strict=True)}
    table = modelled_shares(fit, wanted.means, DM_LOSS, 2.5, level=0.95).frame
    means = wanted.means.rows[:, fit.frame.kept] @ fit.beta
    groups = table["opening"] if by == "opening" else table["binding"] + ":" + table["opening"]
    own = np.array([theta[f"residual: {name}"] for name in groups])
    wide = (2.5 - means) / np.sqrt(theta["pair"] + theta["bale"] + own)
    np.testing.assert_allclose(table["estimate"], stats.norm.sf(wide), rtol=1e-10)
    assert (table["conf_low"] < table["estimate"]).all()


def test_fixed_farms_are_not_in_the_spread_and_that_is_said() -> None:
    rows = separate_pairs(8, sites=3)
    y = np.random.default_rng(4).normal(size=len(rows))
    _, fit, wanted = fitted(rows, settings_of(openings=("A", "B")), y)
    notes = modelled_shares(fit, wanted.means, DM_LOSS, 0.5, level=0.95).notes
    assert notes[1].startswith("Of a bale in the middle of these farms: differences between them")


def value_rows(values: list[tuple[str, float, bool, float]]) -> pd.DataFrame:
    return pd.DataFrame(
        [
            {"opening": "A", "binding": b, "bale": f"{b}{k}", "value_used": v, "below": below,
             "limit": lod, "planned_days": 30.0}
            for k, (b, v, below, lod) in enumerate(values)
        ]
    )  # fmt: skip


def test_counts_of_bales() -> None:
    rows = value_rows(
        [("net", 6.0, False, np.nan), ("net", 5.0, False, np.nan), ("net", 0.1, True, 0.2),
         ("film", 5.1, False, np.nan)]
    )  # fmt: skip
    frame = counted_shares(rows, BUTYRIC_ACID, 5.0, level=0.95).frame.set_index("binding")
    assert list(frame.loc["net", ["bales", "over"]]) == [3, 1]
    assert list(frame.loc["film", ["bales", "over"]]) == [1, 1]
    theirs = stats.binomtest(1, 3).proportion_ci(0.95, method="exact")
    assert frame.loc["net", "conf_high"] == pytest.approx(theirs.high)
    assert "not_known" not in frame


def test_below_a_higher_laboratory_limit_is_not_known() -> None:
    rows = value_rows([("net", 4.0, True, 8.0), ("net", 6.0, False, np.nan)])
    row = counted_shares(rows, BUTYRIC_ACID, 5.0, level=0.95).frame.iloc[0]
    assert (row["bales"], row["over"], row["not_known"]) == (1, 1, 1)


@pytest.mark.slow
def test_coverage_of_shares() -> None:
    """Six pairs, intraclass correlation 0.3, true share 16 %: 95 % within Monte Carlo error.

    The delta method on the probit with t quantiles covers 0.98 here, and 0.995 with four pairs.
    """
    rng, pairs, times = np.random.default_rng(20261125), 6, 1500
    y = np.sqrt(0.3) * rng.normal(size=(times, pairs, 1))
    y = y + np.sqrt(0.7) * rng.normal(size=(times, pairs, 2))
    between = 2 * y.mean(axis=2).var(axis=1, ddof=1)
    within = (y[..., 0] - y[..., 1]).var(axis=1, ddof=1) / 2
    total = (between + within) / 2
    df = total**2 / ((between / 2) ** 2 + (within / 2) ** 2) * (pairs - 1)
    hits = 0
    for k in range(times):
        mean, sd = float(y[k, :, 0].mean()), float(np.sqrt(total[k]))
        _, low, high = share_interval(
            mean, sd / np.sqrt(pairs), 1.0, sd=sd, df=float(df[k]), level=0.95
        )
        hits += low <= stats.norm.sf(1.0) <= high
    assert hits / times == pytest.approx(0.95, abs=3.5 * np.sqrt(0.95 * 0.05 / times))
