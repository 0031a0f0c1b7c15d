"""A slip of ten is told from results that are merely skewed: how often, measured."""

from __future__ import annotations

import numpy as np
import pytest
from numpy.typing import NDArray

from silagetrial.data.checks_others import odd_by_ten

COLUMNS = 400


def logs(rng: np.random.Generator, n: int, *, cv: float) -> NDArray[np.float64]:
    """Return logarithms of lognormal results with this coefficient of variation."""
    return rng.normal(0.0, float(np.sqrt(np.log1p(cv**2))), n)


@pytest.mark.parametrize("cv", [0.3, 0.6, 1.0, 1.5])
@pytest.mark.parametrize("n", [6, 12, 48])
def test_skewed_results_without_a_slip_are_seldom_called_odd(n: int, cv: float) -> None:
    rng = np.random.default_rng([n, int(10 * cv)])
    said = [odd_by_ten(logs(rng, n, cv=cv)).any() for _ in range(COLUMNS)]
    # Bonferroni's bound is one in a hundred for each number of odd ones; gaps differ in it.
    assert np.mean(said) <= 0.04


@pytest.mark.parametrize(("n", "cv", "least"), [(12, 0.2, 0.99), (24, 0.3, 0.95), (24, 0.5, 0.5)])
def test_one_result_ten_times_less_is_found(n: int, cv: float, least: float) -> None:
    rng = np.random.default_rng(n)
    found = 0
    for _ in range(COLUMNS):
        values = logs(rng, n, cv=cv)
        values[3] -= np.log(10.0)
        odd = odd_by_ten(values)
        found += bool(odd[3]) and odd.sum() == 1
    assert found >= least * COLUMNS


def test_a_report_in_another_unit_is_found_where_one_result_would_not_be() -> None:
    rng = np.random.default_rng(3)
    sent = ["R1"] * 8 + ["R2"] * 24
    apart = together = 0
    for _ in range(COLUMNS):
        values = logs(rng, 32, cv=1.0)
        values[:8] += np.log(10.0)
        together += odd_by_ten(values, sent)[:8].all()
        apart += odd_by_ten(values).any()
    assert together > 0.95 * COLUMNS
    assert apart < 0.3 * COLUMNS


def test_few_results_are_never_odd() -> None:
    assert not odd_by_ten(np.log([1.0, 1.0, 1.0, 1.1, 10.0])).any()


def test_many_odd_ones_among_very_many_results() -> None:
    rng = np.random.default_rng(4)
    values = logs(rng, 20_000, cv=0.1)
    values[::4] -= np.log(10.0)
    odd = odd_by_ten(values)
    assert odd[::4].all()
    assert odd.sum() == 5000
