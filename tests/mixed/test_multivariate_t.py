"""The largest of correlated t statistics against values made elsewhere.

R values: R 4.2.2, nested ``integrate()`` of the product form of equal correlations (mvtnorm 1.1-3
``pmvt`` agrees to 5e-6), ``qtukey``, and multcomp/mvtnorm for the singular unequal case. The
studentised maximum modulus was integrated in double precision. Everything else is recomputed here
by scipy: the studentised range, ``multivariate_t.cdf``, and the product form of Dunnett (1955).
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray
from scipy import special, stats

from silagetrial.errors import UsageError
from silagetrial.mixed import direction_lattice
from silagetrial.mixed.direction_lattice import direction_rule
from silagetrial.mixed.multivariate_t import (
    adjusted_p,
    critical_value,
    multivariate_t_cdf_abs,
)

Floats = NDArray[np.float64]

BINNING = 1e-5
"""What bins of directions may add to the stated error of a critical value."""


def equal(count: int, correlation: float) -> Floats:
    return np.full((count, count), correlation) + (1.0 - correlation) * np.eye(count)


def all_pairs(means: int) -> Floats:
    """Correlations of all differences of equally precise means: rank means - 1."""
    first, second = np.triu_indices(means, 1)
    contrasts = np.eye(means)[first] - np.eye(means)[second]
    return contrasts @ contrasts.T / 2.0


def random_correlation(seed: int, count: int, factors: int) -> Floats:
    loadings = np.random.default_rng(seed).standard_normal((count, factors))
    covariance = loadings @ loadings.T
    size = np.sqrt(np.diag(covariance))
    return np.asarray(covariance / np.outer(size, size))


def product_form_tail(c: float, count: int, correlation: float, df: float) -> float:
    """P(max |T| > c) for equal correlations, Dunnett (1955), by Gauss-Legendre in two dimensions.

    Given the common normal z and s the statistics are independent; without cancellation in the
    tail.
    """
    nodes, weights = np.polynomial.legendre.leggauss(240)
    z, z_weight = 9.0 * nodes, 9.0 * weights * stats.norm.pdf(9.0 * nodes)
    log_s = 5.0 * nodes - 3.0
    s = np.exp(log_s)
    if math.isinf(df):
        s, s_weight = np.ones(1), np.ones(1)
    else:
        s_weight = 5.0 * weights * 2.0 * df * s**2 * stats.chi2.pdf(df * s**2, df)
    root, rest = math.sqrt(correlation), math.sqrt(1.0 - correlation)
    outside = special.ndtr((-c * s[:, None] - root * z) / rest)
    outside += special.ndtr((-c * s[:, None] + root * z) / rest)
    any_outside = -np.expm1(count * np.log1p(-np.minimum(outside, 1.0 - 1e-15)))
    return float(s_weight @ any_outside @ z_weight)


def scipy_cdf_abs(c: float, correlation: Floats, df: Any) -> float:
    limit = np.full(len(correlation), c)
    rng = np.random.default_rng(7)
    if math.isinf(df):
        normal = stats.multivariate_normal(cov=correlation, seed=rng)
        return float(normal.cdf(limit, lower_limit=-limit))
    t = stats.multivariate_t(shape=correlation, df=df, seed=rng)
    return float(t.cdf(limit, maxpts=400_000, lower_limit=-limit))


def assert_value(correlation: Floats, df: float, expected: float) -> None:
    """The value is right to its stated 95 % error (doubled), and that error is small."""
    ours = critical_value(correlation, df)
    assert abs(ours.value - expected) < 2.0 * ours.error + BINNING
    assert ours.error < 1e-4 * expected


@pytest.mark.parametrize(
    ("count", "df", "expected"),
    [
        (2, 10, 2.56833887603162),
        (3, 10, 2.75899697837358),
        (4, 12, 2.80708261874863),
        (3, 24, 2.50665143497425),
        (5, 30, 2.65685449121511),
    ],
)
def test_equal_correlations_of_a_half_as_nested_integration_in_r(
    count: int, df: float, expected: float
) -> None:
    assert_value(equal(count, 0.5), df, expected)


@pytest.mark.parametrize(
    ("count", "df", "expected"),
    [(2, 10, 2.609104), (3, 10, 2.828855), (4, 12, 2.892372), (4, 20, 2.721436)],
)
def test_independent_contrasts_are_the_studentised_maximum_modulus(
    count: int, df: float, expected: float
) -> None:
    assert_value(np.eye(count), df, expected)


@pytest.mark.parametrize(
    ("means", "df", "expected"),
    [
        (3, 10, 2.74129512849969),
        (4, 24, 2.75860878694455),
        (5, 12, 3.18743225181136),
        (3, 7.5, 2.89783419493881),
    ],
)
def test_all_pairs_is_tukey_as_qtukey_in_r(means: int, df: float, expected: float) -> None:
    assert_value(all_pairs(means), df, expected)


@pytest.mark.parametrize(("means", "df"), [(3, 2.5), (4, 5.25), (5, 2.5), (6, 40.0)])
def test_all_pairs_at_fractional_df_is_the_studentised_range_of_scipy(
    means: int, df: float
) -> None:
    t = np.linspace(0.5, 6.0, 8)
    ours = 1.0 - multivariate_t_cdf_abs(t, all_pairs(means), df)
    theirs = stats.studentized_range.sf(t * math.sqrt(2.0), means, df)
    np.testing.assert_allclose(ours, theirs, atol=1e-4)
    np.testing.assert_allclose(ours[theirs < 0.1], theirs[theirs < 0.1], rtol=2e-4)


def test_singular_unequal_correlations_as_multcomp_in_r() -> None:
    """Three sowings and a harvest in blocks, rank 3 of 4; quasi Monte Carlo there, to 2e-5 in p."""
    correlation = np.array(
        [[1.0, 0.5, 0.5, 0.0], [0.5, 1.0, -0.5, 0.0], [0.5, -0.5, 1.0, 0.0], [0.0, 0.0, 0.0, 1.0]]
    )
    ours = critical_value(correlation, 20)
    assert ours.rank == 3
    assert ours.value == pytest.approx(2.67860320497725, abs=4e-4)
    p_there = 1.0 - multivariate_t_cdf_abs(2.67860320497725, correlation, 20)
    assert p_there == pytest.approx(0.05, abs=4e-5)


@pytest.mark.parametrize(
    ("seed", "count", "factors", "df"),
    [(1, 3, 4, 7.0), (2, 4, 5, 15.0), (3, 5, 8, 4.0), (4, 6, 8, 22.0), (5, 6, 12, math.inf)],
)
@pytest.mark.slow
def test_random_correlations_as_scipy(seed: int, count: int, factors: int, df: float) -> None:
    correlation = random_correlation(seed, count, factors)
    for c in (1.5, 2.5, 3.5):
        theirs = scipy_cdf_abs(c, correlation, df)
        assert multivariate_t_cdf_abs(c, correlation, df) == pytest.approx(theirs, abs=1e-4)


@pytest.mark.parametrize(
    ("count", "correlation", "df"),
    [(6, 0.4, 15.0), (8, 0.3, 20.0), (10, 0.5, 12.0), (10, 0.0, 12.0), (10, 0.9, 12.0)],
)
@pytest.mark.slow
def test_large_families_hold_their_stated_error(count: int, correlation: float, df: float) -> None:
    """The tail at our critical value is 5 % by the product form, within the stated error."""
    ours = critical_value(equal(count, correlation), df)
    expected = product_form_tail(ours.value, count, correlation, df)
    assert abs(expected - 0.05) < 2.0 * ours.probability_error + 1e-6
    assert ours.error < 5e-4
    slope = (product_form_tail(ours.value + 1e-3, count, correlation, df) - expected) / 1e-3
    assert ours.error == pytest.approx(-ours.probability_error / slope, rel=0.02)


@pytest.mark.parametrize("df", [8.0, math.inf])
@pytest.mark.parametrize(("count", "correlation"), [(3, 0.5), (4, 0.7), (10, 0.5), (10, 0.0)])
def test_far_tail_keeps_relative_accuracy(count: int, correlation: float, df: float) -> None:
    for p in (1e-3, 1e-5, 1e-7):
        c = float(stats.t.isf(p / count / 2.0, df))
        expected = product_form_tail(c, count, correlation, df)
        ours = adjusted_p(np.full(count, c), equal(count, correlation), df)
        np.testing.assert_allclose(ours, expected, rtol=2e-3)


def test_independent_normals_multiply() -> None:
    c = np.array([0.0, 0.5, 1.0, 2.0, 3.0])
    ours = multivariate_t_cdf_abs(c, np.eye(5), math.inf)
    np.testing.assert_allclose(ours, (2.0 * stats.norm.cdf(c) - 1.0) ** 5, atol=2e-5)
    assert multivariate_t_cdf_abs(np.ones((2, 3)), np.eye(5), 4.0).shape == (2, 3)


@pytest.mark.parametrize("df", [1.0, 3.7, 12.0, math.inf])
def test_one_statistic_is_the_student_t(df: float) -> None:
    """Also several that are the same but for sign: rank 1."""
    quantile = float(stats.t.ppf(0.975, df))
    for correlation in (np.eye(1), np.array([[1.0, -1.0], [-1.0, 1.0]])):
        ours = critical_value(correlation, df)
        assert ours.value == pytest.approx(quantile, rel=1e-13)
        assert (ours.error, ours.rank, ours.count) == (0.0, 1, len(correlation))
    t = 2.2
    p = 2.0 * float(stats.t.sf(t, df))
    assert adjusted_p([-t], np.eye(1), df)[0] == pytest.approx(p, rel=1e-13)
    assert multivariate_t_cdf_abs(t, np.eye(1), df) == pytest.approx(1.0 - p, rel=1e-13)


def test_a_repeated_statistic_changes_nothing_but_the_lattice() -> None:
    correlation = random_correlation(8, 4, 6)
    repeated = np.array([0, 1, 2, 3, 1])
    signs = np.array([1.0, 1.0, 1.0, 1.0, -1.0])
    larger = correlation[np.ix_(repeated, repeated)] * np.outer(signs, signs)
    once, twice = critical_value(correlation, 9.0), critical_value(larger, 9.0)
    assert once.rank == twice.rank == 4
    assert abs(once.value - twice.value) < 2.0 * (once.error + twice.error)


@settings(deadline=None, max_examples=60)
@given(
    seed=st.integers(0, 10_000),
    count=st.integers(2, 9),
    factors=st.integers(1, 12),
    df=st.one_of(st.floats(1.0, 200.0), st.just(math.inf)),
    level=st.floats(0.5, 0.999),
)
@pytest.mark.slow
def test_any_family(seed: int, count: int, factors: int, df: float, level: float) -> None:
    """Between the Student t and Sidak; falling in t; table and interval say the same."""
    correlation = random_correlation(seed, count, factors)
    ours = critical_value(correlation, df, level=level)
    alpha = 1.0 - level
    single = float(stats.t.isf(alpha / 2.0, df))
    sidak = float(stats.t.isf(-math.expm1(math.log(level) / count) / 2.0, df))
    assert single * (1.0 - 1e-9) <= ours.value <= sidak * (1.0 + 1e-9)
    t = np.geomspace(0.02, 40.0, count)
    p = adjusted_p(t * (-1.0) ** np.arange(count), correlation, df)
    alone = 2.0 * stats.t.sf(t, df)
    assert np.all(p >= alone * (1.0 - 1e-9))
    assert np.all(p <= np.minimum(count * alone, 1.0) * (1.0 + 1e-9))
    assert np.all(np.diff(p) <= 1e-6)  # the lattice may waver where p is all but 1
    assert np.all(np.diff(p[p < 0.99]) < 0.0)
    assert np.all((p < alpha) == (t > ours.value))
    just = ours.value * np.array([1.0 - 1e-9, 1.0 + 1e-9])
    below, above = 1.0 - multivariate_t_cdf_abs(just, correlation, df)
    assert below > alpha > above


@settings(deadline=None, max_examples=20)
@given(seed=st.integers(0, 10_000), count=st.integers(2, 9), df=st.floats(3.0, 60.0))
def test_order_and_sign_do_not_matter(seed: int, count: int, df: float) -> None:
    """To a few times the stated 95 % error: other orders are other points of the lattice."""
    correlation = random_correlation(seed, count, count + 2)
    rng = np.random.default_rng(seed)
    order, signs = rng.permutation(count), rng.choice([-1.0, 1.0], count)
    changed = correlation[np.ix_(order, order)] * np.outer(signs, signs)
    first, second = critical_value(correlation, df), critical_value(changed, df)
    assert abs(first.value - second.value) < 2.5 * (first.error + second.error) + BINNING


@pytest.mark.parametrize(
    "matrix",
    [equal(4, 0.3), np.eye(4), np.kron(np.eye(2), equal(2, 0.5)), random_correlation(7, 5, 3)],
    ids=["one equal correlation", "none", "two blocks", "all different"],
)
def test_the_axes_are_the_same_whichever_eigenvectors_come(
    matrix: Floats, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Signs, and the axes among equal eigenvalues, are the processor's choice."""
    factor = direction_lattice._factor(matrix)
    np.testing.assert_allclose(factor @ factor.T, matrix, atol=1e-12)
    values, vectors = np.linalg.eigh(matrix)
    for start in range(len(values)):
        alike = np.flatnonzero(np.abs(values - values[start]) < 1e-9)
        turned, _ = np.linalg.qr(np.random.default_rng(start).standard_normal(2 * [len(alike)]))
        vectors[:, alike] = vectors[:, alike] @ turned
    monkeypatch.setattr(np.linalg, "eigh", lambda _: (values, vectors))
    np.testing.assert_allclose(direction_lattice._factor(matrix), factor, atol=1e-12)


