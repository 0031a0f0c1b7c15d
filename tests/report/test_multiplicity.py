"""What is adjusted and what is not is told alike in sentences, table, methods and paper."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import Analysed

from silagetrial.display import Table
from silagetrial.report import box, methods, paper, tables, words
from silagetrial.report.doubts import doubt_of
from silagetrial.report.findings import growths, paired_p, planned


def told(analysed: Analysed, name: str) -> str:
    return " ".join(methods.methods(analysed(name)).lines)


def in_paper(analysed: Analysed, name: str) -> str:
    return paper.paragraph(analysed(name)).lines[0]


def test_between_comparisons_of_bindings_nothing_is_adjusted_and_this_is_told(
    analysed: Analysed,
) -> None:
    said = "at an opening, or between one comparison and another, nothing is adjusted."
    assert said in told(analysed, "three bindings")
    assert said not in told(analysed, "separate")
    assert "over openings, not over comparisons of bindings" in in_paper(analysed, "three bindings")
    assert "were simultaneous over openings (" in in_paper(analysed, "separate")


def test_the_average_and_the_growth_are_told_as_they_were_adjusted(analysed: Analysed) -> None:
    alone = "The average over openings and the growth with storage stand each by its own interval"
    joint = "is simultaneous over the comparisons of bindings."
    assert alone in told(analysed, "separate")
    assert joint not in told(analysed, "separate")
    assert "sim_low" not in analysed("separate")["dm_loss"].average.frame
    assert joint in told(analysed, "three bindings")
    assert alone not in told(analysed, "three bindings")
    assert "sim_low" in analysed("three bindings")["dm_loss"].average.frame
    one = told(analysed, "one opening")
    assert alone not in one
    assert "Between responses nothing is adjusted." in one


def test_where_nothing_is_named_first_nothing_is_said_to_be(analysed: Analysed) -> None:
    analysis = analysed("none named")
    result = analysis["butyric_acid"]
    finding = planned(analysis.trial, result)
    assert finding is not None
    assert finding.family == "2 openings"
    texts = [
        *words.comparison(analysis.trial, result).lines,
        told(analysed, "none named"),
        in_paper(analysed, "none named"),
    ]
    assert texts[0].startswith("No comparison is named first in the settings; this one stands")
    assert "the one that stands first by rule has" in texts[-2]
    for text in texts:
        assert "amed first in the settings. At" not in text
        assert "comparison named first" not in text
        assert "its own interval in each response" not in text


def test_the_table_of_page_one_says_what_its_interval_is_adjusted_for(analysed: Analysed) -> None:
    analysis = analysed("none named")
    made = tables.answer(analysis)
    assert isinstance(made, Table)
    assert made.title == (
        "The comparison that stands first by rule, at 9 months; none is named in the settings"
    )
    assert made.notes[1] == (
        "Butyric acid, g/kg DM: interval and p are adjusted for 2 openings, df the smallest of "
        "these."
    )
    frame = analysis["butyric_acid"].differences.frame
    last = frame.set_index("opening").loc["9 months"]
    row = made.frame.iloc[0]
    assert row["df"] == frame["df"].min() < last["df"]
    assert row["p_value"] == last["p_adjusted"] > last["p_value"]
    assert (row["conf_low"], row["conf_high"]) == (last["sim_low"], last["sim_high"])
    named = tables.answer(analysed("separate"))
    assert isinstance(named, Table)
    assert len(named.notes) == 1


def test_the_table_of_page_one_does_not_settle_what_the_text_leaves_open(
    analysed: Analysed,
) -> None:
    analysis = analysed("spread grows")
    assert (
        "The paired t alone does not show it (p = 0.055): not settled." in box.summary(analysis)[0]
    )
    made = tables.answer(analysis)
    assert isinstance(made, Table)
    assert list(made.frame["verdict"]) == [
        "differs; whether enough to matter is open; the paired t says otherwise: not settled",
        "no difference shown; one that matters is not excluded",
    ]


def test_an_adjusted_p_is_not_held_against_the_paired_t_that_is_not(analysed: Analysed) -> None:
    analysis = analysed("three bindings")
    trial, result = analysis.trial, analysis["butyric_acid"]
    first = growths(trial, result)[0]
    alone = growths(trial, result, joint=False)[0]
    paired = paired_p(result, first, contrast="growth")
    assert alone.p < 0.05 < first.p
    assert paired < 0.05
    assert doubt_of(trial, result, first, contrast="growth") == ""


@pytest.mark.parametrize(("name", "word"), [("three bindings", "set"), ("separate", "pair")])
def test_the_unit_of_replication_is_named_alike_everywhere(
    analysed: Analysed, name: str, word: str
) -> None:
    assert f"one replicate of the comparison: the {word} (" in told(analysed, name)
    assert f"What counts is the {word}, not" in box.seen(analysed(name)).lines[0]


def test_a_paper_tells_no_paired_t_and_no_random_term_that_was_not_there(
    analysed: Analysed,
) -> None:
    text = in_paper(analysed, "unpaired")
    frame = analysed("unpaired")["butyric_acid"].exact.frame
    assert "p_value" not in frame or np.isnan(frame["p_value"]).all()
    assert "A linear model (binding, farm, binding by farm and batch; no random term" in text
    for word in ("paired t", "mixed model", "Variance components", "Nelder"):
        assert word not in text, word
    assert "A paired t test stands beside each contrast" in in_paper(analysed, "separate")
