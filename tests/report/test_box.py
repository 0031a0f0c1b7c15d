"""The answer box: what an adviser reads first, never contradicted further down."""

from __future__ import annotations

import re
from dataclasses import replace

import pandas as pd
import pytest
from conftest import MAKERS, Analysed

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.report import box


def with_paired_p(result: ResponseAnalysis, contrast: str, p: float) -> ResponseAnalysis:
    frame = result.exact.frame.copy()
    frame.loc[frame["contrast"] == contrast, "p_value"] = p
    return replace(result, exact=replace(result.exact, frame=frame))


def changed(analysis: Analysis, **results: ResponseAnalysis) -> Analysis:
    return replace(analysis, responses={**analysis.responses, **results})


def told(analysis: Analysis) -> tuple[str, str, str]:
    """What was found, whether it grows, how far it reaches."""
    *found, growth, reach = box.summary(analysis)
    return " ".join(found), growth, reach


@pytest.mark.slow
@pytest.mark.parametrize("name", list(MAKERS))
def test_whole_sentences_whatever_the_trial_holds(analysed: Analysed, name: str) -> None:
    for part in (*box.summary(analysed(name)), *box.seen(analysed(name)).lines):
        assert part.endswith(".")
        assert not re.search(r"\b(nan|None|inf)\b|\.\.|  ", part)
    assert told(analysed(name))[2].endswith("proves a bale safe to feed. All numbers are invented.")


def test_the_answer_has_levels_size_and_whether_it_matters(analysed: Analysed) -> None:
    analysis = analysed("separate")
    found, growth, reach = told(analysis)
    row = analysis["butyric_acid"].differences.frame.set_index("opening").loc["9 months"]
    means = analysis["butyric_acid"].means.frame.set_index(["opening", "binding"])["estimate"]
    film, net = means["9 months", "film"], means["9 months", "net"]
    assert found.startswith(
        f"At 9 months butyric acid was {100 * (1 - row['estimate']):.0f} % lower with film than "
        f"with net (adjusted medians about {film:.1f} against {net:.1f} g/kg DM; ratio "
        f"{row['estimate']:.2f}, 95 % interval {row['conf_low']:.2f} to {row['conf_high']:.2f}, "
        f"p = {row['p_value']:.3f}; none of 17 results below the laboratory's limit). Whether that "
        "is enough to matter (your limit: a ratio below 0.67) is left open."
    )
    loss = analysis["dm_loss"].differences.frame.set_index("opening").loc["9 months"]
    assert (
        "At 9 months the trial cannot tell a difference in DM loss of this size between film and "
        "net from none (adjusted means about" in found
    )
    assert (
        f"% of the DM ensiled; difference \u2212{abs(loss['estimate']):.2f} percentage points"
        in (found)
    )
    assert f"p = {loss['p_value']:.3f})" in found
    half = (loss["conf_high"] - loss["conf_low"]) / 2
    assert f"It would have taken an estimate of at least {half:.1f} percentage points" in found
    assert (
        "by the full form (coefficients unchecked, see Methods); without the correction the"
        in found
    )
    assert "adjusting" not in found, "one kind of interval in the box"
    assert growth.startswith(
        "The difference in butyric acid between film and net did not clearly grow with storage: "
    )
    assert "The difference in DM loss between film and net did not clearly grow" in growth
    assert reach == (
        "This holds for these 3 farms, grass baled at 321 to 407 g DM/kg and the season of 2024; "
        "no value here proves a bale safe to feed. All numbers are invented."
    )


