"""Power from exact distributions: against R (tests/reference/make_power.R), scipy, statsmodels."""

from __future__ import annotations

import json
import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import special, stats
from statsmodels.stats.power import TTestIndPower, TTestPower

from silagetrial.mixed import noncentral as base
from silagetrial.mixed.noncentral import noncentral_f_cdf, noncentral_t_cdf, over_deviation
from silagetrial.planning import noncentral
from silagetrial.planning.noncentral import (
    OWEN_ERROR,
    equivalence_power,
    f_power,
    non_inferiority_power,
    t_power,
    variance_factor,
)

R: dict[str, Any] = json.loads(
    (Path(__file__).parents[1] / "reference" / "power.json").read_text(encoding="utf-8")
)


@pytest.mark.parametrize("row", R["t"])
def test_t_as_r(row: dict[str, Any]) -> None:
    both = row["type"] == "two.sample"
    error = row["sd"] * math.sqrt((2 if both else 1) / row["n"])
    df = 2 * row["n"] - 2 if both else row["n"] - 1
    assert t_power(row["delta"], error, df) == pytest.approx(row["power"], abs=1e-10)


@pytest.mark.parametrize("n", [3, 6, 15, 80])
@pytest.mark.parametrize("size", [0.2, 0.5, 1.5])
def test_t_as_statsmodels(n: int, size: float) -> None:
    one = TTestPower().power(size, n, 0.05, alternative="two-sided")
    two = TTestIndPower().power(size, n, 0.05, alternative="two-sided")
    assert t_power(size, 1 / math.sqrt(n), n - 1) == pytest.approx(one, abs=1e-8)
    assert t_power(size, math.sqrt(2 / n), 2 * n - 2) == pytest.approx(two, abs=1e-8)


@pytest.mark.parametrize("row", R["f"])
def test_f_as_r(row: dict[str, float]) -> None:
    found = f_power(row["ncp"], int(row["df1"]), row["df2"])
    assert found == pytest.approx(row["power"], abs=1e-9)


def test_f_of_one_contrast_is_t() -> None:
    size = np.linspace(0.0, 6.0, 7)
    assert f_power(size**2, 1, 7.0) == pytest.approx(t_power(size, 1.0, 7.0), abs=1e-12)


def test_infinite_df_are_normal_and_chi_square() -> None:
    assert t_power(1.3, 1.0, np.inf) == pytest.approx(
        stats.norm.sf(1.959963984540054 - 1.3) + stats.norm.cdf(-1.959963984540054 - 1.3), abs=1e-12
    )
    critical = stats.chi2.isf(0.05, 2)
    assert f_power(5.0, 2, np.inf) == pytest.approx(stats.ncx2.sf(critical, 2, 5.0), abs=1e-10)
    z = stats.norm.ppf(0.95)
    both = stats.norm.cdf(3.0 - z) - stats.norm.cdf(-3.0 + z)
    assert equivalence_power(0.0, 1.0, np.inf, low=-3.0, high=3.0) == pytest.approx(both, abs=1e-12)
    assert equivalence_power(0.0, 1.0, np.inf, low=-1.0, high=1.0) == 0.0


@pytest.mark.parametrize("df", [1.0, 2.5, 7.0, 45.0, 1000.0])
@pytest.mark.parametrize("t", [-2.0, 0.5, 2.2, 12.7])
def test_noncentral_t_as_scipy_where_scipy_answers(df: float, t: float) -> None:
    nc = np.linspace(0.0, 60.0, 200)
    theirs = special.nctdtr(df, nc, t)
    there = np.isfinite(theirs)
    ours = noncentral_t_cdf(t, df, nc)
    assert np.isfinite(ours).all()
    assert ours[there] == pytest.approx(theirs[there], abs=1e-9)
    assert (np.diff(ours) <= 1e-12).all()


@pytest.mark.parametrize("q", [1, 2, 4])
def test_noncentral_f_as_scipy_where_scipy_answers(q: int) -> None:
    nc, df = np.meshgrid(np.linspace(0.0, 200.0, 60), [1.0, 4.5, 20.0, 300.0])
    f = special.fdtri(q, df, 0.95)
    theirs = special.ncfdtr(q, df, nc, f)
    there = np.isfinite(theirs)
    assert noncentral_f_cdf(f, q, df, nc)[there] == pytest.approx(theirs[there], abs=1e-9)


def test_moments_of_the_deviation() -> None:
    """E u^2 = 1 and E u = sqrt(2 / nu) Gamma((nu + 1) / 2) / Gamma(nu / 2)."""
    nu = np.array([1.0, 1.5, 4.0, 30.0, 1e4])
    mean = np.sqrt(2 / nu) * np.exp(special.gammaln((nu + 1) / 2) - special.gammaln(nu / 2))
    assert over_deviation(lambda u: u**2, nu) == pytest.approx(1.0, abs=1e-9)
    assert over_deviation(lambda u: u, nu) == pytest.approx(mean, abs=1e-9)
    assert over_deviation(np.ones_like, nu, 1.0) == pytest.approx(special.chdtr(nu, nu), abs=1e-9)


