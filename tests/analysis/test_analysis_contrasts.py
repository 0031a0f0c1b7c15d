"""Differences, their direction, average, growth, families and the reader's scale."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from analysis_designs import (
    DAYS,
    answer,
    effects,
    fitted,
    recored_pairs,
    replace_text,
    separate_pairs,
    settings_of,
)
from builders import make_trial
from scipy import stats

from silagetrial.analysis import ResponseAnalysis
from silagetrial.analysis.compare import growth_weights, told
from silagetrial.analysis.responses import BUTYRIC_ACID, DM_LOSS
from silagetrial.mixed import contrasts

THREE = ("net", "film", "twine")
SOME_DAYS = (
    [30.0, 240.0], [14.0, 45.0, 120.0, 365.0], [60.0, 61.0, 62.0], [3.0, 14.0, 45.0, 60.0, 90.0],
)  # fmt: skip


@pytest.mark.parametrize("days", SOME_DAYS)
def test_growth_weights_give_the_rise_of_a_line(days: list[float]) -> None:
    """Sum zero, and a line in log(1 + days) gives its rise from the first to the last opening."""
    d = np.array(days)
    w = growth_weights(d)
    assert w.sum() == pytest.approx(0.0, abs=1e-12)
    line = 0.7 - 0.4 * np.log1p(d)
    assert w @ line == pytest.approx(line[-1] - line[0])


@pytest.mark.parametrize("days", SOME_DAYS)
def test_growth_is_the_least_squares_slope_times_the_range(days: list[float]) -> None:
    """Any values: outside check by scipy's linregress."""
    d = np.array(days)
    values = np.random.default_rng(1).normal(size=len(d))
    slope = stats.linregress(np.log1p(d), values).slope
    assert growth_weights(d) @ values == pytest.approx(slope * np.ptp(np.log1p(d)))


def test_growth_by_hand() -> None:
    """Days 0, 1, 3 are 0, 1, 2 on the log2(1 + days) scale: weights -1, 0, 1."""
    assert growth_weights(np.array([0.0, 1.0, 3.0])) == pytest.approx([-1.0, 0.0, 1.0])


def test_growth_of_complete_recored_pairs_is_each_pairs_slope() -> None:
    """The model's growth is the mean over pairs of the OLS slope times the range."""
    openings = "ABCD"
    rows = recored_pairs(5, openings)
    y = effects(rows, {"pair": 1.0, "bale": 0.5}, times=1, seed=6)[0]
    _, fit, wanted = fitted(rows, settings_of("recored", openings=openings), y)
    assert wanted.growth is not None
    cells = rows.assign(y=y).pivot_table("y", ["pair", "opening"], "binding")
    each = (cells["film"] - cells["net"]).unstack("opening")
    x = np.log1p([DAYS[o] for o in each.columns])
    slopes = [stats.linregress(x, row).slope for row in each.to_numpy()]
    found = contrasts(fit, wanted.growth).frame["estimate"].iloc[0]
    assert found == pytest.approx(np.mean(slopes) * np.ptp(x))


def test_average_weighs_openings_equally() -> None:
    """Twelve pairs at A, three at B: the average is that of the two differences."""
    rows = separate_pairs(12, "AB")
    rows = rows[(rows["opening"] == "A") | (rows["pair"] < "0B3")].reset_index(drop=True)
    y = effects(rows, {"pair": 0.5}, times=1, seed=7)[0]
    _, fit, wanted = fitted(rows, settings_of(openings="AB"), y)
    assert wanted.average is not None
    at = contrasts(fit, wanted.differences).frame["estimate"].mean()
    assert contrasts(fit, wanted.average).frame["estimate"].iloc[0] == pytest.approx(at)


