"""What is read out of an analysis, against other ways to the same numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import Analysed
from scipy import stats

from silagetrial.report.correction import uncorrected
from silagetrial.report.findings import (
    at_openings,
    averages,
    growths,
    levels,
    line_over_storage,
    planned,
    planned_days,
    sampled,
)
from silagetrial.report.tables_witnesses import side_by_side


@pytest.mark.parametrize("name", ["separate", "recored", "three bindings"])
@pytest.mark.parametrize("response", ["butyric_acid", "dm_loss"])
def test_the_line_over_storage_is_the_least_squares_line(
    analysed: Analysed, name: str, response: str
) -> None:
    # numpy.polyfit on the estimated differences gives the line that average and growth describe.
    analysis = analysed(name)
    trial, result = analysis.trial, analysis[response]
    days_of = planned_days(trial)
    for average, growth in zip(averages(trial, result), growths(trial, result), strict=True):
        days, line = line_over_storage(trial, result, average, growth)
        mine = [f for f in at_openings(trial, result) if f.first == average.first]
        assert list(days) == [days_of[f.opening or ""] for f in mine]
        fitted = np.polynomial.Polynomial.fit(
            np.log1p(days), [f.model_scale() for f in mine], deg=1
        )
        expected = fitted(np.log1p(days))
        on_model_scale = np.log(line) if average.effect == "ratio" else line
        np.testing.assert_allclose(on_model_scale, expected, atol=1e-10)


@pytest.mark.parametrize(("name", "first"), [("separate", "film"), ("recored", "twine")])
def test_the_paired_t_beside_the_model_is_that_of_scipy(
    analysed: Analysed, name: str, first: str
) -> None:
    analysis = analysed(name)
    for response in ("butyric_acid", "dm_loss"):
        result = analysis[response]
        shown = side_by_side(result).set_index("contrast")
        rows = result.records.rows
        for opening in result.comparison.openings if result.comparison else ():
            here = rows[rows["opening"] == opening]
            pairs = here.pivot(index="pair", columns="binding", values="value_used").dropna()
            values = np.log(pairs) if response == "butyric_acid" else pairs
            t = stats.ttest_rel(values[first], values["net"])
            difference = (values[first] - values["net"]).mean()
            size = np.exp(difference) if response == "butyric_acid" else difference
            assert shown.loc[opening, "paired"] == pytest.approx(size, rel=1e-10)
            assert shown.loc[opening, "p_paired"] == pytest.approx(t.pvalue, rel=1e-8)
            assert shown.loc[opening, "df"] == t.df
            assert shown.loc[opening, "pairs"] == len(pairs)


def test_without_the_correction_complete_pairs_give_their_plain_difference(
    analysed: Analysed,
) -> None:
    # 6 weeks: every pair is complete, so that the model's difference is that of plain means,
    # with the correction and without it.
    analysis = analysed("recored")
    result = analysis["dm_loss"]
    finding = next(f for f in at_openings(analysis.trial, result) if f.opening == "6 weeks")
    rows = result.records.rows
    oven = rows[rows["opening"] == "6 weeks"].groupby("binding")["uncorrected"].mean()
    trial = analysis.trial
    assert uncorrected(trial, result, finding) == pytest.approx(
        oven["twine"] - oven["net"], abs=1e-9
    )
    assert uncorrected(trial, analysis["butyric_acid"], finding) is None


def test_the_planned_comparison_stands_by_its_own_interval(analysed: Analysed) -> None:
    analysis = analysed("separate")
    primary = planned(analysis.trial, analysis["butyric_acid"])
    second = planned(analysis.trial, analysis["dm_loss"])
    assert primary is not None
    assert second is not None
    assert (primary.opening, primary.first, primary.joint) == ("9 months", "film", False)
    assert (second.opening, second.first, second.joint) == ("9 months", "film", False)
    frame = analysis["butyric_acid"].differences.frame
    row = frame[frame["opening"] == "9 months"].iloc[0]
    assert (primary.low, primary.p) == (row["conf_low"], row["p_value"])


def test_without_planned_bindings_the_comparison_is_one_of_its_family(
    analysed: Analysed,
) -> None:
    analysis = analysed("separate")
    plan = replace(analysis.trial.settings.analysis, contrast=())
    trial = replace(analysis.trial, settings=replace(analysis.trial.settings, analysis=plan))
    found = planned(trial, analysis["butyric_acid"])
    assert found is not None
    assert found.family == "4 openings"
    frame = analysis["butyric_acid"].differences.frame.set_index("opening")
    assert found.p == frame.loc["9 months", "p_adjusted"]


def test_levels_are_the_adjusted_means(analysed: Analysed) -> None:
    analysis = analysed("separate")
    result = analysis["butyric_acid"]
    finding = planned(analysis.trial, result)
    assert finding is not None
    both = levels(result, finding)
    assert both is not None
    assert both[0] / both[1] == pytest.approx(finding.estimate)
    unknown = analysed("batches within openings")
    nowhere = planned(unknown.trial, unknown["butyric_acid"])
    assert nowhere is not None
    assert levels(unknown["butyric_acid"], nowhere) is None


def test_every_sample_counts_once_whatever_was_determined_in_it(analysed: Analysed) -> None:
    for name, rows in (("separate", 70), ("no acids", 70), ("no day-0", 70), ("no samples", 0)):
        assert len(sampled(analysed(name))) == rows


def test_one_comparison_alone_is_no_family(analysed: Analysed) -> None:
    analysis = analysed("one opening")
    found = at_openings(analysis.trial, analysis["dm_loss"])
    assert [finding.joint for finding in found] == [False]


def test_several_bindings_are_a_family_over_their_averages(analysed: Analysed) -> None:
    analysis = analysed("three bindings")
    found = averages(analysis.trial, analysis["butyric_acid"])
    assert [(f.first, f.second, f.joint) for f in found] == [
        ("film", "net", True),
        ("twine", "net", True),
    ]


def test_without_an_answer_there_is_no_finding(analysed: Analysed) -> None:
    analysis = analysed("one pair")
    assert planned(analysis.trial, analysis["butyric_acid"]) is None
    assert at_openings(analysis.trial, analysis["butyric_acid"]) == []
