"""The value of information against numerical integration and published loss integrals."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import integrate, stats

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.planning.plan import NextTrial
from silagetrial.planning.value import perfect_information, sample_information, value_of_trial

# 2 of money a bale for each unit lower, 1.5 extra: a difference of -1.25 is worth 1 of money.
DECISION = NextTrial(bales_per_year=500, years=4, gain_per_bale=2.0, extra_cost_per_bale=1.5)


def by_integration(mean: float, sd: float) -> float:
    """E max(d, 0) - max(m, 0), by adaptive quadrature of the positive part (scipy)."""
    part, _ = integrate.quad(
        lambda d: d * stats.norm.pdf(d, mean, sd),
        0.0, max(mean, 0.0) + 12 * sd, points=[max(mean, 0.0)], epsabs=1e-13, epsrel=1e-12,
    )  # fmt: skip
    return part - max(mean, 0.0)


def test_known_values() -> None:
    # Computed independently of this package, to six digits.
    assert perfect_information(1.0, 2.0) == pytest.approx(0.395593, abs=5e-7)
    assert sample_information(1.0, 2.0, 4.0) == pytest.approx(0.199641, abs=5e-7)
    assert sample_information(1.0, 2.0, 1.0) == pytest.approx(0.322342, abs=5e-7)


@pytest.mark.parametrize(
    ("z", "loss"), [(0.0, 0.3989), (0.5, 0.1978), (1.0, 0.0833), (2.0, 0.0085)]
)
def test_unit_normal_loss_of_the_tables(z: float, loss: float) -> None:
    # Unit normal linear loss integral L(D), as tabulated to four digits in textbooks of
    # decision theory (Raiffa & Schlaifer 1961 and after; digits from memory).
    assert perfect_information(z, 1.0) == pytest.approx(loss, abs=5e-5)


@given(st.floats(-3, 3), st.floats(0.5, 4))
def test_perfect_information_is_the_integral(mean: float, sd: float) -> None:
    assert perfect_information(mean, sd) == pytest.approx(by_integration(mean, sd), abs=1e-9)


def test_sample_information_is_the_mean_gain_of_decisions_after_the_trial() -> None:
    # The gain is drawn, a trial estimates it, the posterior mean decides: no formula of EVSI.
    rng = np.random.default_rng(20261125)
    mean, sd, variance = 1.0, 2.0, 4.0
    true = rng.normal(mean, sd, 1_000_000)
    seen = rng.normal(true, math.sqrt(variance))
    after = (mean / sd**2 + seen / variance) / (1 / sd**2 + 1 / variance)
    gained = np.where(after > 0, true, 0.0) - true
    error = gained.std() / 1000
    assert sample_information(mean, sd, variance) == pytest.approx(gained.mean(), abs=4 * error)


@given(st.floats(-5, 5), st.floats(0.01, 5), st.floats(0.0, 50))
def test_a_trial_is_worth_no_more_than_knowing(mean: float, sd: float, variance: float) -> None:
    sample = sample_information(mean, sd, variance)
    assert -1e-12 <= sample <= perfect_information(mean, sd) + 1e-12
    assert sample == pytest.approx(sample_information(-mean, sd, variance), abs=1e-12)


def test_the_edges() -> None:
    assert perfect_information(1.0, 0.0) == 0
    assert sample_information(1.0, 0.0, 0.0) == 0
    assert sample_information(1.0, 2.0, math.inf) == 0
    assert sample_information(1.0, 2.0, 0.0) == perfect_information(1.0, 2.0)


def test_money_by_hand() -> None:
    worth = value_of_trial(DECISION, effect=-1.25, effect_sd=1.0, std_error=1.0, cost=300.0)
    # Gain 2 * 1.25 - 1.5 = 1 a bale, sd 2 * 1 = 2, variance of the estimate (2 * 1)^2 = 4.
    assert (worth.mean, worth.sd, worth.bales) == (1.0, 2.0, 2000)
    assert worth.perfect == pytest.approx(2000 * 0.395593, abs=2e-3)
    assert worth.sample == pytest.approx(2000 * 0.199641, abs=2e-3)
    assert worth.net == pytest.approx(399.282 - 300.0, abs=2e-3)


def test_where_higher_is_better_the_gain_is_negative() -> None:
    higher = NextTrial(bales_per_year=500, years=4, gain_per_bale=-2.0, extra_cost_per_bale=1.5)
    worth = value_of_trial(higher, effect=1.25, effect_sd=1.0, std_error=1.0, cost=300.0)
    assert worth == value_of_trial(DECISION, effect=-1.25, effect_sd=1.0, std_error=1.0, cost=300.0)


def test_what_is_not_given_is_named_all_at_once() -> None:
    with pytest.raises(NoAnswer) as error:
        value_of_trial(None, effect=None, effect_sd=None, std_error=1.0, cost=None)
    for name in (
        "bales_per_year",
        "years",
        "gain_per_bale",
        "[assumptions]",
        "effect_sd",
        "[costs]",
    ):
        assert name in error.value.found
    with pytest.raises(NoAnswer, match="effect_sd") as error:
        value_of_trial(DECISION, effect=1.0, effect_sd=None, std_error=1.0, cost=1.0)
    assert "gain_per_bale" not in error.value.found
    assert "never guessed" in error.value.expected


def test_impossible_spreads_are_refused() -> None:
    with pytest.raises(UsageError, match="a standard deviation of -1"):
        perfect_information(0.0, -1.0)
    with pytest.raises(UsageError, match="a standard deviation of -1"):
        sample_information(0.0, -1.0, math.inf)
    with pytest.raises(UsageError, match="variance -1"):
        sample_information(0.0, 1.0, -1.0)
