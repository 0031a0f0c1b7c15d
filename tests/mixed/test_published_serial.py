"""Serial correlation against a commercial package's published numbers.

Quoted in the tests of openpharma/mmrm (tests/testthat/test-kenwardroger.R), commit ec290b2
(Apache-2.0); data fev_data.csv of the same source.  That package takes W from the observed
information and, asked so, leaves second derivatives out (first order): both are made here from the
engine's pieces.  Its optimiser stops 1e-6 to 8e-5 from the maximum, hence 1e-4.
"""

from __future__ import annotations

import numpy as np
import pytest
from reference_models import coefficients, fitted, frame_of, reference

from silagetrial.mixed import fit_mixed

PUBLISHED = 1e-4  # relative
FIRST_ORDER = {"fev_AR1": (0.96058142305176, 188.46934887972),
               "fev_exponential_2d": (0.90552903839818, 195.584197921463)}  # fmt: skip
"""Standard error of the treatment's difference, first order, and its degrees of freedom."""


@pytest.mark.parametrize("name", FIRST_ORDER)
def test_first_order_with_observed_information(name: str) -> None:
    fit = fitted(name)
    at, w = fit.fits.evaluation, fit.fits.observed_covariance[0]
    phi, p, q = at.phi[0], at.p[0], at.q[0]
    inner = np.einsum("ij,ijab->ab", w, q) - np.einsum("ij,iab,bc,jcd->ad", w, p, phi, p)
    inside = phi + 2 * phi @ inner @ phi
    adjusted = fit.from_orthonormal @ inside @ fit.from_orthonormal.T * fit.scale**2
    errors = np.sqrt(np.diag(adjusted))
    se, df = FIRST_ORDER[name]
    assert errors[1] == pytest.approx(se, rel=PUBLISHED)
    assert coefficients(fit, "satterthwaite")["df"].iloc[1] == pytest.approx(df, rel=PUBLISHED)
    np.testing.assert_allclose(errors, reference(name)["observed_first_order_std_error"], rtol=1e-6)


def test_likelihood_of_a_first_order_autoregression() -> None:
    """-2 l of FEV1 ~ 1 over a subject's visits: the same package's value, second-hand."""
    fit = fit_mixed(frame_of("fev_AR1"), "FEV1 ~ 1", serial={"USUBJID": "VISITN"})
    assert -2 * fit.loglik == pytest.approx(3875.49945459, abs=1e-6)
