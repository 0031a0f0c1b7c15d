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
from silagetrial.errors import NoAnswer, Problem
from silagetrial.report import tables
from silagetrial.report.findings import Finding
from silagetrial.report.tables_answer import verdict


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


def test_page_one_has_the_planned_contrast_of_each_response_and_its_basis(
    analysed: Analysed,
) -> None:
    analysis = analysed("separate")
    made = shown(tables.answer(analysis))
    assert made.title == "The comparison named first, at 9 months"
    for row in made.frame.to_dict("records"):
        result = next(
            r for r in analysis.responses.values() if row["response"] == r.response.with_unit
        )
        contrast = result.differences.frame.set_index("opening").loc["9 months"]
        for column in ("estimate", "std_error", "df", "p_value", "conf_low", "conf_high"):
            assert row[column] == contrast[column]
        means = result.means.frame.set_index(["binding", "opening"])["estimate"]
        assert row["first_mean"] == means["film", "9 months"]
        assert row["second_mean"] == means["net", "9 months"]
        rows = result.records.rows
        rows = rows[rows["opening"] == "9 months"]
        assert row["bales"] == rows["bale"].nunique() == 17
        assert row["pairs"] == rows.groupby("pair").size().eq(2).sum() == 8
    assert list(made.frame["important"]) == [1.5, 1.0]
    assert list(made.frame["verdict"]) == [
        "differs; whether enough to matter is open",
        "no difference shown; one that matters is not excluded",
    ]
    text = str(made)
    assert "film / net" in text
    assert "your limit" in text
    assert list(made.frame["limits"]) == ["0.67 or 1.50", "\N{MINUS SIGN}1.00 or 1.00"]
    assert tables.answer(analysed("one pair")) == Prose(())
    # No opening has all three bindings: the planned bindings where they were compared.
    other = shown(tables.answer(analysed("no common opening")))
    assert other.title == "Nearest to the comparison named first, at 1 month"


@pytest.mark.parametrize(
    ("low", "high", "p", "said"),
    [
        (0.4, 0.6, 0.001, "differs enough to matter"),
        (0.4, 0.8, 0.001, "differs; whether enough to matter is open"),
        (0.8, 0.9, 0.001, "differs, too little to matter"),
        (0.8, 1.2, 0.6, "no difference shown; one that matters is outside the interval"),
        (0.5, 1.2, 0.6, "no difference shown; one that matters is not excluded"),
        (0.001, 900.0, 0.99, "no difference shown; one that matters is not excluded"),
    ],
)
def test_a_verdict_goes_by_the_interval(low: float, high: float, p: float, said: str) -> None:
    middle = (low * high) ** 0.5
    finding = Finding("film", "net", "May", middle, low, high, p, "", "ratio", "")
    assert verdict(finding, 1.5, alpha=0.05) == said
    assert verdict(finding, None, alpha=0.05) == ("differs" if p < 0.05 else "no difference shown")
    turned = Finding("net", "film", "May", 1 / middle, 1 / high, 1 / low, p, "", "ratio", "")
    assert verdict(turned, 1.5, alpha=0.05) == said
    logs = [float(np.log(value)) for value in (middle, low, high)]
    points = Finding("film", "net", "May", *logs, p, "", "difference", "percentage points")
    assert verdict(points, float(np.log(1.5)), alpha=0.05) == said


def test_means_have_the_standard_error_of_their_difference(analysed: Analysed) -> None:
    for name in ("separate", "three bindings"):
        analysis = analysed(name)
        for result in (analysis["butyric_acid"], analysis["dm_loss"]):
            made = shown(tables.means(analysis.trial, result))
            cells = made.frame.set_index(["opening", "binding"])
            for row in result.differences.frame.to_dict("records"):
                other, reference = str(row["term"]).split(" - ")
                assert reference == "net"
                # t is the difference over its standard error, on the scale of the model.
                size = np.log(row["estimate"]) if result.response.effect == "ratio" else (
                    row["estimate"]
                )  # fmt: skip
                assert cells.loc[(row["opening"], other), "sed"] == pytest.approx(
                    size / row["statistic"], rel=1e-9
                )
                assert cells.loc[(row["opening"], other), "sed_df"] == row["df"]
            assert cells.xs("net", level="binding")["sed"].isna().all()
            assert {"sed", "sed_df"} <= set(made.shown)


def test_results_are_rounded_by_their_error_and_kept_whole_in_the_file(
    analysed: Analysed,
) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    made = shown(tables.means(analysis.trial, result))
    first, file = made.frame.iloc[0], made.to_csv().splitlines()[1].split(",")
    # Standard error 0.089: three decimals; that of the logarithm 0.17: two.
    assert 0.08 < first["std_error"] < 0.095
    row = BeautifulSoup(made.to_html(), "html.parser").select("tbody tr")[0]
    cells = row.find_all(["th", "td"])
    assert cells[2].get_text() == f"{first['estimate']:.3f}"
    assert repr(float(first["estimate"])) in file
    assert repr(float(first["std_error"])) in file


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


def test_uncorrected_columns_are_the_same_model_of_oven_dm(analysed: Analysed) -> None:
    analysis = analysed("separate")
    trial, loss = analysis.trial, analysis["dm_loss"]
    plain = loss.other_forms["none"]
    told = shown(tables.differences(trial, loss))
    assert list(told.frame["uncorrected"]) == list(plain.differences.frame["estimate"])
    keys = ["opening", "binding"]
    means = shown(tables.means(trial, loss)).frame.set_index(keys)["uncorrected"]
    direct = plain.means.frame.set_index(keys)["estimate"]
    assert means.to_dict() == direct.to_dict()
    assert (means > shown(tables.means(trial, loss)).frame.set_index(keys)["estimate"]).all()

    refusal = NoAnswer(found="no oven", expected="an oven", remedy="ask")
    unknown = replace(loss, other_forms={"none": replace(plain, refusal=refusal)})
    without = shown(tables.differences(trial, unknown))
    assert "uncorrected" not in without.frame
    assert without.notes[-1] == "Without the correction there is no answer: no oven."
    assert "uncorrected" not in shown(tables.means(trial, unknown)).frame


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


def test_f_tests_say_what_they_are(analysed: Analysed) -> None:
    made = shown(tables.tests(analysed("separate")["butyric_acid"]))
    assert any("Kenward-Roger; each term with all others" in note for note in made.notes)


def test_welch_degrees_of_freedom_are_called_approximate(analysed: Analysed) -> None:
    for name, there in (("separate", True), ("recored", False), ("one opening", False)):
        notes = " ".join(analysed(name)["dm_loss"].exact.notes)
        assert ("(Welch-Satterthwaite) are approximate" in notes) == there
