"""The results in sentences: what they say, and what they never say."""

from __future__ import annotations

import re

import pytest
from conftest import MAKERS, Analysed

from silagetrial.analysis import Analysis
from silagetrial.report import cautions, methods, words
from silagetrial.report.block import Prose


def everything(analysis: Analysis) -> str:
    trial = analysis.trial
    parts: list[Prose] = [
        words.heading(trial),
        words.question(trial),
        words.answer(analysis),
        methods.design(trial),
        methods.methods(analysis),
        cautions.cautions(),
    ]
    for result in analysis.responses.values():
        parts += [
            words.comparison(trial, result),
            words.storage(trial, result),
            words.unseen(trial, result),
            methods.model(result),
            methods.notes(result),
            methods.witnesses(trial, result),
        ]
    return "\n".join(line for part in parts for line in part.lines)


@pytest.mark.parametrize("name", list(MAKERS))
def test_nothing_is_said_to_be_equal_or_safe(analysed: Analysed, name: str) -> None:
    text = everything(analysed(name))
    assert not re.search(r"\b(nan|None|inf)\b", text)
    assert not re.search(r"significan|proven|are equal|are the same|no effect", text)
    # "No difference" is only ever said as not shown, or as what could not be told apart.
    for clause in re.findall(r"[^.;:]*\bno difference\b[^.;]*", text):
        assert re.search(r"was shown|could not tell from|is not told from", clause)
    for clause in re.findall(r"[^.]*\bsafe\b[^.]*", text):
        assert "No laboratory value in this report proves a bale safe" in clause or (
            "one high is safest" in clause
        )


def test_the_answer_is_three_sentences_with_numbers(analysed: Analysed) -> None:
    analysis = analysed("separate")
    butyric, loss, reach = words.summary(analysis)
    row = analysis["butyric_acid"].differences.frame.set_index("opening").loc["9 months"]
    lower = 100 * (1 - row["estimate"])
    assert butyric == (
        f"At 9 months, butyric acid was {lower:.0f} % lower with film than with net (ratio "
        f"{row['estimate']:.2f}, 95 % interval {row['conf_low']:.2f} to {row['conf_high']:.2f}, "
        f"p = {row['p_value']:.3f})."
    )
    assert loss.startswith("At 9 months, no difference in DM loss between film and net was shown")
    assert reach.startswith("The answer is about these 3 farms, from 70 bales in 36 pairs; ")
    assert reach.endswith("all numbers are invented.")
    for sentence in (butyric, loss, reach):
        assert sentence.endswith(".")
        assert not re.search(r"\. [A-Z]", sentence), "one sentence each"


def test_a_refusal_says_what_is_missing_and_what_would_be_enough(analysed: Analysed) -> None:
    analysis = analysed("one pair")
    butyric, _, reach = words.summary(analysis)
    assert butyric.startswith(
        "Butyric acid: the design supports no answer about the binding: 1 pair"
    )
    assert "what would be enough" in reach
    lines = words.comparison(analysis.trial, analysis["butyric_acid"]).lines
    assert lines[0] == "Butyric acid: the design supports no answer about the binding."
    assert "at least one more pair" in lines[2]
    assert "p =" not in " ".join(lines)
    assert words.storage(analysis.trial, analysis["butyric_acid"]).lines == ()


def test_an_opening_left_to_counts_is_not_the_planned_answer(analysed: Analysed) -> None:
    analysis = analysed("all below")
    butyric, loss, reach = words.summary(analysis)
    assert "more than half" in butyric
    assert loss.startswith("At 8 months, no difference in DM loss")
    assert "ratio of butyric acid" not in reach


def test_one_opening_says_nothing_about_growth(analysed: Analysed) -> None:
    analysis = analysed("one opening")
    assert words.storage(analysis.trial, analysis["dm_loss"]).lines == (
        "One opening with all bindings says nothing about growth with storage.",
    )
    assert "Averaged" not in " ".join(words.comparison(analysis.trial, analysis["dm_loss"]).lines)


def test_three_bindings_are_sets_and_each_comparison_is_told(analysed: Analysed) -> None:
    analysis = analysed("three bindings")
    text = everything(analysis)
    assert "105 bales in 36 sets" in text
    assert text.count("between twine and net") + text.count("with twine than with net") >= 8


def test_where_the_witnesses_part_it_is_said_and_why(analysed: Analysed) -> None:
    analysis = analysed("separate")
    model = analysis["butyric_acid"].growth.frame["p_value"].iloc[0]
    exact = analysis["butyric_acid"].exact.frame.set_index("contrast")["p_value"]["growth"]
    # The verdicts at 0.05 differ here; the reader must be told.
    assert (model < 0.05) != (exact < 0.05)
    said = methods.witnesses(analysis.trial, analysis["butyric_acid"]).lines
    assert "part at growth (another verdict: model p = " in said[0]
    assert "That can be, because" in said[0]
    assert "not settled" in said[0]
    agreed = methods.witnesses(analysis.trial, analysis["dm_loss"]).lines[0]
    assert agreed.startswith("DM loss: the paired t says the same as the model at every contrast")


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
        "particle mask (from memory)",
        "proves a bale safe",
        "Ask the vet",
        "local codes",
        "licensed advice",
    ):
        assert said in text
