"""Profile intervals: against R (tests/reference/make_profiles.R) and against their definition."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from reference_models import fitted, made, values
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
    return frame[~frame["kind"].isin(["SD", "ratio of SDs"])]


@pytest.mark.parametrize("name", [n for n in R if n != "made_with"])
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


def brute(fit: Fit, index: int, value: float, over: int | None) -> float:
    """Highest log-likelihood with a parameter (or ratio) held, by scipy's simplex and Newton."""
    peak = fit.fits.evaluation.theta[0]
    free = [i for i in range(len(peak)) if i != index]

    def minus(x: np.ndarray) -> float:
        theta = peak.copy()
        theta[free] = x
        theta[index] = value if over is None else value * theta[over]
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
def test_ratios_and_ranges_by_definition(case: str) -> None:
    """At every end the likelihood maximised by brute force is lower by half the chi-square."""
    data = serial_data() if case == "serial" else made("made_splitplot_time.csv")
    fit = fit_mixed(data, "y ~ trt", **CASES[case])
    frame = profile_intervals(fit).frame
    frame = frame[frame["kind"] != "SD"].reset_index(drop=True)
    limit = float(fit.fits.evaluation.loglik[0]) - stats.chi2.ppf(0.95, 1) / 2
    ends = 0
    for row in frame.itertuples():
        ratio = row.kind == "ratio of SDs"
        index = [p.name for p in fit.parameters].index(str(row.term).split(" / ")[0])
        over = index - 1 if ratio else None
        for end in (row.conf_low, row.conf_high):
            if not np.isfinite(end):
                assert "bound" in row.remark
                continue
            value = end**2 if ratio else end / fit.units[index]
            assert brute(fit, index, value, over) == pytest.approx(limit, abs=2e-6)
            ends += 1
    assert ends >= 4


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


@pytest.mark.parametrize("held", [Held(0), Held(1), Held(2), Held(3, over=2)])
def test_tied_coordinates_have_the_derivatives_they_claim(held: Held) -> None:
    """Jacobian and curvature against central differences."""
    fit = fitted("sleepstudy_rs_corr")
    parameters = fit.parameters
    where = held_coordinates(parameters, held)
    theta = np.array([[2.0, 0.7, 1.3, 0.9]])
    u = where.of(theta)
    np.testing.assert_allclose(where.theta(u), theta, rtol=1e-12)
    assert held.over is None or u[0, 3] == pytest.approx(0.9 / u[0, 2], rel=1e-12)
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
