"""Profile intervals: against R (tests/reference/make_profiles.R) and against their definition."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from dense_oracle import Dense, Term
from reference_models import fitted, frame_of, made, values
from scipy import optimize, stats

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import Fit, fit_mixed, profile_intervals
from silagetrial.mixed.covariance import coordinates
from silagetrial.mixed.held import Held, held_coordinates
from silagetrial.mixed.likelihood import evaluate
from silagetrial.mixed.maximise import maximise

R = values("profiles.json")
# optim and uniroot stop at about 1e-8; relative to the interval's width.
PRECISION = 1e-5


def paired_zero() -> Fit:
    return fit_mixed(made("made_paired_zero.csv"), "y ~ trt", random=["pair"])


def parameters_only(fit: Fit) -> pd.DataFrame:
    frame = profile_intervals(fit).frame
    return frame[~frame["kind"].isin(["SD", "correlation", "half-life"])]


@pytest.mark.parametrize("name", [n for n in R if n not in ("made_with", "correlation")])
def test_ends_are_those_of_r(name: str) -> None:
    fit = paired_zero() if name == "made_paired_zero" else fitted(name)
    found, expected = parameters_only(fit), R[name]
    width = np.subtract(expected["high"], expected["low"])
    assert (np.abs(found["conf_low"] - expected["low"]) < PRECISION * width).all()
    assert (np.abs(found["conf_high"] - expected["high"]) < PRECISION * width).all()
    assert (found["remark"] == "").all()


def test_negative_lower_end_and_sd() -> None:
    """A pair variance that may be negative has no SD where it is; SDs are roots of the ends."""
    frame = profile_intervals(paired_zero()).frame
    assert frame["kind"].tolist() == ["variance", "variance", "SD"]
    assert frame.loc[0, "conf_low"] < frame.loc[0, "estimate"] < 0
    np.testing.assert_allclose(
        frame.loc[2, ["conf_low", "conf_high"]].astype(float) ** 2,
        frame.loc[1, ["conf_low", "conf_high"]].astype(float),
        rtol=1e-12,
    )


def test_no_random_term_is_the_chi_square_profile() -> None:
    """l(s) of a linear model has a closed form: its profile interval by root finding."""
    data = made("made_paired.csv")
    frame = profile_intervals(fit_mixed(data, "y ~ trt"), level=0.9).frame
    rss = float(((data["y"] - data.groupby("trt")["y"].transform("mean")) ** 2).sum())
    df = len(data) - 2

    def drop(s: float) -> float:
        return df * np.log(s) + rss / s - df * np.log(rss / df) - df - stats.chi2.ppf(0.9, 1)

    low = optimize.brentq(drop, 1e-3 * rss / df, rss / df)
    high = optimize.brentq(drop, rss / df, 100 * rss / df)
    found = frame.loc[0, ["conf_low", "conf_high"]].astype(float)
    np.testing.assert_allclose(found, [low, high], rtol=1e-7)


def brute(fit: Fit, index: int, value: float) -> float:
    """Highest log-likelihood with a parameter held, by scipy's simplex and Newton."""
    peak = fit.fits.evaluation.theta[0]
    free = [i for i in range(len(peak)) if i != index]

    def minus(x: np.ndarray) -> float:
        theta = peak.copy()
        theta[free] = x
        theta[index] = value
        return float(-evaluate(fit.design, theta[None], fit.batch).loglik[0])

    found = optimize.minimize(
        minus, peak[free], method="Nelder-Mead",
        options={"xatol": 1e-9, "fatol": 1e-12, "maxiter": 4000, "maxfev": 4000},
    )  # fmt: skip
    return float(-found.fun)


def serial_data() -> pd.DataFrame:
    """Twelve units at uneven days, correlation exp(-d / 40), spread doubling in one group."""
    rng = np.random.default_rng(5)
    days = np.array([3.0, 14.0, 45.0, 90.0, 120.0])
    v = np.exp(-np.abs(days[:, None] - days) / 40.0)
    rows = []
    for unit in range(12):
        group = "film" if unit % 2 else "net"
        y = np.linalg.cholesky(v) @ rng.normal(size=5) * (1.0 if group == "film" else 2.0)
        rows.append(pd.DataFrame({"unit": str(unit), "trt": group, "days": days, "y": y}))
    return pd.concat(rows, ignore_index=True)


