"""Results that are awkward to tell: what must be said of each, and what is never said."""

from __future__ import annotations

import math
import re
from dataclasses import replace

import pytest
from conftest import Analysed
from hostile_results import AWKWARD
from said import everything, said_carefully

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.report import box, words
from silagetrial.report.findings import planned
from silagetrial.report.lost import Losses, losses_at

SLOW = {"five farms", "eight farms"}
"""Variances that hardly part: their profile intervals take seconds."""

UNTOLD = "the trial cannot tell a difference in butyric acid of this size between film and net"

MUST: dict[str, tuple[str, ...]] = {
    "two pairs": (
        UNTOLD, "95 % interval less than 0.001 to more than 1000",
        "No estimate within reason could have been told from none here.",
        "Fragile: only 1 degree of freedom for the error, so that a few bales decide.",
        "4 bales (net 2, film 2) in 2 pairs",
    ),
    "opposite signs": (
        "butyric acid was 63 % lower with film", "DM loss was 6.96 percentage points higher with",
        "The two point opposite ways: with film, butyric acid was lower and DM loss higher than "
        "with net.",
    ),
    "opening missing": (
        "There is no comparison of film with net in butyric acid at 9 months. At 6 months the",
        "There is no comparison of film with net in DM loss at 9 months. At 6 months the trial",
        "One opening with all bindings says nothing about growth with storage.",
    ),
    "nothing told": (
        f"At 9 months {UNTOLD} from none", "difference in DM loss of this size between film and",
        "It would have taken an estimate of at least 23 % lower or 31 % higher.",
    ),
    "negative variance": (f"At 9 months {UNTOLD} from none", "is not ruled out."),
    "spread grows": (
        "butyric acid was 43 % lower with film", "The paired t alone does not show it (p = ",
        "did not clearly grow with storage",
    ),
    "sign turns": (
        "corrected for volatiles by the full form", "The difference has the other sign without a "
        "correction (0.95 percentage points) and with the short correction (1.04 percentage "
        "points); neither way is it told from none.",
    ),
    "sign hidden": (
        "that of the oven, not corrected for volatiles, which overstates the loss",
        "The difference has the other sign with the full correction (\u22121.55 percentage "
        "points); neither way is it told from none.",
    ),
    "as many lost": (
        "At 9 months the bindings lost the same share of bales (11 %): if these were as bad as "
        "each other, they would draw the difference nearer to none by that share.",
    ),
    "film bales lost": ("Lost: 4 bales (net 1, film 3). The answer is about bales that reach",),
    "whole binding lost": (
        "no answer about the binding: values of one binding only (net).",
        "Lost: 10 bales (net 1, film 9).", "There are results of 8 bales (net 8, film 0).",
        "No value here proves a bale safe to feed.",
    ),
    "five farms": (
        "This holds for farms like the 5 of this trial,",
        "What counts is the farm (5 farms), not the bale and not the 17 results.",
    ),
    "eight farms": ("This holds for farms like the 8 of this trial,", "the farm (8 farms), not"),
    "no maximum": (
        "Butyric acid and DM loss: no answer about the binding: these values allow no fit of the "
        "model that the design asks for.", "What would be enough: more pairs or farms",
    ),
    "in runs": (
        "17 bales (net 8, film 9) in no pairs", "The bindings were made in runs: what counts is "
        "the run, not the bale and not the 17 results.",
    ),
    "composites": (
        "14 bales (net 8, film 6)", "Composite samples of 3 bales (1 in all) stay one value each",
    ),
    "all composites": (
        "8 composites of 2 bales (net 4, film 4) in 4 pairs", "not the 8 results.",
        "For DM loss it rests on 8 groups of 2 bales in 4 pairs.",
        "This holds for this farm, grass baled at 342 to 407 g DM/kg",
    ),
    "alike": (
        "Asked beforehand (plan of 2024-04-01): film and net are alike in butyric acid within the "
        "margin, ratio 0.56 to 1.80 (90 % interval", "The trial was planned to see a ratio below "
        "0.62 or above 1.60 in 80 of 100 such trials.",
        "Planned to see: butyric acid at a ratio below 0.62 or above 1.60, in 80 of 100",
    ),
    "not alike": (
        "That film and net are alike in butyric acid within the margin set beforehand, ratio 0.91 "
        "to 1.10, is not shown (90 % interval",
    ),
    "margin unfiled": (
        "lies within the margin of the settings, ratio 0.56 to 1.80; no plan filed beforehand "
        "holds that margin and what decides on it, so this claims nothing.",
    ),
    "margin changed": ("what decides on it, so this claims nothing.",),
    "level changed": ("so this claims nothing.",),
    "not worse": (
        "Asked beforehand (plan of 2024-04-01): in butyric acid film is no worse than net by more "
        "than the margin, ratio 1.80 (95 % interval",
    ),
    "may be worse": (
        "That in butyric acid film is no worse than net by more than the margin set beforehand, "
        "ratio 1.10, is not shown (95 % interval",
    ),
    "unpaired": ("17 bales (net 8, film 9) in no pairs", "What counts is the bale, not the 17"),
    "three bindings": ("in 35 sets", "What counts is the set, not the 102 results."),
    "one pair": ("no answer about the binding: 1 pair",),
    "all below": ("at every opening more than half of the values of some binding are below",),
    "recored": ("This holds for this farm,",),
}  # fmt: skip
"""What page one says of each trial."""