@pytest.mark.parametrize(
    ("plan", "terms"),
    [
        ({}, ["film - net", "twine - net"]),
        ({"families": "all pairs"}, ["film - net", "twine - net", "twine - film"]),
        # The planned comparison is there, in the planned direction, also without the reference.
        ({"contrast": ("net", "film")}, ["net - film", "twine - net"]),
        ({"contrast": ("film", "twine")}, ["film - twine", "film - net", "twine - net"]),
        ({"contrast": ("film", "twine"), "families": "all pairs"},
         ["film - net", "twine - net", "film - twine"]),
    ],
)  # fmt: skip
def test_comparisons_of_three_bindings(plan: dict[str, object], terms: list[str]) -> None:
    rows = recored_pairs(5, "AB", bindings=THREE)
    settings = settings_of("recored", bindings=THREE, openings="AB", **plan)
    y = effects(rows, {"pair": 0.5}, times=1, seed=3)[0]
    _, fit, wanted = fitted(rows, settings, y)
    assert list(dict.fromkeys(wanted.differences.labels["term"])) == terms
    cells = rows.assign(y=y).groupby(["binding", "opening"])["y"].mean()
    for row in contrasts(fit, wanted.differences).frame.itertuples():
        first, second = row.term.split(" - ")
        by_hand = cells[first, row.opening] - cells[second, row.opening]
        assert row.estimate == pytest.approx(by_hand)


def test_direction_of_the_plan_in_a_report(tmp_path: Path) -> None:
    """net over film, as planned, is the inverse of film over net: same test."""
    folder = make_trial(tmp_path, sites=1)
    first = answer(folder)["butyric_acid"].differences.frame
    replace_text(folder, 'contrast = ["film", "net"]', 'contrast = ["net", "film"]')
    second = answer(folder)["butyric_acid"].differences.frame
    assert set(second["term"]) == {"net - film"}
    assert second["estimate"].to_numpy() == pytest.approx(1 / first["estimate"].to_numpy())
    assert second["p_value"].to_numpy() == pytest.approx(first["p_value"].to_numpy())
    assert second["conf_low"].to_numpy() == pytest.approx(1 / first["conf_high"].to_numpy())


def test_name_of_the_only_opening_left(tmp_path: Path) -> None:
    """With the first opening counted, the comparison is at the second, and says so."""
    folder = make_trial(tmp_path, sites=1, limit=1.4)
    result = answer(folder)["butyric_acid"]
    assert list(result.records.counts.frame["opening"].unique()) == ["60 days"]
    assert list(result.differences.frame["opening"]) == ["240 days"]
    assert set(result.means.frame["opening"]) == {"240 days"}
    assert set(result.exact.frame["contrast"]) == {"240 days", "average"}
    assert np.isfinite(result.exact.frame["estimate"]).all()


def test_dunnett_against_the_reference_at_one_opening(tmp_path: Path) -> None:
    """With one opening the comparisons there are the family: scipy's exact Dunnett integral.

    The two differences share the reference, so their correlation is 1/2 and the critical value
    is that of Dunnett's test at the error df: tables.mvt holds (k 2, df 10) = 2.568339.
    """
    folder = make_trial(tmp_path, sites=1, pairs=6, bindings=THREE, openings=(90,), limit=0.01)
    result = answer(folder)["butyric_acid"]
    frame = result.differences.frame
    assert frame["df"].to_numpy() == pytest.approx([10.0, 10.0])
    half = np.log(frame["sim_high"] / frame["estimate"])
    error = frame["std_error"] / frame["estimate"]
    assert (half / error).to_numpy() == pytest.approx([2.568339] * 2, abs=2e-6)
    assert (frame["p_adjusted"] > frame["p_value"]).all()
    assert result.average.frame["sim_high"].to_numpy() == pytest.approx(frame["sim_high"])


def test_openings_of_one_comparison_are_a_family(tmp_path: Path) -> None:
    """Independent contrasts at two openings: studentised maximum modulus."""
    folder = make_trial(tmp_path, sites=1, pairs=6, limit=0.01)
    frame = answer(folder)["butyric_acid"].differences.frame
    assert frame["df"].to_numpy() == pytest.approx([10.0, 10.0])
    half = np.log(frame["sim_high"] / frame["estimate"])
    error = frame["std_error"] / frame["estimate"]
    # (k, df) (2, 10): 2.609104
    assert (half / error).to_numpy() == pytest.approx([2.609104] * 2, abs=2e-6)


@pytest.fixture(scope="module")
def result(tmp_path_factory: pytest.TempPathFactory) -> ResponseAnalysis:
    """A usual trial's butyric acid."""
    return answer(make_trial(tmp_path_factory.mktemp("trial"), sites=1, pairs=5))["butyric_acid"]


