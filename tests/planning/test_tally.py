"""Counts over simulated trials, against a table worked out by hand."""

from __future__ import annotations

import numpy as np
import pytest
from scipy import stats

from silagetrial.planning.outcomes import outcome_of
from silagetrial.planning.tally import FAILURES, MEASURES, STATES, Tally, summary

NAN = float("nan")
ESTIMATE = np.array([[1.0], [3.0], [NAN], [-2.0]])
ERROR = np.array([[0.5], [1.0], [NAN], [2.0]])
TRUTH = np.full((4, 1), 1.5)


def tally_of(chunk: int = 0, trials: np.ndarray | None = None) -> Tally:
    outcome = outcome_of(
        ESTIMATE, ERROR, np.full((4, 1), 10.0), level=0.95,
        negative=np.array([True, False, False, True]), held=np.array([False, False, False, True]),
    )  # fmt: skip
    return Tally.of((outcome,), TRUTH, 0.05, chunk=chunk, trials=trials)


def row_of(tally: Tally) -> dict[str, object]:
    (row,) = summary(tally, analyses=("one",), contrasts=("at 30",), truth=np.array([1.5]))
    return row


def test_sums_of_four_trials_by_hand() -> None:
    # t = 2, 3, none, -1 on 10 df, whose critical value is 2.228 (table of t).
    tally = tally_of()
    of = dict(zip(MEASURES, tally.sums[0, 0], strict=True))
    t = stats.t(10).ppf(0.975)
    assert t == pytest.approx(2.228, abs=5e-4)
    assert (of["answered"], of["rejected"], of["covered"]) == (3, 1, 3)
    assert of["error"] == pytest.approx(-0.5 + 1.5 - 3.5)
    assert of["error_squared"] == pytest.approx(0.25 + 2.25 + 12.25)
    assert of["width"] == pytest.approx(2 * t * 3.5)
    assert of["width_squared"] == pytest.approx(4 * t**2 * (0.25 + 1 + 4))
    assert dict(zip(STATES, tally.states[0], strict=True)) == {
        "negative": 2,
        "held": 1,
        "failed": 1,
    }
    assert tally.failures == ((0, 0, 2),)


def test_shares_and_their_errors() -> None:
    row = row_of(tally_of())
    assert row["rejected"] == 0.25, "of all trials: the failed one is not significant"
    assert row["rejected_mc"] == pytest.approx(np.sqrt(0.25 * 0.75 / 4))
    assert row["failed_mc"] == row["rejected_mc"]
    assert row["negative_mc"] == pytest.approx(0.25)
    errors = np.array([-0.5, 1.5, -3.5])
    assert row["bias"] == pytest.approx(errors.mean())
    assert row["bias_mc"] == pytest.approx(errors.std() / np.sqrt(3))
    widths = 2 * stats.t(10).ppf(0.975) * np.array([0.5, 1.0, 2.0])
    assert row["width_mc"] == pytest.approx(widths.std() / np.sqrt(3))


def test_adding_is_that_of_all_trials_with_the_first_failures() -> None:
    both = tally_of() + tally_of(chunk=1, trials=np.array([7, 8, 5, 2]))
    assert both.trials == 8
    assert both.sums == pytest.approx(2 * tally_of().sums)
    assert both.failures == ((0, 0, 2), (0, 1, 5))
    assert row_of(both)["bias"] == pytest.approx(row_of(tally_of())["bias"])
    many = both
    for chunk in range(2, 60):
        many = many + tally_of(chunk=chunk)
    assert len(many.failures) == FAILURES
    assert many.failures[-1] == (0, FAILURES - 1, 2)
    assert many.states[0, STATES.index("failed")] == 60


def test_nothing_answered_has_a_power_of_nought_and_no_coverage() -> None:
    nothing = np.full((3, 1), NAN)
    row = row_of(Tally.of((outcome_of(nothing, nothing, nothing, level=0.95),), TRUTH[:3], 0.05))
    assert row["rejected"] == 0
    assert row["failed"] == 1
    assert np.isnan([row[k] for k in ("covered", "bias", "width", "width_mc", "df")]).all()
