"""Tables of the report: which rows and headings, numbers as the analysis made them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from conftest import MAKERS, Analysed
from report_variants import table as raw_table

from silagetrial.display import Table
from silagetrial.display.block import Folded, Prose
from silagetrial.errors import Problem
from silagetrial.report import tables


def shown(table: object) -> Table:
    assert isinstance(table, Table)
    return table


def test_differences_carry_the_numbers_of_the_analysis(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    made = shown(tables.differences(analysis.trial, result))
    assert made.title == "Butyric acid: film / net at each opening"
    assert "df" not in made.shown
    for column in ("estimate", "conf_low", "conf_high", "sim_low", "sim_high", "p_adjusted"):
        np.testing.assert_array_equal(made.frame[column], result.differences.frame[column])
    text = str(made)
    assert "95 % low" in text
    assert "film / net: Simultaneous" in text
    low, high = result.differences.frame["df"].min(), result.differences.frame["df"].max()
    assert f"Degrees of freedom (Kenward-Roger): {low:.1f} to {high:.1f}." in made.notes
    loss = shown(tables.differences(analysis.trial, analysis["dm_loss"]))
    assert loss.title == "DM loss: film \u2212 net at each opening"
    assert "In percentage points." in loss.notes
    assert sum("not yet checked against the printed source" in note for note in loss.notes) == 1
    several = analysed("three bindings")
    frame = shown(tables.differences(several.trial, several["butyric_acid"])).frame
    assert list(dict.fromkeys(frame["comparison"])) == ["film / net", "twine / net"]


def test_levels_are_percent_of_the_dm_and_differences_are_points(analysed: Analysed) -> None:
    analysis = analysed("separate")
    loss = analysis["dm_loss"]
    assert set(loss.means.frame["unit"]) == {"% of the DM ensiled"}
    assert set(loss.differences.frame["unit"]) == {"percentage points"}
    assert "In % of the DM ensiled." in shown(tables.means(analysis.trial, loss)).notes
    assert shown(tables.found(loss)).notes[0].startswith("In % of the DM ensiled;")
    assert shown(tables.correction(analysis.trial, loss)).notes[0].startswith("In % of the DM")


def test_where_nothing_is_wrong_nothing_is_said(analysed: Analysed) -> None:
    analysis = analysed("separate")
    assert tables.counts(analysis.trial, analysis["butyric_acid"]) == Prose(())
    assert tables.refused(analysis["butyric_acid"]) == Prose(())
    assert isinstance(tables.refused(analysed("no common opening")["butyric_acid"]), Table)


def test_the_terms_of_both_responses_stand_once_where_they_are_the_same(
    analysed: Analysed,
) -> None:
    (once,) = tables.terms(analysed("separate"))
    assert once.title == "Butyric acid and DM loss: terms of the model, and why"
    two = tables.terms(analysed("recored"))
    assert [table.title.split(":")[0] for table in two] == ["Butyric acid", "DM loss"]
    assert tables.terms(analysed("no samples")) == ()


def test_a_late_pair_is_one_warning(analysed: Analysed) -> None:
    trial = analysed("separate").trial
    assert len(trial.warnings) == 5
    frame = shown(tables.warnings(trial)).frame
    assert list(frame["found"]) == [
        "bale TH12-1: no sample at 6 months",
        "bales WE03-1 and WE03-2 late: 114 days in storage, opening '3 months'",
    ]
    assert frame["place"].iloc[1] == (
        "samples.csv, lines 72 and 73, column taken_on; weighings.csv, lines 108 and 109, column "
        "weighed_at"
    )


def test_warnings_of_other_bales_and_days_stay_apart(analysed: Analysed) -> None:
    def late(bale: str, days: int, line: int) -> Problem:
        found = f"bale {bale} late: {days} days in storage, opening '3 months'"
        return Problem("warning", "samples.csv", line, "taken_on", found, "78 to 102", "check it")

    trial = analysed("separate").trial
    whole = Problem("warning", "scales.csv", None, None, "no file", "a file", "add it")
    warned = (late("WE03-1", 114, 5), late("WE03-2", 116, 6), late("WE04-1", 114, 7), whole)
    frame = shown(tables.warnings(replace(trial, problem_list=warned))).frame
    assert list(frame["found"]) == [
        "bales WE03-1 and WE03-2 late: 114 to 116 days in storage, opening '3 months'",
        "bale WE04-1 late: 114 days in storage, opening '3 months'",
        "no file",
    ]
    assert list(frame["place"]) == [
        "samples.csv, lines 5 and 6, column taken_on",
        "samples.csv, line 7, column taken_on",
        "scales.csv",
    ]


def test_the_paired_t_brings_its_own_notes(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["dm_loss"]
    notes = shown(tables.exact(analysis.trial, result)).notes
    for note in result.exact.notes:
        assert any(note[1:] in told for told in notes)
    none = replace(result, exact=Table(pd.DataFrame(), notes=("The run is the replicate.",)))
    assert tables.exact(analysis.trial, none) == Prose(("DM loss: The run is the replicate.",))


def test_the_numbers_of_statsmodels_are_folded_away(analysed: Analysed) -> None:
    result = analysed("separate")["dm_loss"]
    folded = tables.witness(result)
    assert isinstance(folded, Folded)
    assert "digits in common" in str(folded)
    assert tables.witness(replace(result, witness=None)) == Prose(())


def test_means_stand_opening_by_opening_in_the_order_of_the_bindings(analysed: Analysed) -> None:
    analysis = analysed("three bindings")
    frame = shown(tables.means(analysis.trial, analysis["dm_loss"])).frame
    assert list(frame["binding"]) == ["net", "film", "twine"] * 4
    assert list(dict.fromkeys(frame["opening"])) == ["1 month", "3 months", "6 months", "9 months"]


def test_bales_made_add_up(analysed: Analysed) -> None:
    made = tables.bales(analysed("separate").trial).frame
    assert list(made["site"]) == ["Ossel", "Thornick", "Wendmere"]
    assert list(made["1 month"]) == ["net 3, film 3"] * 3
    assert list(made["all"]) == [24] * 3
    cored = tables.bales(analysed("recored").trial).frame
    assert list(cored["bales"]) == ["net 10, twine 10"]


def test_what_is_left_out_is_listed_once_with_its_reason(analysed: Analysed) -> None:
    frame = shown(tables.left_out(analysed("separate"))).frame
    assert set(frame["what"]) == {"bale lost", "no sample", "outside the window"}
    assert list(frame["response"]) == ["Butyric acid, DM loss"] * 4
    late = frame[frame["what"] == "outside the window"]
    assert list(late["bale"]) == ["WE03-1", "WE03-2"]
    assert late["reason"].str.startswith("samples: 114 days, window 78 to 102; used for").all()
    assert all(frame["reason"])
    nothing = tables.left_out(analysed("one pair"))
    assert isinstance(nothing, Prose)
    assert nothing.lines == ("No bale was lost and no value left out.",)


def test_storage_shows_the_late_pair(analysed: Analysed) -> None:
    analysis = analysed("separate")
    frame = shown(tables.storage(analysis)).frame.set_index("opening")
    assert list(frame["outside"]) == [0, 2, 0, 0]
    assert round(frame.loc["3 months", "largest_days"]) == 114
    assert list(frame["results"]) == [18, 18, 17, 17]


def test_corrected_and_uncorrected_loss_stand_beside_each_other(analysed: Analysed) -> None:
    analysis = analysed("recored")
    frame = shown(tables.correction(analysis.trial, analysis["dm_loss"])).frame
    rows = analysis["dm_loss"].records.rows
    first = rows[(rows["opening"] == "6 weeks") & (rows["binding"] == "net")]
    assert frame["uncorrected"].iloc[0] == pytest.approx(first["uncorrected"].mean())
    assert (frame["corrected"] < frame["uncorrected"]).all()
    np.testing.assert_allclose(frame["change"], frame["corrected"] - frame["uncorrected"])


def test_openings_left_to_counts(analysed: Analysed) -> None:
    analysis = analysed("recored")
    frame = shown(tables.counts(analysis.trial, analysis["butyric_acid"])).frame
    samples = raw_table(analysis.trial.source, "samples") if analysis.trial.source else None
    assert samples is not None
    assert list(frame["opening"]) == ["6 weeks"] * 2
    assert frame["below_limit"].sum() + 1 == samples["butyric_acid"].str.startswith("<").sum()


def test_the_change_of_a_ratio_is_no_difference_of_logarithms(analysed: Analysed) -> None:
    analysis = analysed("recored")
    frame = shown(tables.growth(analysis.trial, analysis["butyric_acid"])).frame
    assert list(frame["what"]) == [
        "average of the openings",
        "change from 3 months to 8 months",
    ]
    assert (frame["conf_low"] > 0).all()


@pytest.mark.parametrize("name", list(MAKERS))
def test_every_table_is_html_without_markup_of_the_data(analysed: Analysed, name: str) -> None:
    analysis = analysed(name)
    trial = analysis.trial
    made: list[Table | Prose | Folded] = [
        tables.bales(trial),
        tables.held_equal(trial),
        tables.left_out(analysis),
        tables.warnings(trial),
        tables.storage(analysis),
        *tables.terms(analysis),
    ]
    for result in analysis.responses.values():
        made += [
            tables.found(result),
            tables.counts(trial, result),
            tables.correction(trial, result),
            tables.means(trial, result),
            tables.differences(trial, result),
            tables.growth(trial, result),
            tables.half_widths(trial, result),
            tables.refused(result),
            tables.tests(result),
            tables.variances(result),
            tables.exact(trial, result),
            tables.witness(result),
        ]
    allowed = {"div", "table", "caption", "thead", "tbody", "tr", "th", "td", "p"}
    allowed |= {"details", "summary"}
    for item in made:
        soup = BeautifulSoup(item._repr_html_(), "html.parser")
        assert {tag.name for tag in soup.find_all()} <= allowed
        assert "nan" not in soup.get_text().lower().split()


def test_a_trial_that_says_little_is_told_so(analysed: Analysed) -> None:
    analysis = analysed("one pair")
    result = analysis["butyric_acid"]
    assert tables.differences(analysis.trial, result) == Prose(())
    assert isinstance(tables.variances(result), Prose)
    assert isinstance(tables.warnings(analysis.trial), Prose | Table)
    assert isinstance(shown(tables.found(result)).frame, pd.DataFrame)