def test_the_same_bits_every_call() -> None:
    correlation = random_correlation(3, 5, 7)
    first = critical_value(correlation, 11.5)
    assert direction_rule(correlation) is direction_rule(correlation.copy())
    for count in range(2, 14):
        critical_value(np.eye(count), 10.0)
    assert critical_value(correlation, 11.5) == first


def test_more_independent_statistics_than_the_lattice_has_room_for() -> None:
    assert 3.0 < critical_value(np.eye(32), math.inf).value < 3.2
    with pytest.raises(UsageError) as raised:
        critical_value(np.eye(33), 10.0)
    assert "33 linearly independent statistics" in raised.value.found
    assert raised.value.expected == "at most 32"
    assert "split the family" in raised.value.remedy


@pytest.mark.parametrize(
    "matrix",
    [
        np.ones((2, 3)),
        np.ones((2, 2, 2)),
        np.zeros((0, 0)),
        np.array([[1.0, 0.2], [0.3, 1.0]]),
        np.diag([1.0, 4.0]),
        np.array([[1.0, np.nan], [np.nan, 1.0]]),
        np.array([[1.0, np.inf], [np.inf, 1.0]]),
        equal(3, -0.6),
    ],
    ids=["oblong", "stack", "empty", "lopsided", "covariance", "missing", "infinite", "indefinite"],
)
def test_what_is_no_correlation_matrix_is_refused(matrix: Floats) -> None:
    with pytest.raises(UsageError) as raised:
        critical_value(matrix, 10.0)
    assert f"shape {matrix.shape}" in raised.value.found
    assert "ones on its diagonal" in raised.value.expected
    assert "divide a covariance matrix" in raised.value.remedy