def test_ratios_are_exponentials_of_the_log_model(result: ResponseAnalysis) -> None:
    assert result.fit is not None
    assert result.comparison is not None
    log = contrasts(result.fit, result.comparison.differences).frame
    ratio = result.differences.frame
    for column in ("estimate", "conf_low", "conf_high"):
        assert ratio[column].to_numpy() == pytest.approx(np.exp(log[column]).to_numpy())
    # Delta method: SE(exp m) = exp(m) SE(m).
    expected = np.exp(log["estimate"]) * log["std_error"]
    assert ratio["std_error"].to_numpy() == pytest.approx(expected.to_numpy())
    for column in ("df", "statistic", "p_value"):
        assert ratio[column].to_numpy() == pytest.approx(log[column].to_numpy())
    assert set(ratio["scale"]) == {"ratio"}
    assert set(ratio["unit"]) == {""}
    assert any("on the log scale" in note for note in result.differences.notes)


def test_means_of_logarithms_are_medians_without_a_test(result: ResponseAnalysis) -> None:
    """Whether a median is 1 g/kg is nobody's question: no p value stands there."""
    frame = result.means.frame
    assert set(frame["scale"]) == {"median"}
    assert set(frame["unit"]) == {"g/kg DM"}
    assert not {"statistic", "p_value"} & set(frame.columns)
    rows = result.records.rows
    by_hand = np.exp(np.log(rows["value_used"]).groupby([rows["opening"], rows["binding"]]).mean())
    for row in frame.itertuples():
        assert row.estimate == pytest.approx(by_hand[row.opening, row.binding])


def test_difference_of_percentage_points_keeps_its_scale() -> None:
    rows = separate_pairs(5, "A")
    _, fit, wanted = fitted(rows, settings_of(), effects(rows, {}, times=1, seed=2)[0])
    table = told(fit, wanted.differences, DM_LOSS, kind="effect", level=0.95).frame
    assert set(table["scale"]) == {"difference"}
    assert set(table["unit"]) == {"percentage points"}
    mean = told(fit, wanted.means, DM_LOSS, kind="mean", level=0.95).frame
    assert set(mean["scale"]) == {"mean"}
    plain = contrasts(fit, wanted.differences).frame
    assert table["estimate"].to_numpy() == pytest.approx(plain["estimate"].to_numpy())
    one = told(fit, wanted.differences, BUTYRIC_ACID, kind="effect", level=0.95, joint=True)
    assert "sim_low" not in one.frame


def test_half_widths_are_what_an_estimate_must_pass(result: ResponseAnalysis) -> None:
    """A ratio is told from 1 exactly when it lies outside the factor."""
    both = result.differences.frame.merge(
        result.half_widths.frame, left_on=["term", "opening"], right_on=["term", "contrast"]
    )
    outside = np.abs(np.log(both["estimate"])) > np.log(both["half_width"])
    assert (outside == (both["p_value"] < 0.05)).all()
    assert set(result.half_widths.frame["contrast"]) == {
        "60 days", "240 days", "average", "growth",
    }  # fmt: skip
    assert "missed by about half of such trials" in result.half_widths.notes[0]


@pytest.mark.parametrize("df", [3, 5, 10, 30])
def test_true_difference_of_half_a_width_is_missed_by_about_half(df: int) -> None:
    """Power at a true difference of t(df) standard errors, by scipy's noncentral t."""
    t = stats.t.isf(0.025, df)
    power = stats.nct.sf(t, df, t) + stats.nct.cdf(-t, df, t)
    assert power == pytest.approx(0.5, abs=0.08)


def test_level_is_that_of_the_plan(tmp_path: Path) -> None:
    folder = replace_text(make_trial(tmp_path, sites=1), "seed =", "alpha = 0.1\nseed =")
    found = answer(folder)
    assert found.level == pytest.approx(0.9)
    frame = found["dm_loss"].differences.frame
    half = stats.t.isf(0.05, frame["df"]) * frame["std_error"]
    assert (frame["conf_high"] - frame["estimate"]).to_numpy() == pytest.approx(half.to_numpy())


def test_analysis_shows_itself(tmp_path: Path) -> None:
    found = answer(make_trial(tmp_path, sites=1))
    assert "bindings compared at each opening" in str(found)
    assert found._repr_html_().count("<table") == 2
    assert str(found["dm_loss"]) in str(found)