CASES: dict[str, dict[str, Any]] = {
    "groups": {"random": ["pair"], "residual_by": "trt"},
    "serial": {"serial": {"unit": "days"}},
}


@pytest.mark.parametrize("case", CASES)
def test_groups_and_ranges_by_definition(case: str) -> None:
    """At every end the likelihood maximised by brute force is lower by half the chi-square."""
    data = serial_data() if case == "serial" else made("made_splitplot_time.csv")
    fit = fit_mixed(data, "y ~ trt", **CASES[case])
    frame = profile_intervals(fit).frame
    frame = frame[~frame["kind"].isin(["SD", "half-life"])].reset_index(drop=True)
    limit = float(fit.fits.evaluation.loglik[0]) - stats.chi2.ppf(0.95, 1) / 2
    ends = 0
    for row in frame.itertuples():
        index = [p.name for p in fit.parameters].index(str(row.term))
        for end in (row.conf_low, row.conf_high):
            if not np.isfinite(end):
                assert "bound" in row.remark
                continue
            value = end / fit.units[index]
            assert brute(fit, index, value) == pytest.approx(limit, abs=2e-6)
            ends += 1
    assert ends >= 4


def correlation_of(fit: Fit) -> pd.Series:
    return profile_intervals(fit).frame.set_index("kind").loc["correlation"]


def test_correlation_has_the_ends_of_r() -> None:
    """optim over the three SDs with the correlation held, tests/reference/make_profiles.R."""
    row = correlation_of(fitted("sleepstudy_rs_corr"))
    for column, end in (("estimate", "estimate"), ("conf_low", "low"), ("conf_high", "high")):
        assert row[column] == pytest.approx(R["correlation"][end], abs=2e-6)
    assert row["term"] == "Subject (1 + Days): 1, Days"


def dense_profile(fit: Fit, r: float) -> float:
    """Highest dense likelihood over the SDs, the correlation held: grids, each half as wide."""
    term = fit.frame.terms[0]
    terms = [Term(term.codes, term.z)]

    def height(logs: np.ndarray) -> float:
        one, other, rest = np.exp(2.0 * logs)
        theta = np.array([one, r * np.sqrt(one * other), other, rest])
        return Dense(fit.frame.y, fit.frame.x, terms, theta).loglik

    middle, width = np.log(np.sqrt(fit.theta[[0, 2, 3]])), np.array([0.8, 0.8, 0.2])
    for _ in range(7):
        steps = np.linspace(-1.0, 1.0, 7)
        grid = middle + width * np.stack(np.meshgrid(*[steps] * 3), axis=-1).reshape(-1, 3)
        heights = np.array([height(point) for point in grid])
        middle, width = grid[heights.argmax()], width / 2.0
    return float(heights.max())


@pytest.mark.slow
def test_ends_of_a_correlation_by_a_grid_of_dense_likelihoods() -> None:
    """Twelve units of six: at the lower end no SDs reach more than half the chi-square below."""
    rng = np.random.default_rng(11)
    frame = pd.DataFrame({"unit": np.repeat(np.arange(12).astype(str), 6)})
    frame["x"] = np.tile(np.linspace(-1, 1, 6), 12)
    effects = rng.normal(size=(12, 2)) @ np.array([[1.5, 0.8], [0.0, 1.2]])
    frame["y"] = (np.repeat(effects, 6, axis=0) * np.column_stack([np.ones(72), frame["x"]])).sum(1)
    frame["y"] += rng.normal(size=72)
    fit = fit_mixed(frame, "y ~ x", random=[{"unit": "1 + x"}])
    row = correlation_of(fit)
    assert row["remark"] == ""
    limit = fit.loglik - stats.chi2.ppf(0.95, 1) / 2
    # The last grid's steps are 0.004 of a log SD: next to nothing at a maximum.
    assert dense_profile(fit, row["conf_low"]) == pytest.approx(limit, abs=2e-3)
    assert dense_profile(fit, row["conf_high"]) == pytest.approx(limit, abs=2e-3)


