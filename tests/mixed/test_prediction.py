"""Predictions: statsmodels without random terms, closed forms of balanced layouts with them."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
import statsmodels.formula.api as smf
from reference_models import fitted, frame_of, made, values
from scipy import stats

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import fit_mixed, predict
from silagetrial.mixed.prediction_error import PredictionErrors

R = values("predictions.json")
SPLIT = made("made_splitplot_time.csv").astype({"day": str})
SPLIT["days"] = SPLIT["day"].astype(float)
NEW = pd.DataFrame({"trt": ["film", "net", "net"], "days": [10.0, 100.0, 300.0]})


@pytest.mark.parametrize(("of", "prefix"), [("observation", "obs"), ("mean", "mean")])
def test_linear_model_is_exact(of: Any, prefix: str) -> None:
    """statsmodels OLS.get_prediction."""
    found = predict(fit_mixed(SPLIT, "y ~ trt * days"), NEW, of=of, level=0.9).frame
    outside = smf.ols("y ~ trt * days", SPLIT).fit().get_prediction(NEW).summary_frame(alpha=0.1)
    np.testing.assert_allclose(found["estimate"], outside["mean"], rtol=1e-10)
    np.testing.assert_allclose(found["conf_low"], outside[f"{prefix}_ci_lower"], rtol=1e-8)
    np.testing.assert_allclose(found["conf_high"], outside[f"{prefix}_ci_upper"], rtol=1e-8)
    np.testing.assert_allclose(found["df"], len(SPLIT) - 4, rtol=1e-8)


def mean_squares() -> tuple[float, float]:
    y = fitted("Dyestuff").frame.y.reshape(6, 5)
    between = 5 * y.mean(axis=1).var(ddof=1)
    within = y.var(axis=1, ddof=1).mean()
    return float(between), float(within)


ONE_WAY: list[tuple[Any, tuple[float, float]]] = [
    ("observation", (1 / 5 + 1 / 30, 1 - 1 / 5)),
    (["Batch"], (1 / 5 + 1 / 30, -1 / 5)),
    ("mean", (1 / 30, 0.0)),
]


@pytest.mark.parametrize(("of", "weights"), ONE_WAY)
def test_one_way_layout(of: Any, weights: tuple[float, float]) -> None:
    """Sums of mean squares c MS with Satterthwaite's ``(sum c MS)^2 / sum (c MS)^2 / df``."""
    between, within = mean_squares()
    parts = np.array([weights[0] * between, weights[1] * within])
    df = parts.sum() ** 2 / (parts**2 / np.array([5, 24])).sum()
    row = predict(fitted("Dyestuff"), pd.DataFrame(index=[0]), of=of).frame.iloc[0]
    assert row["estimate"] == pytest.approx(fitted("Dyestuff").frame.y.mean(), rel=1e-12)
    assert row["std_error"] == pytest.approx(np.sqrt(parts.sum()), rel=1e-7)
    assert row["df"] == pytest.approx(df, rel=1e-6)
    half = stats.t.ppf(0.975, df) * np.sqrt(parts.sum())
    assert row["conf_high"] - row["estimate"] == pytest.approx(half, rel=1e-6)


def test_slopes_add_their_quadratic_form() -> None:
    fit = fitted("sleepstudy_rs_corr")
    rows = pd.DataFrame({"Days": [0.0, 4.5, 20.0]})
    mean, person = (predict(fit, rows, of=of).frame for of in ("mean", ["Subject (1 + Days)"]))
    intercept, both, slope = fit.theta[:3]
    days = rows["Days"]
    extra = intercept + 2 * days * both + days**2 * slope
    np.testing.assert_allclose(person["std_error"] ** 2 - mean["std_error"] ** 2, extra, rtol=1e-8)


def test_groups_have_their_own_residual() -> None:
    fit = fit_mixed(SPLIT, "y ~ trt", random=["pair"], residual_by="trt")
    rows = pd.DataFrame({"trt": ["film", "net"]})
    mean = predict(fit, rows, of="mean").frame
    for place, group in enumerate(("film", "net")):
        one = predict(fit, rows, of=["residual"], group=group).frame
        extra = one["std_error"] ** 2 - mean["std_error"] ** 2
        np.testing.assert_allclose(extra, fit.theta[1 + place], rtol=1e-8)


def test_measurement_error_counts() -> None:
    fit = fit_mixed(
        SPLIT, "y ~ trt", serial={"bale": "days"}, measurement_error=True
    )  # fmt: skip
    rows = pd.DataFrame({"trt": ["film"]})
    ends = [predict(fit, rows, of=of).frame["std_error"].iloc[0] for of in ("mean", "observation")]
    sizes = dict(zip([p.name for p in fit.parameters], fit.theta, strict=True))
    assert ends[1] ** 2 - ends[0] ** 2 == pytest.approx(
        sizes["residual"] + sizes["measurement error"], rel=1e-8
    )


