"""Residual variances by group and serial correlation against R, after fitting.

Values: tests/reference/nlme.json, made by make_structures.R: nlme's own (log-likelihood good to
1e-10, parameters to 1e-5, where its optimiser stops) and a dense restricted likelihood in R with
the gradient below 1e-10, Kenward and Roger's first-order adjustment with the expected information,
Satterthwaite's degrees of freedom with the observed one.
"""

from __future__ import annotations

import numpy as np
import pytest
from reference_models import (
    METHODS,
    STRUCTURE_NAMES,
    coefficients,
    fitted,
    frame_of,
    order,
    r_column,
    reference,
    rows,
    terms,
)
from test_references import index_sum

from silagetrial.mixed import Fit, f_test

LOGLIK = 1e-6  # absolute
RELATIVE = 1e-6
NLME_STOPS = 2e-5  # relative, of nlme's parameters

pytestmark = pytest.mark.parametrize("name", STRUCTURE_NAMES)


def scaled(fit: Fit, name: str, key: str) -> np.ndarray:
    """Difference of a covariance of theta from R's, in units of R's standard errors."""
    theirs = np.array(reference(name)[key])
    ours = fit.theta_covariance
    if key == "theta_covariance_observed":
        ours = fit.fits.observed_covariance[0] * np.outer(fit.units, fit.units)
    size = np.sqrt(np.diag(theirs))
    return (ours - theirs) / np.outer(size, size)


def test_registry_holds_the_rows_that_r_has(name: str) -> None:
    frame, block = frame_of(name), reference(name)
    assert len(frame) == block["n"]
    for column, expected in block["fingerprint"].items():
        assert index_sum(frame[column]) == pytest.approx(expected, rel=1e-12), column


def test_log_likelihood(name: str) -> None:
    fit, block = fitted(name), reference(name)
    assert fit.loglik == pytest.approx(block["nlme"]["loglik"], rel=0, abs=LOGLIK)
    assert fit.loglik == pytest.approx(block["loglik"], rel=0, abs=LOGLIK / 10)


def test_parameters(name: str) -> None:
    fit, block = fitted(name), reference(name)
    assert [p.name for p in fit.parameters] == block["parameters"]
    np.testing.assert_allclose(fit.theta, block["theta"], rtol=RELATIVE)
    np.testing.assert_allclose(fit.theta, block["nlme"]["theta"], rtol=NLME_STOPS)
    assert not fit.at_bound.any()


@pytest.mark.parametrize("key", ["theta_covariance", "theta_covariance_observed"])
def test_covariance_of_the_parameters(name: str, key: str) -> None:
    np.testing.assert_allclose(scaled(fitted(name), name, key), 0, atol=10 * RELATIVE)


def test_coefficients_and_their_covariances(name: str) -> None:
    fit, block, at = fitted(name), reference(name), order(name)
    error = np.array(block["std_error"])
    for theirs, digits in ((block["beta"], RELATIVE), (block["nlme"]["beta"], NLME_STOPS)):
        np.testing.assert_allclose((fit.beta[at] - theirs) / error, 0, atol=digits)
    for ours, key in ((fit.covariance, "vcov"), (fit.covariance_kr, "vcov_kr")):
        difference = ours[np.ix_(at, at)] - np.array(block[key])
        np.testing.assert_allclose(difference / np.outer(error, error), 0, atol=RELATIVE)
    found = np.sqrt(np.diag(fit.covariance))[at]
    np.testing.assert_allclose(found, block["nlme"]["std_error"], rtol=NLME_STOPS)


@pytest.mark.parametrize("method", METHODS)
def test_each_coefficient(name: str, method: str) -> None:
    theirs = reference(name)[method.replace("-", "_")]
    columns = [r_column(name, column) for column in np.atleast_1d(reference(name)["names"])]
    ours = coefficients(fitted(name), method).loc[columns]
    for column in ("std_error", "df"):
        np.testing.assert_allclose(ours[column], theirs[column], rtol=RELATIVE, err_msg=column)


@pytest.mark.parametrize("method", METHODS)
def test_each_term(name: str, method: str) -> None:
    """F tests with R's own L: scaling, degrees of freedom, statistic, p."""
    for test in reference(name)["tests"]:
        theirs = test[method.replace("-", "_")]
        found = f_test(fitted(name), rows(name, test["L"]), method=method)
        for key, value in theirs.items():
            assert getattr(found, key) == pytest.approx(value, rel=RELATIVE), key
    last = reference(name)["tests"][-1]["kenward_roger"]
    # The last term's rows are the same in treatment and in sum-to-zero coding.
    assert terms(fitted(name)).iloc[-1]["statistic"] == pytest.approx(
        last["statistic"], rel=RELATIVE
    )