@pytest.mark.parametrize("df", [0.0, -2.0, math.nan])
def test_df_must_be_positive(df: float) -> None:
    for call in (
        lambda: critical_value(np.eye(2), df),
        lambda: adjusted_p([1.0, 2.0], np.eye(2), df),
        lambda: multivariate_t_cdf_abs(1.0, np.eye(2), df),
    ):
        with pytest.raises(UsageError) as raised:
            call()
        assert raised.value.found == f"{df} degrees of freedom"
        assert "positive" in raised.value.expected
        assert "smallest degrees of freedom" in raised.value.remedy


@pytest.mark.parametrize("level", [0.0, 1.0, 95.0, math.nan])
def test_level_is_a_share(level: float) -> None:
    with pytest.raises(UsageError) as raised:
        critical_value(np.eye(2), 10.0, level=level)
    assert raised.value.found == f"level {level}"
    assert "between 0 and 1" in raised.value.expected
    assert "0.95" in raised.value.remedy


@pytest.mark.parametrize(
    ("statistics", "found"),
    [([1.0], "shape (1,), 0 not finite"), ([1.0, math.nan], "shape (2,), 1 not finite")],
)
def test_statistics_must_be_finite_and_one_per_row(statistics: list[float], found: str) -> None:
    with pytest.raises(UsageError) as raised:
        adjusted_p(statistics, np.eye(2), 10.0)
    assert found in raised.value.found
    assert raised.value.expected.startswith("2 finite statistics")
    assert "leave contrasts without an answer out" in raised.value.remedy


@pytest.mark.parametrize("limit", [-1.0, math.nan])
def test_limits_are_not_negative(limit: float) -> None:
    with pytest.raises(UsageError) as raised:
        multivariate_t_cdf_abs([2.0, limit], np.eye(2), 10.0)
    assert "negative or missing" in raised.value.found
    assert "zero or more" in raised.value.expected
    assert "without sign" in raised.value.remedy
