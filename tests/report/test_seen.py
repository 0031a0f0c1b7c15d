"""What page one says around the answer where a trial's records are thin or of another kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import Analysed

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data.settings import Form
from silagetrial.report import box, cautions, figures_answer
from silagetrial.report.correction import of_dm, uncorrected, under_other_forms
from silagetrial.report.findings import at_openings, planned
from silagetrial.report.reach import holds_for


def with_rows(result: ResponseAnalysis, **columns: object) -> ResponseAnalysis:
    rows = result.records.rows.assign(**columns)
    return replace(result, records=replace(result.records, rows=rows))


def with_settings(analysis: Analysis, **changes: object) -> Analysis:
    settings = replace(analysis.trial.settings, **changes)
    return replace(analysis, trial=replace(analysis.trial, settings=settings))


def test_where_crop_dm_or_year_are_not_known_no_figure_is_made_up(analysed: Analysed) -> None:
    analysis = analysed("separate")
    trial, loss = analysis.trial, analysis["dm_loss"]
    bare = with_rows(loss, crop=None, year=None)
    assert holds_for(trial, bare) == (
        "This holds for these 3 farms, this crop baled at 321 to 407 g DM/kg and one season; no "
        "value here proves a bale safe to feed."
    )
    unknown = replace(trial, samples=trial.samples.assign(dm=np.nan))
    assert "these 3 farms, grass and the season of 2024;" in holds_for(unknown, loss)
    alike = replace(trial, samples=trial.samples.assign(dm=350.2))
    assert "these 3 farms, grass baled at 350 g DM/kg and the" in holds_for(alike, loss)
    two = with_rows(loss, year=["2024", *["2025"] * (len(loss.records.rows) - 1)])
    assert "the season of 2024 and 2025" in holds_for(trial, two)
    opened = analysed("no day-0")
    assert "grass of 296 to 387 g DM/kg at opening" in holds_for(
        opened.trial, opened["butyric_acid"]
    )


def test_what_was_held_equal_is_asked_for_where_it_is_not_recorded(analysed: Analysed) -> None:
    said = box.seen(with_settings(analysed("separate"), held_equal={})).lines[1]
    assert said == (
        "What was held equal between the bindings is not recorded: film layers or plastic may be "
        "part of the difference."
    )
    many = {"film_layers": 6.0, "total_film": "25 um"}
    said = box.seen(with_settings(analysed("separate"), held_equal=many)).lines[1]
    assert said.startswith("Held equal between the bindings: film layers: 6; total film: 25 um.")


def test_a_block_given_one_binding_is_what_counts(analysed: Analysed) -> None:
    analysis = analysed("separate")
    acid = analysis["butyric_acid"]
    assert acid.model is not None
    lots = replace(acid, model=replace(acid.model, unit="lot"))
    other = replace(analysis, responses={**analysis.responses, "butyric_acid": lots})
    assert (
        box.seen(other)
        .lines[0]
        .endswith("whole lot: what counts is the lot, not the bale and not the 68 results.")
    )


@pytest.mark.parametrize(
    ("form", "basis"),
    [
        ("short", "DM at opening is corrected for volatiles by the short form (coefficients "),
        ("none", "DM at opening is that of the oven, not corrected for volatiles, which"),
    ],
)
def test_the_dm_that_a_loss_rests_on_is_named(analysed: Analysed, form: Form, basis: str) -> None:
    analysis = analysed("separate")
    finding = planned(analysis.trial, analysis["dm_loss"])
    assert finding is not None
    rule = replace(analysis.trial.settings.dm_correction, form=form)
    other = with_settings(analysis, dm_correction=rule)
    assert of_dm(other.trial, other["dm_loss"], finding)[0].startswith(basis)


def test_dm_corrected_by_the_laboratory_is_said_to_be(analysed: Analysed) -> None:
    analysis = analysed("separate")
    finding = planned(analysis.trial, analysis["dm_loss"])
    assert finding is not None
    theirs = replace(with_rows(analysis["dm_loss"], uncorrected=np.nan), other_forms={})
    assert of_dm(analysis.trial, theirs, finding) == [
        "DM at opening is as the laboratory corrected it; what it is without is not known."
    ]
    assert of_dm(analysis.trial, analysis["butyric_acid"], finding) == []


def test_other_forms_are_told_of_the_same_comparison(analysed: Analysed) -> None:
    analysis = analysed("separate")
    trial, loss = analysis.trial, analysis["dm_loss"]
    for joint in (True, False):
        for finding in at_openings(trial, loss, joint=joint):
            other = under_other_forms(trial, loss, finding)
            assert set(other) == {"none", "short"}
            assert other["none"].estimate == uncorrected(trial, loss, finding)
            frame = loss.other_forms["short"].differences.frame.set_index("opening")
            row = frame.loc[finding.opening]
            assert other["short"].estimate == row["estimate"]
            assert other["short"].low == row["sim_low" if finding.joint else "conf_low"]


@pytest.mark.parametrize(
    ("reported", "other", "end"),
    [
        ((1.0, 3.0), (-3.0, -1.0), "both ways it is told from none: its direction is not settled."),
        ((1.0, 3.0), (-3.0, 1.0), "there it is not told from none."),
        ((-1.0, 3.0), (-3.0, -1.0), "there it is told from none."),
        ((-1.0, 3.0), (-3.0, 1.0), "neither way is it told from none."),
        ((1.0, 3.0), (-1.0, 3.0), ""),
    ],
)
def test_a_direction_is_unsettled_only_by_intervals_that_leave_out_none(
    analysed: Analysed, reported: tuple[float, float], other: tuple[float, float], end: str
) -> None:
    analysis = analysed("separate")
    trial, loss = analysis.trial, analysis["dm_loss"]
    finding = planned(trial, loss)
    assert finding is not None
    low, high = reported
    finding = replace(finding, estimate=(low + high) / 2, low=low, high=high)
    lowest, highest = other
    short = loss.other_forms["short"]
    frame = short.differences.frame.assign(
        estimate=(lowest + highest) / 2, conf_low=lowest, conf_high=highest
    )
    moved = replace(short, differences=replace(short.differences, frame=frame))
    said = of_dm(trial, replace(loss, other_forms={"short": moved}), finding)
    size = "with the short correction (\N{MINUS SIGN}"
    assert len(said) == 1 + bool(end)
    if end:
        assert said[1].startswith(f"The difference has the other sign {size}")
        assert said[1].endswith(f"; {end}")


def test_from_many_farms_it_is_the_farm_that_counts(analysed: Analysed) -> None:
    analysis = analysed("separate")
    acid = analysis["butyric_acid"]
    assert acid.model is not None
    many = replace(acid, model=replace(acid.model, unit="site"))
    other = replace(analysis, responses={**analysis.responses, "butyric_acid": many})
    assert "This holds for farms like the 3 of this trial," in box.summary(other)[-1]
    assert "What counts is the farm (3 farms), not the bale" in box.seen(other).lines[0]


def test_only_results_that_are_compared_are_counted(analysed: Analysed) -> None:
    # At 6 weeks butyric acid is counted, not modelled; DM loss is compared at all four openings.
    analysis = analysed("recored")
    acid, loss = analysis["butyric_acid"], analysis["dm_loss"]
    assert (acid.records.rows["opening"] != "6 weeks").sum() == 58
    first = box.seen(analysis).lines[0]
    assert "What counts is the pair, not the 58 results at 3 openings." in first
    assert first.endswith("For DM loss: 78 results of 20 bales at 4 openings.")
    captions = [picture.caption for picture in figures_answer.answer(analysis)]
    joined = "78 results of bales as small marks, those of a pair joined."
    assert f"{joined} The comparison rests on 58 of these." in captions[0]
    assert "The comparison rests on" not in captions[1]
    alone = replace(analysis, responses={"dm_loss": loss})
    assert box.seen(alone).lines[0].endswith("not the 78 results.")


def test_the_short_cautions_are_four_lines_that_send_on_to_the_others() -> None:
    lines = cautions.short().lines
    assert len(lines) == 4
    assert "No laboratory value proves a bale safe to feed" in lines[0]
    assert "three weeks" in lines[1]
    assert lines[-1].startswith("All cautions stand at the end;")


@pytest.mark.parametrize("name", ["separate", "recored", "three bindings"])
def test_page_one_is_short(analysed: Analysed, name: str) -> None:
    # Two and a half minutes at 238 words a minute, the mean of silent reading of non-fiction
    # (Brysbaert 2019, Journal of Memory and Language 109; from memory). Numbers count as words.
    parts = (box.answer(analysed(name)), box.seen(analysed(name)), cautions.short())
    words = sum(len(line.split()) for part in parts for line in part.lines)
    assert 200 < words < 2.5 * 238