def test_none_detected_counts_as_zero_and_alone_is_refused() -> None:
    fit = fit_mixed(made("made_paired_zero.csv"), "y ~ trt", random=["pair"])
    rows = pd.DataFrame({"trt": ["film"]})
    seen, residual = (predict(fit, rows, of=of) for of in ("observation", ["residual"]))
    assert "No variance of pair was detected: it counts as zero." in seen.notes
    assert seen.frame["std_error"].iloc[0] == residual.frame["std_error"].iloc[0]
    with pytest.raises(NoAnswer) as caught:
        predict(fit, rows, of=["pair"])
    assert caught.value.found == "no variance detected of pair"


WRONG: dict[str, tuple[dict[str, Any], str]] = {
    "term": ({"of": ["farm"]}, "of=['farm']"),
    "word": ({"of": "pair"}, "of='pair'"),
    "nothing": ({"of": []}, "of=[]"),
    "group": ({"group": "film"}, "group='film'"),
    "level": ({"level": 95}, "level=95"),
    "column": ({"rows": pd.DataFrame({"days": [1.0]})}, "rows without trt"),
    "strange": ({"rows": pd.DataFrame({"trt": ["twine"]})}, "trt twine, which the data do not"),
}


@pytest.mark.parametrize("case", WRONG)
def test_wrong_calls(case: str) -> None:
    options, words = WRONG[case]
    call: dict[str, Any] = {"rows": pd.DataFrame({"trt": ["film"]}), **options}
    fit = fit_mixed(SPLIT, "y ~ trt", random=["pair"])
    with pytest.raises(UsageError) as caught:
        predict(fit, call.pop("rows"), **call)
    assert words in caught.value.found


def test_groups_need_a_group() -> None:
    fit = fit_mixed(SPLIT, "y ~ trt", random=["pair"], residual_by="trt")
    with pytest.raises(UsageError) as caught:
        predict(fit, pd.DataFrame({"trt": ["film"]}))
    assert "among film, net" in caught.value.expected


def test_data_of_the_fit_can_be_predicted() -> None:
    """Rows of the data as they are: the fixed part's fitted values."""
    fit = fitted("sleepstudy_ri")
    found = predict(fit, frame_of("sleepstudy_ri"), of="mean").frame
    np.testing.assert_allclose(found["estimate"], fit.frame.x @ fit.beta, rtol=1e-10)


@pytest.mark.slow
def test_coverage_of_a_new_observation() -> None:
    """Eight units of four, 600 trials: 95 % intervals hold 95 % of new observations."""
    rng = np.random.default_rng(77)
    inside = 0
    for _ in range(600):
        unit = rng.normal(size=9)
        frame = pd.DataFrame({"unit": np.repeat(np.arange(8).astype(str), 4)})
        frame["y"] = np.repeat(unit[:8], 4) + rng.normal(size=32)
        row = predict(fit_mixed(frame, "y ~ 1", random=["unit"]), pd.DataFrame(index=[0])).frame
        inside += bool(row["conf_low"][0] <= unit[8] + rng.normal() <= row["conf_high"][0])
    # Standard error of the share .009.
    assert 0.922 < inside / 600 < 0.978


def with_days() -> pd.DataFrame:
    return pd.DataFrame({"Subject": R["new_day"]["Subject"], "Days": R["new_day"]["Days"]})


PLOTS = pd.DataFrame(
    {"Block": ["III", "VI"], "Variety": ["Marvellous", "Victory"], "N": ["0.2", "0.2"]}
)
KNOWN: dict[str, tuple[str, pd.DataFrame | None, dict[str, Any]]] = {
    "new_day": ("sleepstudy_rs_corr", None, {"known": ["Subject (1 + Days)"]}),
    "person_mean": ("sleepstudy_rs_corr", None, {"known": ["Subject (1 + Days)"], "of": "mean"}),
    "new_plot": ("Oats_factor", PLOTS, {"known": ["Block"]}),
    "known_plot": ("Oats_factor", PLOTS, {"known": ["Block", "Block:Variety"]}),
}


@pytest.mark.parametrize("case", KNOWN)
def test_units_of_the_data_by_hendersons_equations(case: str) -> None:
    """tests/reference/make_predictions.R: the mixed-model equations, solved as they stand."""
    model, rows, options = KNOWN[case]
    found = predict(fitted(model), with_days() if rows is None else rows, **options).frame
    np.testing.assert_allclose(found["estimate"], R[case]["estimate"], rtol=1e-6)
    np.testing.assert_allclose(found["std_error"] ** 2, R[case]["adjusted"], rtol=2e-6)
    np.testing.assert_allclose(found["df"], R[case]["df"], rtol=2e-6)
    half = stats.t.ppf(0.975, found["df"]) * found["std_error"]
    np.testing.assert_allclose(found["conf_high"] - found["estimate"], half, rtol=1e-8)