@pytest.mark.parametrize("row", R["equivalence"])
def test_equivalence_as_r(row: dict[str, float]) -> None:
    error, df, margin = row["sd"] / math.sqrt(row["n"]), row["n"] - 1, row["margin"]
    found = float(equivalence_power(row["delta"], error, df, low=-margin, high=margin))
    assert found == pytest.approx(row["power"], abs=OWEN_ERROR)
    # R drew 2,000,000 trials: standard error below 0.0004.
    assert found == pytest.approx(row["drawn"], abs=0.0014)


def test_equivalence_is_no_difference_of_noncentral_tails() -> None:
    """4 pairs, SD 0.4, margin 0.5: 0.36200; the difference of two noncentral t tails is 0.21182."""
    t = stats.t.ppf(0.95, 3)
    naive = stats.nct.sf(t, 3, 2.5) + stats.nct.cdf(-t, 3, -2.5) - 1
    assert naive == pytest.approx(0.21182, abs=5e-6)
    assert equivalence_power(0, 0.2, 3, low=-0.5, high=0.5) == pytest.approx(0.36200, abs=5e-6)


def test_equivalence_error_is_as_stated(monkeypatch: pytest.MonkeyPatch) -> None:
    df, error = np.meshgrid([1.0, 1.3, 2.0, 5.0, 40.0, 5000.0], [0.005, 0.05, 0.2, 1.0])
    ours = equivalence_power(0.1, error, df, low=-0.5, high=0.5)
    more = np.polynomial.legendre.leggauss(1500)
    monkeypatch.setattr(base, "_rule", lambda: more)
    finer = noncentral.equivalence_power(0.1, error, df, low=-0.5, high=0.5)
    assert ours == pytest.approx(finer, abs=OWEN_ERROR)


@pytest.mark.parametrize(("cv", "total"), [(0.20, 20), (0.25, 28), (0.30, 40)])
def test_published_sizes_of_bioequivalence(cv: float, total: int) -> None:
    """Diletti, Hauschke & Steinijans 1991, 80 % power, true ratio 0.95, 0.80-1.25: from memory.

    A two-period crossover of n subjects: standard error sqrt(2 / n) of the SD within subjects,
    n - 2 degrees of freedom; n even.
    """
    sd, margin = math.sqrt(math.log1p(cv**2)), math.log(1.25)

    def at(n: int) -> float:
        error = sd * math.sqrt(2 / n)
        return float(equivalence_power(math.log(0.95), error, n - 2, low=-margin, high=margin))

    assert at(total) >= 0.8 > at(total - 2)


@pytest.mark.parametrize("row", R["non_inferiority"])
def test_non_inferiority_as_r(row: dict[str, float]) -> None:
    found = non_inferiority_power(row["delta"], row["se"], row["df"], margin=row["margin"])
    assert found == pytest.approx(row["power"], abs=1e-9)


@pytest.mark.parametrize("row", R["factor"])
def test_variance_factor_as_r(row: dict[str, float]) -> None:
    assert variance_factor(row["df"]) == pytest.approx(row["value"], rel=1e-12)


def test_variance_factor_published_and_at_infinity() -> None:
    assert variance_factor([5, 11, np.inf]) == pytest.approx([2.1344, 1.5740, 1.0], abs=5e-5)


@pytest.mark.parametrize(("d", "n"), [(0.5, 64), (0.8, 26)])
def test_cohens_sizes_of_two_groups(d: float, n: int) -> None:
    """Cohen (1988), two-sided 5 %, 80 % power, n a group: from memory."""
    at = [float(t_power(d, math.sqrt(2 / k), 2 * k - 2)) for k in (n, n - 1)]
    assert at[0] >= 0.8 > at[1]


@given(st.floats(0.0, 5.0), st.floats(0.05, 3.0), st.floats(1.0, 200.0), st.floats(0.01, 100.0))
def test_power_knows_no_unit(d: float, error: float, df: float, unit: float) -> None:
    assert t_power(d * unit, error * unit, df) == pytest.approx(t_power(d, error, df), abs=1e-9)
    assert t_power(-d, error, df) == pytest.approx(t_power(d, error, df), abs=1e-12)
    assert 0.0 <= t_power(d, error, df) <= 1.0
    scaled = equivalence_power(d * unit, error * unit, df, low=-unit, high=unit)
    plain = equivalence_power(d, error, df, low=-1.0, high=1.0)
    assert scaled == pytest.approx(plain, abs=1e-8)


def test_power_without_difference_is_the_size() -> None:
    df = np.array([1.0, 3.3, 12.0, np.inf])
    assert t_power(0.0, 1.0, df, alpha=0.01) == pytest.approx(0.01, abs=1e-9)
    assert f_power(0.0, 3, df, alpha=0.05) == pytest.approx(0.05, abs=1e-9)
    at_margin = non_inferiority_power(0.4, 0.2, df, margin=0.4)
    assert at_margin == pytest.approx(0.025, abs=1e-9)
