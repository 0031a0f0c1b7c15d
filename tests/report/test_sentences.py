"""One finding as one sentence: never more than the interval allows."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from silagetrial.report.doubts import doubt
from silagetrial.report.findings import Finding
from silagetrial.report.sentences import (
    adjusted_too,
    below_limit,
    by_how_much,
    change_over_storage,
    evidence,
    importance,
    reach,
)


def ratio(estimate: float, low: float, high: float, p: float, *, family: str = "") -> Finding:
    return Finding("film", "net", "9 months", estimate, low, high, p, family, "ratio", "")


def points(estimate: float, low: float, high: float, p: float, *, family: str = "") -> Finding:
    unit = "percentage points"
    return Finding("film", "net", "9 months", estimate, low, high, p, family, "difference", unit)


def said(finding: Finding) -> str:
    return by_how_much(finding, what="butyric acid", level="95 %", alpha=0.05)


def test_a_shown_ratio_is_said_as_people_do() -> None:
    assert said(ratio(0.588, 0.404, 0.856, 0.0072)) == (
        "butyric acid was 41 % lower with film than with net (ratio 0.59, 95 % interval 0.40 to "
        "0.86, p = 0.007)"
    )
    levels = by_how_much(
        ratio(0.588, 0.404, 0.856, 0.0072),
        what="butyric acid",
        level="95 %",
        alpha=0.05,
        levels="adjusted medians about 1.9 against 3.3 g/kg DM",
        below=below_limit(3, 17),
    )
    assert "(adjusted medians about 1.9 against 3.3 g/kg DM; ratio 0.59, 95 % interval" in levels
    assert levels.endswith(
        "p = 0.007; 18 % of 17 results below the laboratory's limit, counted as half of it)"
    )
    assert "60 % higher with film" in said(ratio(1.6, 1.11, 2.32, 0.016))
    assert "3.2 times as high with film" in said(ratio(3.2, 1.5, 6.8, 0.004))


def test_a_shown_difference_has_size_and_direction() -> None:
    assert said(points(-1.5, -2.6, -0.4, 0.01, family="4 openings")) == (
        "butyric acid was 1.50 percentage points lower with film than with net (difference "
        "\u22121.50 percentage points, 95 % interval \u22122.60 to \u22120.40 after adjusting for "
        "4 openings, p = 0.010)"
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
    assert text.startswith(
        "the trial cannot tell a difference in butyric acid of this size between film and net "
        "from none ("
    )
    assert not re.search(r"lower|higher|times as high|equal|the same|no effect", text)


def test_evidence_says_which_interval_it_is() -> None:
    assert evidence(ratio(0.6, 0.4, 0.9, 0.03, family="2 comparisons"), level="90 %") == (
        "ratio 0.60, 90 % interval 0.40 to 0.90 after adjusting for 2 comparisons, p = 0.030"
    )


def change(
    growth: Finding, line: tuple[float, float], ends: tuple[Finding | None, Finding | None]
) -> str:
    return change_over_storage(
        growth,
        line,
        ends,
        what="butyric acid",
        first="1 month",
        last="9 months",
        level="95 %",
        alpha=0.05,
    )


LOWER, HIGHER = ratio(0.5, 0.3, 0.8, 0.01), ratio(2.0, 1.25, 3.3, 0.01)
UNTOLD = ratio(0.9, 0.5, 1.6, 0.7)
ALONG = "along a straight line in log(1 + days) through the openings compared, 1 month to 9 months,"


def test_growth_with_storage() -> None:
    assert change(ratio(0.67, 0.41, 1.08, 0.098), (0.9, 0.6), (UNTOLD, LOWER)) == (
        "The difference in butyric acid between film and net did not clearly grow with storage: "
        f"{ALONG} the ratio changed by a factor of 0.67 (95 % interval 0.41 to 1.08, p = 0.098)."
    )
    assert change(LOWER, (0.9, 0.45), (UNTOLD, LOWER)) == (
        "The difference in butyric acid between film and net grew with storage: "
        f"{ALONG} the ratio changed by a factor of 0.50 (95 % interval 0.30 to 0.80, p = 0.010)."
    )
    assert f"net shrank with storage: {ALONG}" in change(HIGHER, (0.45, 0.9), (LOWER, UNTOLD))
    grew = change(points(2.0, 0.9, 3.1, 0.01), (0.2, 2.2), (None, points(2.2, 1.0, 3.4, 0.01)))
    assert f"grew with storage: {ALONG} it moved by 2.00 percentage points (95 %" in grew


@pytest.mark.parametrize(
    ("line", "ends", "verb"),
    [
        ((0.7, 1.6), (LOWER, HIGHER), "turned with storage, from one side to the other"),
        ((0.7, 1.6), (UNTOLD, HIGHER), "grew with storage"),
        ((0.7, 1.6), (LOWER, UNTOLD), "shrank with storage"),
        ((0.7, 1.6), (UNTOLD, UNTOLD), "changed with storage"),
        ((0.7, 1.6), (HIGHER, HIGHER), "changed with storage"),
        ((0.7, 1.6), (None, None), "changed with storage"),
        ((0.7, 1.6), (ratio(0.9, 0.5, 1.6, 0.05), HIGHER), "grew with storage"),
        ((0.7, 0.98), (LOWER, HIGHER), "turned with storage, from one side to the other"),
    ],
)
def test_a_difference_turns_only_where_both_ends_are_told_from_none(
    line: tuple[float, float], ends: tuple[Finding | None, Finding | None], verb: str
) -> None:
    assert f"between film and net {verb}: {ALONG}" in change(HIGHER, line, ends)


@pytest.mark.parametrize(
    ("half", "effect", "said_of_it"),
    [
        (1.44, "ratio", "31 % lower or 44 % higher"),
        (3.21, "ratio", "3.2 times as high or as low"),
        (2e4, "ratio", ""),
        (math.inf, "ratio", ""),
        (math.inf, "difference", ""),
        (1.73, "difference", "1.7 percentage points either way"),
        (0.04, "difference", "0.04 percentage points either way"),
    ],
)
def test_what_it_would_have_taken(half: float, effect: str, said_of_it: str) -> None:
    unit = "" if effect == "ratio" else "percentage points"
    assert reach(half, effect=effect, unit=unit) == said_of_it


@pytest.mark.parametrize(
    ("estimate", "low", "high", "p", "meaning"),
    [
        (0.9, 0.82, 0.98, 0.02, "That is too little to matter (your limit: a ratio below 0.67)."),
        (0.4, 0.2, 0.6, 0.001, "That is enough to matter (your limit: a ratio below 0.67)."),
        (2.0, 1.6, 2.6, 0.001, "That is enough to matter (your limit: a ratio above 1.50)."),
        (
            0.59, 0.4, 0.86, 0.007,
            "Whether that is enough to matter (your limit: a ratio below 0.67) is left open.",
        ),
        (
            1.1, 0.8, 1.6, 0.5,
            "A difference large enough to matter (your limit: a ratio below 0.67 or above 1.50) is "
            "not ruled out.",
        ),
        (
            1.0, 0.8, 1.3, 0.5,
            "A difference large enough to matter (your limit: a ratio below 0.67 or above 1.50) "
            "lies outside the interval.",
        ),
    ],
)  # fmt: skip
def test_what_the_plan_calls_important(
    estimate: float, low: float, high: float, p: float, meaning: str
) -> None:
    assert importance(ratio(estimate, low, high, p), 1.5, alpha=0.05) == meaning


def test_importance_of_a_difference() -> None:
    assert importance(points(0.2, -0.4, 0.8, 0.5), 1.0, alpha=0.05) == (
        "A difference large enough to matter (your limit: 1 percentage point) lies outside the "
        "interval."
    )
    assert importance(points(-1.6, -2.1, -1.1, 0.001), 1.0, alpha=0.05) == (
        "That is enough to matter (your limit: 1 percentage point)."
    )


@pytest.mark.parametrize(
    ("model", "paired", "said_of_it"),
    [
        (0.007, 0.191, "The paired t alone does not show it (p = 0.191): not settled."),
        (0.098, 0.043, "The paired t alone does show it (p = 0.043): not settled."),
        (0.007, 0.02, ""),
        (0.4, 0.6, ""),
        (0.007, math.nan, ""),
    ],
)
def test_another_verdict_of_the_paired_t_is_said(
    model: float, paired: float, said_of_it: str
) -> None:
    alone = ratio(0.6, 0.4, 0.9, model)
    assert doubt(alone, alone, paired, alpha=0.05) == said_of_it


@pytest.mark.parametrize(
    ("joint", "alone", "paired", "said_of_it"),
    [
        (0.056, 0.031, 0.037, ""),
        (0.2, 0.098, 0.037, "The paired t alone does show it (p = 0.037): not settled."),
        (0.031, 0.012, 0.2, "The paired t alone does not show it (p = 0.200): not settled."),
        (0.2, 0.031, 0.2, ""),
    ],
)
def test_the_paired_t_is_held_against_the_model_as_little_adjusted(
    joint: float, alone: float, paired: float, said_of_it: str
) -> None:
    told = ratio(0.6, 0.4, 0.9, joint, family="2 comparisons")
    assert doubt(told, ratio(0.6, 0.4, 0.9, alone), paired, alpha=0.05) == said_of_it


@pytest.mark.parametrize(
    ("alone", "joint", "said_of_it"),
    [
        (0.007, 0.028, "It stands also after adjusting for 4 openings (p = 0.028)."),
        (0.02, 0.06, "After adjusting for 4 openings it is not shown (p = 0.060)."),
        (0.3, 0.6, "Nor is one shown after adjusting for 4 openings (p = 0.600)."),
    ],
)
def test_one_result_with_two_p_is_told_once(alone: float, joint: float, said_of_it: str) -> None:
    both = ratio(0.6, 0.4, 0.9, alone), ratio(0.6, 0.3, 1.1, joint, family="4 openings")
    assert adjusted_too(*both, alpha=0.05) == said_of_it
