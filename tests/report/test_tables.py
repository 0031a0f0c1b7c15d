"""Tables of the report: which rows and headings, numbers as the analysis made them."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from bs4 import BeautifulSoup
from conftest import MAKERS, Analysed
from report_variants import table as raw_table

from silagetrial.display import Table
from silagetrial.report import tables
from silagetrial.report.block import Prose


def shown(table: object) -> Table:
    assert isinstance(table, Table)
    return table


def test_differences_carry_the_numbers_of_the_analysis(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    made = shown(tables.differences(analysis.trial, result))
    assert list(made.frame["comparison"]) == ["film / net"] * 4
    for column in ("estimate", "conf_low", "conf_high", "sim_low", "sim_high", "p_adjusted"):
        np.testing.assert_array_equal(made.frame[column], result.differences.frame[column])
    text = str(made)
    assert "95 % low" in text
    assert "film / net: Simultaneous" in text
    loss = shown(tables.differences(analysis.trial, analysis["dm_loss"]))
    assert list(loss.frame["comparison"]) == ["film \u2212 net"] * 4


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
    assert set(frame["what"]) == {"bale lost", "no sample"}
    assert list(frame["response"]) == ["Butyric acid, DM loss"] * 2
    assert all(frame["reason"])
    nothing = tables.left_out(analysed("one pair"))
    assert isinstance(nothing, Prose)
    assert nothing.lines == ("No bale was lost and no value left out.",)


def test_storage_shows_the_late_pair(analysed: Analysed) -> None:
    analysis = analysed("separate")
    frame = tables.storage(analysis.trial, analysis["butyric_acid"]).frame.set_index("opening")
    assert list(frame["late"]) == [0, 2, 0, 0]
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
        "change from the first to the last opening",
    ]
    assert (frame["conf_low"] > 0).all()


@pytest.mark.parametrize("name", list(MAKERS))
def test_every_table_is_html_without_markup_of_the_data(analysed: Analysed, name: str) -> None:
    analysis = analysed(name)
    trial = analysis.trial
    made: list[Table | Prose] = [
        tables.bales(trial),
        tables.held_equal(trial),
        tables.left_out(analysis),
        tables.warnings(trial),
    ]
    for result in analysis.responses.values():
        made += [
            tables.storage(trial, result),
            tables.found(result),
            tables.counts(trial, result),
            tables.correction(trial, result),
            tables.means(trial, result),
            tables.differences(trial, result),
            tables.growth(trial, result),
            tables.half_widths(trial, result),
            tables.refused(result),
            tables.terms(result),
            tables.tests(result),
            tables.variances(result),
            tables.exact(trial, result),
            tables.witness(result),
        ]
    allowed = {"div", "table", "caption", "thead", "tbody", "tr", "th", "td", "p"}
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
    assert isinstance(tables.found(result).frame, pd.DataFrame)