def test_any_correlation_where_a_slope_may_be_missing() -> None:
    """Orthodont: without slopes the likelihood is only .59 lower, whatever their correlation."""
    fit = fitted("Orthodont_rs")
    row = correlation_of(fit)
    assert (row["conf_low"], row["conf_high"]) == (-1.0, 1.0)
    assert row["remark"] == "compatible with any correlation: an effect may have no variance"
    bare = fit_mixed(frame_of("Orthodont_rs"), "distance ~ age * Sex", random=["Subject"])
    same = np.allclose(bare.frame.x @ np.linalg.lstsq(bare.frame.x, fit.frame.x)[0], fit.frame.x)
    assert same
    assert fit.loglik - bare.loglik < stats.chi2.ppf(0.95, 1) / 2


def test_correlation_at_its_bound() -> None:
    """ChickWeight: the fit's correlation is -1 (lme4 calls it singular); the upper end exists."""
    row = correlation_of(fitted("ChickWeight12"))
    assert (row["estimate"], row["conf_low"]) == (-1.0, -1.0)
    assert -1.0 < row["conf_high"] < 0.0
    assert row["remark"] == "compatible with a correlation of -1"


@pytest.mark.slow
def test_no_correlation_of_an_effect_without_variance() -> None:
    """Units more alike than chance, in level and in slope: both variances are estimated as zero."""
    rng, x = np.random.default_rng(0), np.linspace(-1, 1, 6)
    noise = rng.normal(size=(8, 6))
    noise -= 0.9 * noise.mean(axis=1, keepdims=True)
    noise -= 0.9 * np.outer(noise @ x / (x @ x), x)
    frame = pd.DataFrame({"unit": np.repeat(list("abcdefgh"), 6), "x": np.tile(x, 8)})
    fit = fit_mixed(frame.assign(y=noise.ravel()), "y ~ x", random=[{"unit": "1 + x"}])
    row = correlation_of(fit)
    assert np.isnan(row["estimate"])
    assert row["remark"] == "an effect without variance has no correlation"


def test_half_life_follows_from_the_range() -> None:
    fit = fit_mixed(serial_data(), "y ~ trt", serial={"unit": "days"})
    frame = profile_intervals(fit).frame.set_index("kind")
    columns = ["estimate", "conf_low", "conf_high"]
    np.testing.assert_allclose(
        frame.loc["half-life", columns].astype(float),
        frame.loc["range", columns].astype(float) * np.log(2.0),
        rtol=1e-12,
    )
    assert np.exp(-frame.loc["half-life", "estimate"] / fit.theta[1]) == pytest.approx(0.5)


def test_bounded_variance_reaches_zero() -> None:
    fit = fit_mixed(made("made_paired_zero.csv"), "y ~ trt", random=["pair"], bound="zero")
    row = profile_intervals(fit).frame.iloc[0]
    assert row["conf_low"] == 0.0
    assert row["remark"] == "compatible with zero"


def test_slope_variance_compatible_with_zero() -> None:
    """Correlated slopes of nothing: the ends at zero hold the covariance at zero too."""
    rng = np.random.default_rng(3)
    frame = pd.DataFrame({"unit": np.repeat(np.arange(8).astype(str), 6)})
    frame["x"] = np.tile(np.linspace(-1, 1, 6), 8)
    frame["y"] = np.repeat(rng.normal(size=8), 6) + rng.normal(size=48)
    fit = fit_mixed(frame, "y ~ x", random=[{"unit": "1 + x"}])
    table = profile_intervals(fit).frame.set_index(["term", "kind"])
    row = table.loc[("unit (1 + x): x", "variance")]
    assert row["conf_low"] == 0.0
    assert row["conf_high"] > row["estimate"]
    bare = fit_mixed(frame, "y ~ x", random=["unit"], bound="zero")
    assert fit.loglik - bare.loglik < stats.chi2.ppf(0.95, 1) / 2


