"""The tipping point: how bad lost bales must have been to turn what is said."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from scipy import stats

from silagetrial.report.claims import Claimed
from silagetrial.report.findings import Finding
from silagetrial.report.sentences import importance
from silagetrial.report.tipping import tipping_point


@pytest.mark.parametrize("told", [True, False])
@pytest.mark.parametrize("more", [1, -1])
@pytest.mark.parametrize("side", [1, -1])
def test_at_the_tipping_point_an_end_of_the_interval_is_none(
    told: bool, more: int, side: int
) -> None:
    estimate, half = 2.0 * side, 1.5 if told else 2.5
    t = stats.norm.isf(0.025) / half
    finding = Finding(
        "film", "net", "9 months", estimate, estimate - half, estimate + half,
        float(2 * stats.norm.sf(abs(estimate) * t)), "", "difference", "percentage points",
    )  # fmt: skip
    share = 0.2 * more
    delta, verdict = tipping_point(finding, share)
    if told and side == more:
        assert (delta, verdict) == (math.inf, ""), "counting them widens what is told"
        return
    assert verdict == "none"
    ends = finding.low + share * delta, finding.high + share * delta
    assert min(abs(end) for end in ends) < 1e-12
    before = ends[0] - share * 1e-6 * delta, ends[1] - share * 1e-6 * delta
    assert (before[0] < 0 < before[1]) != told


def a_ratio(estimate: float, low: float, high: float, p: float) -> Finding:
    return Finding("film", "net", "9 months", estimate, low, high, p, "", "ratio", "")


def test_shares_alike_tip_nothing() -> None:
    assert tipping_point(a_ratio(0.45, 0.31, 0.65, 0.001), 0.0, important=1.5) == (math.inf, "")


@pytest.mark.parametrize(
    ("finding", "important", "more", "delta", "verdict"),
    [
        # "Enough to matter" falls before "shown": 0.65 reaches 1 / 1.5.
        (a_ratio(0.45, 0.31, 0.65, 0.001), 1.5, 0.2, math.log(1 / 1.5 / 0.65) / 0.2, "important"),
        # "Too little to matter" falls though the difference only grows: 0.83 reaches 0.8.
        (a_ratio(0.90, 0.83, 0.98, 0.02), 1.25, -0.3, math.log(0.83 / 0.8) / 0.3, "important"),
        # Not ruled out on either side stays so: the upper end at 1.5 turns nothing, none does.
        (a_ratio(1.0, 0.6, 1.4, 0.9), 1.5, 0.1, math.log(1 / 0.6) / 0.1, "none"),
        (a_ratio(0.45, 0.31, 0.65, 0.001), 1.5, -0.2, math.inf, ""),
    ],
)
def test_every_edge_that_decides_a_sentence_can_tip_it(
    finding: Finding, important: float, more: float, delta: float, verdict: str
) -> None:
    assert tipping_point(finding, more, important=important) == (pytest.approx(delta), verdict)


@pytest.mark.parametrize("more", [0.2, -0.2, 0.05])
@pytest.mark.parametrize("middle", [0.45, 0.8, 0.93, 1.0, 1.2, 1.7, 2.6])
@pytest.mark.parametrize("width", [0.05, 0.2, 0.5])
def test_up_to_the_tipping_point_the_words_stay_and_past_it_they_do_not(
    middle: float, width: float, more: float
) -> None:
    def words_at(delta: float) -> tuple[bool, str]:
        ends = [middle * math.exp(more * delta + side * width) for side in (-1, 0, 1)]
        told = not ends[0] < 1 < ends[2]
        moved = a_ratio(ends[1], ends[0], ends[2], 0.01 if told else 0.5)
        return told, importance(moved, 1.5, alpha=0.05)

    low, high = middle * math.exp(-width), middle * math.exp(width)
    finding = a_ratio(middle, low, high, 0.5 if low < 1 < high else 0.01)
    delta, _ = tipping_point(finding, more, important=1.5)
    if delta == math.inf:
        assert {words_at(step) for step in (1, 5, 25, 125)} == {words_at(0)}
        return
    assert {words_at(delta * part) for part in (0.1, 0.5, 0.9, 1 - 1e-9)} == {words_at(0)}
    assert words_at(delta * (1 + 1e-9)) != words_at(0)


def test_a_claim_tips_by_its_own_interval_and_margin() -> None:
    untold = a_ratio(1.02, 0.78, 1.33, 0.9)
    alike = Claimed(0.82, 1.26, 1 / 1.8, 1.8, met=True)
    delta = (math.log(1.8 / 1.26) / 0.5, math.log(1 / 0.78) / 0.5)
    assert tipping_point(untold, 0.5, claim=alike) == (pytest.approx(min(delta)), "none")
    close = replace(alike, above=1.3)
    assert tipping_point(untold, 0.5, claim=close) == (
        pytest.approx(math.log(1.3 / 1.26) / 0.5), "margin",
    )  # fmt: skip
    # Where only higher is worse, moving lower leaves no margin.
    worse = replace(alike, below=0.0, above=1.3)
    assert tipping_point(untold, -0.5, claim=worse)[1] == "none"