NEVER = {
    "nothing told": r"was \d+ % (lower|higher)",
    "negative variance": r"was \d+ % (lower|higher)",
    "margin unfiled": r"are alike|Asked beforehand",
    "margin changed": r"are alike|Asked beforehand",
    "level changed": r"are alike|Asked beforehand",
    "not alike": r"net are alike in butyric acid within the margin, ",
}


def page_one(analysis: Analysis) -> str:
    return "\n".join((*box.answer(analysis).lines, *box.seen(analysis).lines))


@pytest.mark.parametrize(
    "name",
    [
        pytest.param(name, marks=[pytest.mark.slow] if name in SLOW else [])
        for name in {**AWKWARD, **MUST}
    ],
)
def test_what_is_said_of_results_that_are_awkward_to_tell(analysed: Analysed, name: str) -> None:
    analysis = analysed(name)
    said_carefully(everything(analysis))
    first = page_one(analysis)
    for safeguard in MUST[name]:
        assert safeguard in first
    assert "proves a bale safe to feed" in first
    assert name not in NEVER or not re.search(NEVER[name], first)
    for result in analysis.responses.values():
        _each_finding_is_told_as_its_interval_allows(analysis, result, first)


def _each_finding_is_told_as_its_interval_allows(
    analysis: Analysis, result: ResponseAnalysis, text: str
) -> None:
    """Lower or higher only where the interval leaves out none, with levels and their method."""
    finding, what = planned(analysis.trial, result), words.name_of(result)
    if finding is None:
        return
    untold = f"At {finding.opening} the trial cannot tell a difference in {what} of this size"
    inside = finding.low < finding.none < finding.high
    assert (untold in text) == inside
    assert (f"At {finding.opening} {what} was " in text) != inside
    method = "adjusted medians about" if finding.effect == "ratio" else "adjusted means about"
    assert method in text
    if finding.effect == "ratio":
        assert "of 17 results below" in text or " results below the laboratory's limit" in text
    else:
        assert "DM at opening is" in text


def test_the_negative_variance_is_one(analysed: Analysed) -> None:
    variances = analysed("negative variance")["butyric_acid"].variances.frame
    assert variances.set_index("term").loc["pair", "estimate"] < 0


def test_lost_bales_turn_the_answer_where_it_says(analysed: Analysed) -> None:
    analysis = analysed("film bales lost")
    lines = box.seen(analysis).lines[-1]
    loss, acid = analysis["dm_loss"], analysis["butyric_acid"]
    means = loss.means.frame.set_index("binding")["estimate"]
    film, net = (2 * means["film"] + 100) / 3, (8 * means["net"] + 100) / 9
    assert f"is {film:.1f} % with film and {net:.1f} % with net" in lines
    assert f"a difference of {film - net:.2f} percentage points, not" in lines
    finding = planned(analysis.trial, acid)
    assert finding is not None
    # By hand: the log ratio moves by 3/9 - 1/9 of delta; its upper end reaches none.
    delta = -math.log(finding.high) / (3 / 9 - 1 / 9)
    turns = f"would turn with lost bales at {math.exp(delta):.2f} times the others"
    assert f"Whether butyric acid is said to differ {turns} of their binding." in lines


def test_bales_are_counted_farm_by_farm(analysed: Analysed) -> None:
    analysis = analysed("separate")
    none = losses_at(analysis.trial, analysis["dm_loss"], "1 month")
    assert not none.any
    assert none.made == {"net": (3, 3, 3), "film": (3, 3, 3)}


def test_farms_weigh_alike_in_the_share_lost() -> None:
    # 3 of 6 and 0 of 2, the mean of 1/2 and 0; a farm that made none has no share.
    losses = Losses({"film": (6, 2, 0)}, {"film": (3, 0, 0)})
    assert losses.share("film") == 0.25
    assert losses.number("film") == 3


def test_an_interval_without_ends_is_said_to_have_none(analysed: Analysed) -> None:
    # No design the model answers has an infinite interval; a table of results may.
    analysis = analysed("nothing told")
    result = analysis["butyric_acid"]
    frame = result.differences.frame.assign(conf_low=0.0, conf_high=math.inf, p_value=0.9)
    endless = replace(result, differences=replace(result.differences, frame=frame))
    other = replace(analysis, responses={**analysis.responses, "butyric_acid": endless})
    said = page_one(other)
    assert "95 % interval without ends" in said
    assert "No estimate within reason could have been told from none here." in said
    said_carefully(said)
