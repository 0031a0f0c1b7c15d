"""Planned curves: their columns, their fits against R, and what is told from them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from curve_designs import (
    BUTYRIC_ACID,
    DM_LOSS,
    OPENINGS,
    PH,
    curves_of,
    made_curve,
    model_of,
    reference,
)

from silagetrial.analysis.curve_model import fit_curve, left_over
from silagetrial.analysis.curve_tests import curve_tests
from silagetrial.analysis.curves import Curve, broken_line, natural_spline
from silagetrial.analysis.growth import BindingCurves, over_storage, rates
from silagetrial.mixed import contrasts, fit_mixed
from silagetrial.mixed.multivariate_t import critical_value

LOG = Curve("log", (), 240.0)
LINE = Curve("linear", (), 240.0)
SPLINE = Curve("spline", (60.0, 150.0), 240.0)
BROKEN = Curve("broken", (60.0, 150.0), 240.0)
SHAPES = (LINE, LOG, SPLINE, BROKEN)
PAIR = [("film", "net")]


# ---- columns ----


@pytest.mark.parametrize("curve", SHAPES, ids=lambda c: c.shape)
def test_every_column_is_0_at_day_0_and_the_first_a_line(curve: Curve) -> None:
    assert (curve.basis(0.0) == 0).all()
    first = curve.basis(np.array([10.0, 100.0]))[:, 0]
    line = np.log1p([10, 100]) if curve is LOG else [10.0, 100.0]
    np.testing.assert_allclose(first, line, rtol=1e-15)
    assert curve.basis(OPENINGS).shape == (5, len(curve.columns))


def test_natural_spline_spans_what_r_spans() -> None:
    """splines::ns with the same knots, beyond the outer knot too: each fits the other exactly."""
    days, theirs = np.array(reference()["spline_days"]), np.array(reference()["spline_basis"])
    ours = np.column_stack([np.ones(len(days)), natural_spline(days, (60, 150), last=240)])
    theirs = np.column_stack([np.ones(len(days)), theirs])
    for one, other in ((ours, theirs), (theirs, ours)):
        scaled = one / np.abs(one).max(axis=0)
        left = other - scaled @ np.linalg.lstsq(scaled, other, rcond=None)[0]
        assert np.abs(left).max() < 1e-11 * np.abs(other).max()


def test_natural_spline_is_straight_beyond_its_knots() -> None:
    late = natural_spline([240.0, 250.0, 260.0, 270.0], (60, 150), last=240)
    np.testing.assert_allclose(np.diff(late, n=2, axis=0), 0, atol=1e-10)


def test_broken_line_in_closed_form() -> None:
    np.testing.assert_array_equal(
        broken_line([0, 60, 100, 200], (60, 150)),
        [[0, 0, 0], [60, 0, 0], [100, 40, 0], [200, 140, 50]],
    )


def test_words_name_shape_and_knots() -> None:
    assert "knots at 60, 150 (and at 0 and 240)" in SPLINE.in_words
    assert BROKEN.in_words == "a line in days that breaks at 60, 150"
    assert LOG.in_words == "a straight line in log(1 + days)"
    assert LINE.in_words == "a straight line in days"


# ---- fits against lmer and pbkrtest ----

FITS = {
    "log": (LOG, BUTYRIC_ACID, "y", ("pair", "bale")),
    "spline": (SPLINE, BUTYRIC_ACID, "y", ("pair", "bale")),
    "zero": (LINE, DM_LOSS, "z", ("pair", "bale")),
    "slopes": (LINE, BUTYRIC_ACID, "z", ("pair", {"bale": "1 + slope"})),
    "shared": (LOG, PH, "y", ("pair", {"bale": "0 + stored"})),
}


@pytest.fixture(scope="module")
def fitted() -> dict[str, BindingCurves]:
    return {
        name: curves_of(model_of(curve, response, y=y, random=random))
        for name, (curve, response, y, random) in FITS.items()
    }


@pytest.mark.parametrize("name", FITS)
def test_difference_at_any_day_as_in_r(name: str, fitted: dict[str, BindingCurves]) -> None:
    """Estimate, Kenward-Roger SE and df of film - net, lmer 1.1-31 with pbkrtest 0.5.2.

    lmer's optimiser stops at about 1e-6 in variances (more with slopes): the tolerance is its.
    """
    curves, theirs = fitted[name], reference()[name]
    days, estimate, error, df = np.array(theirs["differences"]).T
    rows = curves.rows("film", days) - curves.rows("net", days)
    frame = contrasts(curves.fit, rows).frame
    loose = 20.0 if name == "slopes" else 1.0
    np.testing.assert_allclose(frame["estimate"], estimate, atol=2e-5 * loose * error.min())
    np.testing.assert_allclose(frame["std_error"], error, rtol=2e-5 * loose)
    np.testing.assert_allclose(frame["df"], df, rtol=5e-5 * loose)


@pytest.mark.parametrize("name", ["log", "slopes"])
def test_loglik_as_in_r_where_columns_are_the_same(
    name: str, fitted: dict[str, BindingCurves]
) -> None:
    assert fitted[name].fit.loglik == pytest.approx(reference()[name]["logLik"], abs=1e-6)


def test_tests_of_the_curve_as_in_r(fitted: dict[str, BindingCurves]) -> None:
    """KRmodcomp: one curve for both bindings; lack of fit as extra contrasts of the openings."""
    frame = curve_tests(fitted["log"], PAIR).frame.set_index("hypothesis")
    for hypothesis, name in (
        ("bindings have one curve", "log_one_curve"),
        ("the curve fits the openings", "log_lack_of_fit"),
    ):
        found = frame.loc[hypothesis, ["statistic", "num_df", "den_df", "p_value"]].astype(float)
        np.testing.assert_allclose(found, reference()[name], rtol=1e-4)
    assert frame.loc["the difference does not change with storage", "num_df"] == 1
    assert frame.loc["the curve fits the difference at the openings", "num_df"] == 3


# ---- lack of fit ----


def test_left_over_is_what_the_curve_does_not_hold() -> None:
    left = left_over(LOG, OPENINGS, intercept=True)
    assert left.shape == (5, 3)
    np.testing.assert_allclose(left.T @ np.column_stack([np.ones(5), np.log1p(OPENINGS)]), 0,
                               atol=1e-12)  # fmt: skip
    assert left_over(LINE, OPENINGS, intercept=False).shape == (5, 4)
    assert left_over(SPLINE, OPENINGS[:3], intercept=False).shape == (3, 0)


def test_curve_with_the_openings_is_the_openings_as_a_factor() -> None:
    """At planned days: curve and extra columns span the cell means, in all three kinds."""
    rows = made_curve().assign(days=made_curve()["opening"])
    for response, cells in ((BUTYRIC_ACID, 10), (DM_LOSS, 10), (PH, 11)):
        model = model_of(SPLINE, response, rows=rows, random=("pair",))
        assert fit_curve(model, extra=True).frame.x.shape[1] == cells


def test_no_lack_of_fit_without_spare_openings() -> None:
    rows = model_of(LOG).rows
    two = model_of(LOG, rows=rows[rows["opening"].isin([20, 240])])
    assert two.extra == ()
    frame = curve_tests(curves_of(two), PAIR).frame
    assert "as many coefficients as there are openings" in frame["remark"].iloc[-1]


def test_lack_of_fit_looks_at_openings_with_every_binding() -> None:
    rows = model_of(LOG).rows
    lost = rows[~((rows["opening"] == 120) & (rows["binding"] == "film"))]
    frame = curve_tests(curves_of(model_of(LOG, rows=lost)), PAIR).frame.set_index("hypothesis")
    assert frame.loc["the curve fits the openings", "num_df"] == 4
    assert frame.loc["the curve fits the difference at the openings", "num_df"] == 2


# ---- bands and rates ----


def test_bands_hold_every_day_between_grid_points(fitted: dict[str, BindingCurves]) -> None:
    """The critical value of a three times finer grid is the same to 3 parts in 1000."""
    curves = fitted["spline"]
    _, table = over_storage(curves, PAIR, curves.grid, level=0.95)
    frame = table.frame
    half = np.log(frame["sim_high"] / frame["estimate"]).to_numpy()
    alone = contrasts(
        curves.fit, curves.rows("film", curves.grid) - curves.rows("net", curves.grid)
    )
    critical = float(np.median(half / alone.frame["std_error"]))
    fine = np.linspace(curves.grid[0], curves.grid[-1], 121)
    rows = curves.rows("film", fine) - curves.rows("net", fine)
    kept = rows[:, curves.fit.frame.kept]
    covariance = kept @ curves.fit.covariance_kr @ kept.T
    error = np.sqrt(np.diag(covariance))
    df = float(frame["df"].min())
    exact = critical_value(covariance / np.outer(error, error), df, level=0.95).value
    assert critical == pytest.approx(exact, rel=3e-3)
    assert (frame["sim_low"] < frame["conf_low"]).all()
    assert "41 days from 15" in table.notes[-1]
    assert "nothing is said beyond" in table.notes[-1]


def test_bands_end_with_the_last_day_sampled(fitted: dict[str, BindingCurves]) -> None:
    for name, curves in fitted.items():
        assert curves.grid[-1] == curves.model.rows["days"].max()
        assert curves.grid[0] == (1.0 if name in ("zero", "shared") else 15.0)


def test_through_0_and_a_shared_baseline_leave_no_difference_at_day_0(
    fitted: dict[str, BindingCurves],
) -> None:
    for name in ("zero", "shared"):
        curves = fitted[name]
        apart = curves.rows("film", np.zeros(1)) - curves.rows("net", np.zeros(1))
        assert (apart == 0).all()
    assert (fitted["zero"].at_zero == 0).all()
    assert (fitted["shared"].at_zero != 0).any()


def test_rate_of_a_straight_line_is_its_slope(fitted: dict[str, BindingCurves]) -> None:
    curves = fitted["zero"]
    table = rates(curves, PAIR, np.array([0.0, 60.0, 240.0]), level=0.95).frame
    assert list(table["term"]) == ["net", "film", "film - net"]
    slope = dict(zip(curves.fit.names, curves.fit.beta, strict=True))
    assert table["estimate"][0] == pytest.approx(30 * slope["binding[net]:curve_1"], rel=1e-12)
    assert table["estimate"][2] == pytest.approx(table["estimate"][1] - table["estimate"][0])
    assert set(table["unit"]) == {"percentage points per 30 days"}


def test_rate_on_the_log_scale_is_a_factor(fitted: dict[str, BindingCurves]) -> None:
    """exp(30 b (log 241 - log 61) / 180) between days 60 and 240."""
    curves = fitted["log"]
    table = rates(curves, PAIR, np.array([20.0, 60.0, 240.0]), level=0.95).frame
    assert len(table) == 9
    b = dict(zip(curves.fit.names, curves.fit.beta, strict=True))
    row = table[(table["term"] == "film - net") & (table["from_day"] == 60)].iloc[0]
    expected = np.exp(30 * b["binding[film]:curve_1"] * np.log(241 / 61) / 180)
    assert row["estimate"] == pytest.approx(expected, rel=1e-12)
    assert row["unit"] == "per 30 days"


def test_bale_variance_may_be_negative_beside_rows_without_bales() -> None:
    """Bales less alike than chance: moments of the balanced one-way layout, (MSB - MSW) / n."""
    rows = pd.DataFrame(
        {"bale": np.repeat([f"b{k}" for k in range(8)], 2), "stored": 1.0,
         "y": np.tile([1.0, -1.0], 8) * np.repeat([0.5, 1.2, 0.7, 1.5, 0.9, 1.1, 0.8, 1.3], 2)
         + np.repeat(np.linspace(-0.9, 0.9, 8), 2)}
    )  # fmt: skip
    crop = pd.DataFrame({"bale": [f"b{k}" for k in range(8)], "stored": 0.0,
                         "y": [5.0, 6.0, 7.0, 5.5, 6.5, 6.0, 5.8, 6.4]})  # fmt: skip
    both = pd.concat([rows, crop], ignore_index=True)
    fit = fit_mixed(both, "y ~ stored", random=[{"bale": "0 + stored"}], residual_by="stored")
    by_bale = rows.groupby("bale")["y"]
    expected = by_bale.mean().var() - by_bale.var().mean() / 2
    assert fit.parameters[0].bound == "free"
    assert fit.theta[0] == pytest.approx(expected, rel=1e-6)
    assert fit.theta[0] < 0