def test_what_the_trial_could_and_could_not_see(analysed: Analysed) -> None:
    units, held, sizes, lost = box.seen(analysed("separate")).lines
    assert units == (
        "The comparison rests on 68 bales (net 34, film 34) in 35 pairs; each bale was opened "
        "once. What counts is the pair, not the 68 results."
    )
    assert held == (
        "Held equal between the bindings: film layers: 6; film binding adds its own plastic on "
        "the curved side. What is not named here may be part of the difference."
    )
    assert sizes == (
        "To be told from none by its own interval, an estimate at one opening typically had to be "
        "at least 31 % lower or 45 % higher (butyric acid) or 1.8 percentage points either way (DM "
        "loss). About half of such trials miss a true difference of that size."
    )
    assert lost.startswith("Lost: 1 bale (net 1, film 0). The answer is about bales that reach")
    cored = box.seen(analysed("recored")).lines[0]
    assert "20 bales (net 10, twine 10) in 10 pairs; each bale was cored at 4 openings:" in cored
    assert cored.endswith(
        "What counts is the pair, not the 58 results at 3 openings. For DM loss: 78 results of 20 "
        "bales at 4 openings."
    )


def test_another_verdict_of_the_paired_t_stands_in_the_box(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    p = result.exact.frame.set_index("contrast")["p_value"]["growth"]
    said = f"The paired t alone does show it (p = {p:.3f}): not settled."
    assert said in told(analysis)[1]
    other = changed(analysis, butyric_acid=with_paired_p(result, "9 months", 0.191))
    found = told(other)[0]
    assert "is left open. The paired t alone does not show it (p = 0.191): not settled." in found
    assert "paired t" not in told(analysis)[0]


def test_few_degrees_of_freedom_are_called_fragile(analysed: Analysed) -> None:
    few = told(analysed("four pairs"))[2]
    assert few.startswith(
        "Fragile: only 3 degrees of freedom for the error, so that a few bales decide."
    )
    analysis = analysed("separate")
    assert "ragile" not in " ".join(told(analysis))
    model = analysis["dm_loss"].model
    assert model is not None
    one = replace(analysis["dm_loss"], model=replace(model, error_df=1))
    assert told(changed(analysis, dm_loss=one))[2].startswith(
        "Fragile in DM loss: only 1 degree of freedom for the error, so that a few bales decide."
    )


def test_a_second_response_that_stands_alone_only_says_so(analysed: Analysed) -> None:
    analysis = analysed("separate")
    loss = analysis["dm_loss"]
    frame = loss.differences.frame.copy()
    frame.loc[frame["opening"] == "9 months", ["p_value", "p_adjusted"]] = [0.02, 0.06]
    shown = replace(loss, differences=replace(loss.differences, frame=frame))
    found = told(changed(analysis, dm_loss=shown))[0]
    assert "After adjusting for 4 openings it is not shown (p = 0.060)." in found


def test_the_growth_names_the_openings_used_and_the_one_left_to_counts(
    analysed: Analysed,
) -> None:
    growth = told(analysed("recored"))[1]
    line = "with storage: along a straight line in log(1 + days) through the openings compared,"
    assert f"{line} 3 months to 8 months, the ratio changed" in growth
    assert f"{line} 6 weeks to 8 months, it moved by" in growth
    assert growth.endswith(
        "Butyric acid at 6 weeks is reported as counts: over half of a "
        "binding's results are below the laboratory's limit."
    )


@pytest.mark.parametrize(
    ("name", "reason"),
    [
        ("no day-0", "70 \u00d7 no DM of the crop at baling (day 0), 1 \u00d7 bale lost"),
        ("no weighings", "70 \u00d7 no weighing at wrapping, 1 \u00d7 bale lost"),
    ],
)
def test_without_dm_loss_butyric_acid_is_answered(
    analysed: Analysed, name: str, reason: str
) -> None:
    found, growth, reach = told(analysed(name))
    assert found.startswith("At 9 months butyric acid was 41 % lower")
    assert "DM loss: no values; it needs laboratory results of single bales" in found
    assert f"of the same bales at wrapping and at their opening (left out: {reason}" in found
    assert "DM loss" not in growth + reach


def test_without_acids_dm_loss_is_answered(analysed: Analysed) -> None:
    found = told(analysed("no acids"))[0]
    assert found.startswith("Butyric acid: no values; it needs laboratory results of single bales")
    assert "(left out: 70 \u00d7 butyric acid not determined, " in found
    assert "At 9 months the trial cannot tell a difference in DM loss of this size" in found


def test_without_any_value_the_box_says_what_is_needed(analysed: Analysed) -> None:
    found, growth, reach = told(analysed("no samples"))
    assert found.count("no values; it needs") == 2
    assert "79 \u00d7 no sample" in found
    assert growth == "Without values nothing can be said about growth with storage."
    assert reach.startswith("The report shows what is there, and what is missing.")


def test_one_pair_is_told_once_what_would_be_enough(analysed: Analysed) -> None:
    found, enough, reach = told(analysed("one pair"))
    assert found.startswith("Butyric acid and DM loss: no answer about the binding: 1 pair in")
    assert enough.startswith("What would be enough: at least one more pair with all bindings")
    assert reach == (
        "The report shows what was measured. No value here proves a bale safe to feed. All "
        "numbers are invented."
    )
    assert box.seen(analysed("one pair")).lines[0] == (
        "There are results of 2 bales (net 1, twine 1)."
    )


def test_an_opening_left_to_counts_is_no_reason_against_the_other(analysed: Analysed) -> None:
    found, growth, reach = told(analysed("all below"))
    assert found.startswith("Butyric acid: no answer about the binding: at every opening more")
    assert "At 8 months the trial cannot tell a difference in DM loss of this size" in found
    assert "butyric" not in (growth + reach).lower()


def test_no_opening_with_all_bindings_is_still_an_answer(analysed: Analysed) -> None:
    analysis = analysed("no common opening")
    assert len(analysis["butyric_acid"].average) == 0
    found, growth, _ = told(analysis)
    assert found.startswith(
        "There is no comparison of film with net in butyric acid at 9 months. At 1 month the "
        "trial cannot tell a difference in butyric acid of this size between film and net from "
        "none (adjusted medians"
    )
    assert growth == "No opening has all bindings: nothing can be said about growth."


def test_differences_without_means_are_told_without_levels(analysed: Analysed) -> None:
    analysis = analysed("batches within openings")
    assert len(analysis["butyric_acid"].means) == 0
    found = told(analysis)[0]
    assert re.match(
        r"At 9 months butyric acid was \d+ % lower with film than with net \(ratio", found
    )


def test_an_estimate_that_no_size_would_tell_is_said(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    frame = result.half_widths.frame.assign(half_width=float("inf"))
    blind = replace(result, half_widths=replace(result.half_widths, frame=frame))
    seen = " ".join(box.seen(changed(analysis, butyric_acid=blind)).lines)
    assert "had to be at least 1.8 percentage points either way (DM loss)." in seen
    assert "No estimate of butyric acid at one opening, within reason, could be told" in seen


def test_without_an_opening_to_compare_the_average_is_told(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    frame = result.differences.frame
    early: pd.DataFrame = frame[frame["opening"] != "9 months"].reset_index(drop=True)
    other = replace(result, differences=replace(result.differences, frame=early))
    found = told(changed(analysis, butyric_acid=other))[0]
    assert found.startswith(
        "There is no comparison of film with net in butyric acid at 9 months. Averaged over 1 "
        "month, 3 months, 6 months and 9 months, each with equal weight, butyric acid was 26 % "
        "lower with film than with net (ratio 0.74,"
    )


def test_a_test_with_next_to_no_degrees_of_freedom_is_fragile_too(analysed: Analysed) -> None:
    analysis = analysed("in runs")
    result = analysis["butyric_acid"]
    assert result.model is not None
    assert result.model.error_df >= box.FRAGILE
    (df,) = result.differences.frame["df"]
    assert f"Fragile in Butyric acid: only {df:.2g} degrees of freedom" in told(analysis)[-1]