def test_known_unit_comes_between_its_own_values_and_the_mean() -> None:
    """One way: the BLUP's closed form, ``mean + n s_b / (n s_b + s) (own mean - mean)``."""
    fit = fitted("Dyestuff")
    between, within = mean_squares()
    batch = (between - within) / 5
    own = frame_of("Dyestuff").groupby("Batch")["Yield"].mean()
    mean = fit.frame.y.mean()
    shrunk = 5 * batch / (5 * batch + within)
    found = predict(fit, pd.DataFrame({"Batch": own.index}), known=["Batch"], of="mean").frame
    np.testing.assert_allclose(found["estimate"], mean + shrunk * (own - mean), rtol=1e-8)


def test_without_units_the_error_is_kenward_and_rogers() -> None:
    """The formula of known units without one: the adjusted covariance of the fixed part."""
    for name in ("sleepstudy_rs_corr", "made_serial_corExp_varIdent", "Oats_unbal"):
        fit = fitted(name)
        errors = PredictionErrors(fit)
        for row in np.eye(fit.design.p):
            found = errors.of(row @ fit.from_orthonormal, [])
            assert found.adjusted == pytest.approx(row @ fit.covariance_kr @ row, rel=1e-8)
            assert found.plain == pytest.approx(row @ fit.covariance @ row, rel=1e-8)


def test_known_without_variance_counts_as_zero() -> None:
    fit = fit_mixed(made("made_paired_zero.csv"), "y ~ trt", random=["pair"])
    rows = pd.DataFrame({"trt": ["film"], "pair": [1]})
    known = predict(fit, rows, known=["pair"])
    new = predict(fit, rows)
    assert "No variance of pair was detected: it counts as zero." in known.notes
    assert known.frame["std_error"].iloc[0] == pytest.approx(new.frame["std_error"].iloc[0])
    assert known.notes[0].startswith("Intervals for new residual of the pair named")


WRONGLY_KNOWN: dict[str, tuple[dict[str, Any], str]] = {
    "term": ({"known": ["farm"]}, "known=['farm']"),
    "word": ({"known": "pair"}, "known='pair'"),
    "both": ({"known": ["pair"], "of": ["pair"]}, "of=['pair']"),
    "outer": ({"known": ["bale"]}, "known bale without the pair around it"),
    "column": ({"known": ["pair"], "rows": pd.DataFrame({"trt": ["net"]})}, "rows without pair"),
    "level": (
        {"known": ["pair"], "rows": pd.DataFrame({"trt": ["net"], "pair": ["99"]})},
        "pair 99, which the data do not have",
    ),
}


@pytest.mark.parametrize("case", WRONGLY_KNOWN)
def test_wrongly_known(case: str) -> None:
    options, words = WRONGLY_KNOWN[case]
    rows = pd.DataFrame({"trt": ["film"], "pair": ["1"], "bale": [SPLIT["bale"].iloc[0]]})
    call: dict[str, Any] = {"rows": rows, **options}
    fit = fit_mixed(SPLIT, "y ~ trt", random=["pair", "bale"])
    with pytest.raises(UsageError) as caught:
        predict(fit, call.pop("rows"), **call)
    assert words in caught.value.found


def test_new_result_correlated_in_time_is_refused() -> None:
    fit = fit_mixed(SPLIT, "y ~ trt", random=["pair"], serial={"bale": "days"})
    rows = pd.DataFrame({"trt": ["film"], "pair": ["1"]})
    assert np.isfinite(predict(fit, rows, known=["pair"], of="mean").frame["std_error"]).all()
    with pytest.raises(NoAnswer) as caught:
        predict(fit, rows, known=["pair"])
    assert "serially correlated" in caught.value.found


@pytest.mark.slow
def test_coverage_of_a_new_observation_of_a_known_unit() -> None:
    """Eight units of three, 500 trials: 95 % intervals hold 95 % of the first unit's next."""
    rng, inside = np.random.default_rng(4), 0
    for _ in range(500):
        unit = rng.normal(size=8)
        frame = pd.DataFrame({"unit": np.repeat(np.arange(8).astype(str), 3)})
        frame["y"] = np.repeat(unit, 3) + rng.normal(size=24)
        fit = fit_mixed(frame, "y ~ 1", random=["unit"])
        row = predict(fit, pd.DataFrame({"unit": ["0"]}), known=["unit"]).frame
        inside += bool(row["conf_low"][0] <= unit[0] + rng.normal() <= row["conf_high"][0])
    # Standard error of the share .010.
    assert 0.92 < inside / 500 < 0.98
