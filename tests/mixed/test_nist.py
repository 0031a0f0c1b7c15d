"""NIST StRD certified values of one-way analyses of variance, as a random-intercept model."""

from __future__ import annotations

from fractions import Fraction

import nist
import numpy as np
import pytest
from reference_models import coefficients

from silagetrial.mixed import Fit, fit_mixed

# Digits the data carry: at an offset of 1e12 a double has about 1e-4 left for values whose spread
# is 0.1, so that certified variances cannot come out better than to 1e-3; at 1e6, and with the
# seven equal leading digits of AtmWtAg, rounding of the data leaves 1e-9.
CERTIFIED_DIGITS = {"AtmWtAg": 1e-7, "SiRstv": 1e-9}
CERTIFIED_DIGITS |= {f"SmLs0{i}": digits for i, digits in enumerate([1e-9] * 3 + [1e-7] * 3, 1)}
CERTIFIED_DIGITS |= {f"SmLs0{i}": 2e-3 for i in (7, 8, 9)}


def fit(data: nist.OneWay) -> Fit:
    return fit_mixed(data.frame, "y ~ 1", random=["group"])


def exact(data: nist.OneWay) -> nist.OneWay:
    """The same layout with the mean squares of the stored doubles, in rational arithmetic."""
    groups = [
        [Fraction(value) for value in part.to_list()]
        for _, part in data.frame.groupby("group")["y"]
    ]
    a, n = data.groups, data.each
    means = [sum(g, Fraction()) / n for g in groups]
    grand = sum(means, Fraction()) / a
    between = n * sum(((m - grand) ** 2 for m in means), Fraction()) / (a - 1)
    squares = ((y - m) ** 2 for g, m in zip(groups, means, strict=True) for y in g)
    within = sum(squares, Fraction()) / (a * (n - 1))
    return nist.OneWay(data.frame, float(between), float(within))


def check(found: Fit, data: nist.OneWay, *, rel: float) -> None:
    assert found.theta == pytest.approx([data.var_between, data.ms_within], rel=rel)
    row = coefficients(found).iloc[0]
    assert row["std_error"] == pytest.approx(data.se_mean, rel=rel)
    assert row["df"] == pytest.approx(data.groups - 1, rel=1e-7)
    # The log-likelihood changes with each variance by about half its relative error per df.
    assert found.loglik == pytest.approx(data.loglik, rel=0, abs=1e-7 + rel * len(data.frame))


@pytest.mark.parametrize("name", nist.NAMES)
def test_certified_values(name: str) -> None:
    data = nist.read(name)
    check(fit(data), data, rel=CERTIFIED_DIGITS[name])


@pytest.mark.parametrize("name", nist.NAMES)
def test_exact_values_of_the_stored_numbers(name: str) -> None:
    """What rounding did to the data is no error of the fit: the stored doubles give 1e-8."""
    data = nist.read(name)
    check(fit(data), exact(data), rel=1e-8)


@pytest.mark.parametrize("offset", [1e6, 1e12])
@pytest.mark.parametrize("name", ["SiRstv", "SmLs01", "SmLs02", "SmLs03"])
def test_offset_added_by_us(name: str, offset: float) -> None:
    data = nist.read(name)
    moved = nist.OneWay(
        data.frame.assign(y=data.frame["y"] + offset), data.ms_between, data.ms_within
    )
    found = fit(moved)
    check(found, exact(moved), rel=1e-8)
    mean = found.beta[0]
    assert mean - offset == pytest.approx(data.frame["y"].mean(), abs=2 * np.spacing(offset))