def test_range_without_an_end_says_why() -> None:
    """No serial correlation in the data: the lower end of the range does not exist."""
    data = serial_data()
    found = ""
    for seed in range(20):
        y = np.random.default_rng(seed).normal(size=len(data))
        try:
            fit = fit_mixed(data.assign(y=y), "y ~ trt", serial={"unit": "days"})
        except NoAnswer:
            continue
        row = profile_intervals(fit).frame.set_index("kind").loc["range"]
        found = str(row["remark"])
        if "no lower bound" in found:
            assert np.isnan(row["conf_low"])
            break
    assert "no lower bound: no correlation at all over the times sampled" in found


@pytest.mark.parametrize("held", [Held(0), Held(1), Held(2), Held(1, between=(0, 2))])
def test_tied_coordinates_have_the_derivatives_they_claim(held: Held) -> None:
    """Jacobian and curvature against central differences."""
    fit = fitted("sleepstudy_rs_corr")
    parameters = fit.parameters
    where = held_coordinates(parameters, held)
    theta = np.array([[2.0, 0.7, 1.3, 0.9]])
    u = where.of(theta)
    np.testing.assert_allclose(where.theta(u), theta, rtol=1e-12)
    if held.between is not None:
        assert np.sin(u[0, 1]) == pytest.approx(0.7 / np.sqrt(2.0 * 1.3), rel=1e-12)
        assert held.value(theta)[0] == pytest.approx(np.sin(u[0, 1]), rel=1e-12)
    h, eye = 1e-5, np.eye(4)
    slopes = [(where.theta(u + h * e) - where.theta(u - h * e))[0] / (2 * h) for e in eye]
    np.testing.assert_allclose(where.jacobian(u)[0], np.array(slopes).T, rtol=1e-6, atol=1e-8)
    score = np.array([[0.3, -0.2, 0.5, 0.4]])

    def turned(x: np.ndarray) -> np.ndarray:
        return np.asarray((where.jacobian(x).mT @ score[..., None])[0, :, 0])

    second = [(turned(u + h * e) - turned(u - h * e)) / (2 * h) for e in eye]
    np.testing.assert_allclose(
        where.curvature(score, u)[0], -np.array(second), rtol=1e-5, atol=1e-7
    )
    assert coordinates(parameters).cones


@pytest.mark.slow
def test_no_lower_bound_where_the_likelihood_rises_to_a_singular_covariance() -> None:
    """Variances held at zero, because left free they have no maximum, have no lower end."""
    data = made("made_splitplot_time.csv").astype({"day": str})
    held: list[Fit] = []
    for seed in range(200):
        rng = np.random.default_rng(seed)
        kept = rng.random(len(data)) > 0.25
        frame = data[kept].assign(y=rng.normal(size=int(kept.sum())))
        try:
            fit = fit_mixed(frame, "y ~ trt * day", random=["pair", "bale"])
        except NoAnswer:
            continue
        if fit.fits.held.any():
            held.append(fit)
            break
    frame = parameters_only(held[0]).set_index("term")
    names = [p.name for p, h in zip(held[0].parameters, held[0].fits.held[0], strict=True) if h]
    for name in names:
        assert np.isnan(frame.loc[name, "conf_low"])
        assert "stops being positive definite" in str(frame.loc[name, "remark"])
        assert frame.loc[name, "conf_high"] > 0


def test_what_is_held_has_no_error_and_the_rest_is_at_its_maximum() -> None:
    fit = paired_zero()
    start = fit.fits.evaluation.theta.copy()
    start[0, 0] = -0.2 * start[0, 1]
    fits = maximise(fit.design, fit.batch, start=start, held=Held(0))
    assert fits.converged[0]
    assert fits.at_bound[0].tolist() == [True, False]
    assert fits.evaluation.theta[0, 0] == start[0, 0]
    assert (fits.observed_covariance[0, 0] == 0).all()
    assert fits.observed_covariance[0, 1, 1] == pytest.approx(1 / fits.evaluation.observed[0, 1, 1])
    assert abs(fits.evaluation.score[0, 1]) < 1e-6 < abs(fits.evaluation.score[0, 0])


def test_level_in_per_cent() -> None:
    with pytest.raises(UsageError) as caught:
        profile_intervals(paired_zero(), level=95)
    assert "level=95" in caught.value.found
