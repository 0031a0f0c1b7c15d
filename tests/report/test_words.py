"""The results in sentences: what they say, and what they never say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import MAKERS, Analysed
from said import everything, said_carefully

from silagetrial.report import cautions, methods, words


@pytest.mark.parametrize("name", list(MAKERS))
def test_nothing_is_said_to_be_equal_or_safe(analysed: Analysed, name: str) -> None:
    said_carefully(everything(analysed(name)))


def test_a_refusal_says_what_is_missing_and_what_would_be_enough(analysed: Analysed) -> None:
    analysis = analysed("one pair")
    lines = words.comparison(analysis.trial, analysis["butyric_acid"]).lines
    assert lines[0].startswith("Butyric acid: no answer about the binding: 1 pair")
    assert "at least one more pair" in lines[1]
    assert "p =" not in " ".join(lines)
    assert words.storage(analysis.trial, analysis["butyric_acid"]).lines == ()


def test_the_comparison_planned_first_is_one_point_of_the_list(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    first, *others = words.comparison(analysis.trial, result).lines
    adjusted = result.differences.frame.set_index("opening").loc["9 months", "p_adjusted"]
    assert first.startswith(
        "Named first in the settings. At 9 months butyric acid was 41 % lower with film"
    )
    assert first.endswith(f"It stands also after adjusting for 4 openings (p = {adjusted:.3f}).")
    assert [line.split(" the trial ")[0] for line in others[:-1]] == [
        "At 1 month",
        "At 3 months",
        "At 6 months",
    ]
    assert others[-1].startswith(
        "Averaged over 1 month, 3 months, 6 months and 9 months, each with equal weight, butyric"
    )


def test_what_could_not_be_seen_is_a_size_a_reader_can_picture(analysed: Analysed) -> None:
    analysis = analysed("separate")
    halves = analysis["butyric_acid"].half_widths.frame
    half = halves.loc[~halves["contrast"].isin(["average", "growth"]), "half_width"].median()
    lower, higher = 100 * (1 - 1 / half), 100 * (half - 1)
    assert words.smallest_told(analysis["butyric_acid"]) == (
        f"{lower:.0f} % lower or {higher:.0f} % higher"
    )
    assert words.smallest_told(analysis["dm_loss"]) == "1.8 percentage points either way"
    said = words.unseen(analysis.trial, analysis["butyric_acid"]).lines[0]
    assert "typically had to be at least 31 % lower or 45 % higher to be told from none" in said


@pytest.mark.parametrize(
    ("half", "response", "told"),
    [
        (3.21, "butyric_acid", "3.2 times as high or as low"),
        (np.inf, "butyric_acid", ""),
        (0.04, "dm_loss", "0.04 percentage points either way"),
    ],
)
def test_wide_and_narrow_intervals(
    analysed: Analysed, half: float, response: str, told: str
) -> None:
    result = analysed("separate")[response]
    frame = result.half_widths.frame.assign(half_width=half)
    other = replace(result, half_widths=replace(result.half_widths, frame=frame))
    assert words.smallest_told(other) == told
    said = words.unseen(analysed("separate").trial, other).lines[0]
    assert ("no estimate at one opening, within reason, can be told from none" in said) == (
        not told
    )


def test_one_opening_says_nothing_about_growth(analysed: Analysed) -> None:
    analysis = analysed("one opening")
    assert words.storage(analysis.trial, analysis["dm_loss"]).lines == (
        "One opening with all bindings says nothing about growth with storage.",
    )
    assert "Averaged" not in " ".join(words.comparison(analysis.trial, analysis["dm_loss"]).lines)


def test_three_bindings_are_sets_and_each_comparison_is_told(analysed: Analysed) -> None:
    analysis = analysed("three bindings")
    text = everything(analysis)
    assert "102 bales (net 34, film 34, twine 34) in 35 sets" in text
    assert "What counts is the set, not the 102 results." in text
    assert text.count("between twine and net") + text.count("with twine than with net") >= 8


def test_where_the_witnesses_part_it_is_said_and_why(analysed: Analysed) -> None:
    analysis = analysed("separate")
    model = analysis["butyric_acid"].growth.frame["p_value"].iloc[0]
    exact = analysis["butyric_acid"].exact.frame.set_index("contrast")["p_value"]["growth"]
    # The verdicts at 0.05 differ here; the reader must be told.
    assert (model < 0.05) != (exact < 0.05)
    said = methods.witnesses(analysis.trial, analysis["butyric_acid"]).lines
    assert "the model and the paired t disagree on " in said[0]
    assert f"growth (model p = {model:.3f}, paired t p = {exact:.3f})" in said[0]
    assert "That can be, because" in said[0]
    assert "not settled" in said[0]
    agreed = methods.witnesses(analysis.trial, analysis["dm_loss"]).lines[0]
    assert agreed.startswith("DM loss: the paired t says the same as the model at every contrast")
    grown = words.storage(analysis.trial, analysis["butyric_acid"]).lines[0]
    assert grown.endswith(f"The paired t alone does show it (p = {exact:.3f}): not settled.")


def test_without_an_answer_of_statsmodels_it_is_said(analysed: Analysed) -> None:
    analysis = analysed("separate")
    alone = replace(analysis["dm_loss"], witness=None)
    assert (
        methods.witnesses(analysis.trial, alone)
        .lines[1]
        .startswith(
            "statsmodels' MixedLM, which holds variances at zero or above, finds no maximum"
        )
    )


def test_values_below_the_limit_are_told_apart_by_what_became_of_them(
    analysed: Analysed,
) -> None:
    cored = methods.notes(analysed("recored")["butyric_acid"]).lines[1]
    assert cored == (
        "14 of 78 results are below the laboratory's limit (0.3 g/kg DM): 13 of them at 6 weeks, "
        "reported as counts and not modelled; the other one counts as half the limit, which can "
        "shrink or stretch a difference."
    )
    separate = methods.notes(analysed("separate")["butyric_acid"]).lines[1]
    assert "; each counts as half the limit, which" in separate
    every = methods.notes(analysed("all below")["butyric_acid"]).lines[1]
    assert every.endswith("reported as counts and not modelled.")


def test_what_is_not_checked_is_said_once_in_the_methods(analysed: Analysed) -> None:
    text = everything(analysed("separate")) + " ".join(
        methods.references(analysed("separate")).lines
    )
    assert text.count("coefficients not yet checked against the printed source") == 1
    assert "from memory" not in text
    assert "from memory" not in " ".join((*cautions.cautions().lines, *cautions.deferral().lines))


def test_the_cautions_name_every_danger_and_defer() -> None:
    text = " ".join((*cautions.cautions().lines, *cautions.deferral().lines))
    for said in (
        "350 to 1000 kg",
        "three high",
        "two high when they are soft",
        "one layer below 250 g DM/kg",
        "overhead lines",
        "no children",
        "nitrogen dioxide",
        "three weeks",
        "13 ppm",
        "listeria",
        "botulinum",
        "particle mask.",
        "proves a bale safe",
        "Ask the vet",
        "local codes",
        "licensed advice",
    ):
        assert said in text
