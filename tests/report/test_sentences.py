"""One finding as one sentence: never more than the interval allows."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.report.findings import Finding
from silagetrial.report.sentences import by_how_much, change_over_storage, evidence, importance


def ratio(estimate: float, low: float, high: float, p: float, *, joint: bool = False) -> Finding:
    return Finding("film", "net", "9 months", estimate, low, high, p, joint, "ratio", "")


def points(estimate: float, low: float, high: float, p: float) -> Finding:
    unit = "percentage points"
    return Finding("film", "net", "9 months", estimate, low, high, p, True, "difference", unit)


def said(finding: Finding) -> str:
    return by_how_much(finding, what="butyric acid", level="95 %", alpha=0.05)


def test_a_shown_ratio_is_said_as_people_do() -> None:
    assert said(ratio(0.588, 0.404, 0.856, 0.0072)) == (
        "butyric acid was 41 % lower with film than with net (ratio 0.59, 95 % interval 0.40 to "
        "0.86, p = 0.007)"
    )
    assert "60 % higher with film" in said(ratio(1.6, 1.11, 2.32, 0.016))
    assert "3.2 times as high with film" in said(ratio(3.2, 1.5, 6.8, 0.004))


def test_a_shown_difference_has_size_and_direction() -> None:
    assert said(points(-1.5, -2.6, -0.4, 0.01)) == (
        "butyric acid was 1.50 percentage points lower with film than with net (difference "
        "\u22121.50 percentage points, simultaneous 95 % interval \u22122.60 to \u22120.40, "
        "adjusted p = 0.010)"
    )


@given(
    log_ratio=st.floats(-3, 3),
    half=st.floats(0.01, 3),
    p=st.floats(0.0500001, 1),
)
def test_without_evidence_no_difference_is_claimed_and_none_is_denied(
    log_ratio: float, half: float, p: float
) -> None:
    finding = ratio(math.exp(log_ratio), math.exp(log_ratio - half), math.exp(log_ratio + half), p)
    text = said(finding)
    assert text.startswith("no difference in butyric acid between film and net was shown (")
    assert not re.search(r"lower|higher|times as high|equal|the same|no effect", text)


def test_evidence_says_which_interval_it_is() -> None:
    assert evidence(ratio(0.6, 0.4, 0.9, 0.03, joint=True), level="90 %") == (
        "ratio 0.60, simultaneous 90 % interval 0.40 to 0.90, adjusted p = 0.030"
    )


def change(growth: Finding, average: Finding) -> str:
    return change_over_storage(
        growth, average, first="1 month", last="9 months", level="95 %", alpha=0.05
    )


def test_growth_with_storage() -> None:
    average = ratio(0.72, 0.6, 0.87, 0.001)
    assert change(ratio(0.67, 0.41, 1.08, 0.098), average) == (
        "A change of the difference between film and net with storage, from 1 month to 9 months, "
        "was not shown (ratio 0.67, 95 % interval 0.41 to 1.08, p = 0.098)."
    )
    assert change(ratio(0.5, 0.3, 0.8, 0.01), average).startswith(
        "The difference between film and net grew with storage: from 1 month to 9 months the "
        "ratio was multiplied by 0.50 ("
    )
    assert "shrank or turned with storage" in change(ratio(2.0, 1.2, 3.3, 0.01), average)
    loss = points(1.2, 0.5, 1.9, 0.01)
    assert "grew with storage: from 1 month to 9 months it moved by 2.00 percentage points" in (
        change(points(2.0, 0.9, 3.1, 0.01), loss)
    )


@pytest.mark.parametrize(
    ("low", "high", "meaning"),
    [
        (0.8, 1.3, "the whole interval lies inside that: the difference is too small to matter"),
        (0.2, 0.6, "the whole interval lies beyond that: the difference matters"),
        (1.6, 2.6, "the whole interval lies beyond that: the difference matters"),
        (0.4, 0.9, "so the trial leaves this open"),
        (0.5, 2.5, "so the trial leaves this open"),
    ],
)
def test_what_the_plan_calls_important(low: float, high: float, meaning: str) -> None:
    text = importance(ratio(math.sqrt(low * high), low, high, 0.5), 1.5)
    assert text.startswith("the plan calls a ratio between 0.67 and 1.50 too small to matter; ")
    assert meaning in text


def test_importance_of_a_difference() -> None:
    assert importance(points(0.2, -0.4, 0.8, 0.5), 1.0).startswith(
        "the plan calls a difference of less than 1 percentage point too small to matter; the "
        "whole interval lies inside that"
    )
