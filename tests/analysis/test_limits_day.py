"""The day at which the median bale passes a limit."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from curve_designs import curves_of, model_of

from silagetrial.analysis.curves import Curve
from silagetrial.analysis.growth import passing
from silagetrial.analysis.limits_day import days_at_limit
from silagetrial.mixed import contrasts, fit_mixed
from silagetrial.mixed.covariance import Floats

DAYS = np.array([3, 14, 45, 60, 90, 120, 180, 240.0])
LOG_BA = np.array([-1.6, -1.1, 0.1, 0.3, 0.9, 1.5, 1.7, 2.2])

Line = Callable[[Floats], tuple[Floats, Floats, Floats]]


def fieller_line() -> Line:
    data = pd.DataFrame({"x": np.log1p(DAYS), "y": LOG_BA})
    fit = fit_mixed(data, "y ~ x")

    def line(days: Floats) -> tuple[Floats, Floats, Floats]:
        frame = contrasts(fit, np.column_stack([np.ones(len(days)), np.log1p(days)])).frame
        low, high = frame["conf_low"].to_numpy(), frame["conf_high"].to_numpy()
        return frame["estimate"].to_numpy(), low, high

    return line


def test_fieller() -> None:
    """Closed form: roots of the quadratic in log(1 + d), one error stratum, 6 df."""
    there = days_at_limit(fieller_line(), np.log(5), first=3, last=400)
    assert there.days == pytest.approx((172.7615,), abs=5e-5)
    assert there.bounds == pytest.approx((123.3220, 272.2650), abs=5e-5)
    assert there.remark == ""


def test_nothing_is_extended_past_the_last_opening() -> None:
    there = days_at_limit(fieller_line(), np.log(5), first=3, last=240)
    assert there.days == pytest.approx((172.7615,), abs=5e-5)
    assert there.bounds[0] == pytest.approx(123.3220, abs=5e-5)
    assert np.isnan(there.bounds[1])
    assert there.remark == "no upper bound in the trial"


def shape(estimate: Callable[[Floats], Floats], half: float) -> Line:
    def line(days: Floats) -> tuple[Floats, Floats, Floats]:
        middle = np.asarray(estimate(days), dtype=float)
        return middle, middle - half, middle + half

    return line


def test_set_may_be_empty() -> None:
    there = days_at_limit(shape(lambda d: d / 100, 0.1), 5.0, first=0, last=240)
    assert (there.days, there.pieces) == ((), ())
    assert there.remark == "the estimate stays below the limit throughout the trial; so does its " \
        "interval"  # fmt: skip
    above = days_at_limit(shape(lambda d: 9 + d, 0.1), 5.0, first=0, last=240)
    assert above.remark.startswith("the estimate stays above")


def test_set_may_have_no_lower_bound_or_no_estimate() -> None:
    early = days_at_limit(shape(lambda d: d / 100, 0.5), 0.2, first=10, last=240)
    assert early.days == pytest.approx((20.0,))
    assert early.remark == "no lower bound in the trial"
    assert early.bounds[1] == pytest.approx(70.0)
    late = days_at_limit(shape(lambda d: d / 100, 0.5), 2.5, first=10, last=240)
    assert late.days == ()
    assert late.bounds[0] == pytest.approx(200.0)
    assert "stays below the limit throughout the trial; no upper bound" in late.remark


def test_set_may_be_in_two_pieces() -> None:
    """A parabola through the limit at 50 and 150."""
    there = days_at_limit(shape(lambda d: -((d - 100) ** 2) / 2500, 0.36), -1.0, first=0, last=240)
    assert there.days == pytest.approx((50.0, 150.0))
    assert np.array(there.pieces) == pytest.approx(
        np.array([[100 - 50 * 1.36**0.5, 60.0], [140.0, 100 + 50 * 1.36**0.5]])
    )
    assert there.remark == "passes 50, 150; interval in pieces: 42-60, 140-158"


def test_table_by_binding() -> None:
    curves = curves_of(model_of(Curve("log", (), 240.0)))
    table = passing(curves, 7.0, level=0.95)
    assert list(table.frame["term"]) == ["net", "film"]
    assert "the median bale passes 7 g/kg DM" in table.title
    for _, row in table.frame.iterrows():
        day = row["estimate"]
        value = contrasts(curves.fit, curves.rows(row["term"], np.array([day]))).frame["estimate"]
        assert float(value.iloc[0]) == pytest.approx(np.log(7), abs=1e-8)
        assert row["conf_low"] < day
        assert np.isnan(row["conf_high"]) or day < row["conf_high"]
