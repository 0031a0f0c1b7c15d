"""What page one says around the answer where a trial's records are thin or of another kind."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import Analysed

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data.settings import Form
from silagetrial.report import box, cautions
from silagetrial.report.correction import of_dm, uncorrected, under_other_forms
from silagetrial.report.findings import planned
from silagetrial.report.reach import holds_for


def with_rows(result: ResponseAnalysis, **columns: object) -> ResponseAnalysis:
    rows = result.records.rows.assign(**columns)
    return replace(result, records=replace(result.records, rows=rows))


def with_settings(analysis: Analysis, **changes: object) -> Analysis:
    settings = replace(analysis.trial.settings, **changes)  # type: ignore[arg-type]
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
        ("short", "DM at opening is corrected for volatiles by the short form;"),
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
    theirs = with_rows(analysis["dm_loss"], uncorrected=np.nan)
    assert of_dm(analysis.trial, theirs, finding) == [
        "DM at opening is as the laboratory corrected it; what it is without is not known."
    ]
    assert of_dm(analysis.trial, analysis["butyric_acid"], finding) == []


def test_without_the_correction_both_ways_to_it_agree(analysed: Analysed) -> None:
    # The rows keep each bale's loss by oven DM; the other way starts from the samples again.
    for name in ("separate", "recored"):
        analysis = analysed(name)
        loss = analysis["dm_loss"]
        finding = planned(analysis.trial, loss)
        assert finding is not None
        other = under_other_forms(analysis.trial, loss, finding)
        assert other["none"] == pytest.approx(uncorrected(loss, finding), abs=1e-9)
        assert set(other) == {"none", "short"}


def test_from_many_farms_it_is_the_farm_that_counts(analysed: Analysed) -> None:
    analysis = analysed("separate")
    acid = analysis["butyric_acid"]
    assert acid.model is not None
    many = replace(acid, model=replace(acid.model, unit="site"))
    other = replace(analysis, responses={**analysis.responses, "butyric_acid": many})
    assert "This holds for farms like the 3 of this trial," in box.summary(other)[-1]
    assert "What counts is the farm (3 farms), not the bale" in box.seen(other).lines[0]


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
