"""The exact companion: the paired t of each contrast, against scipy."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from analysis_designs import (
    DAYS,
    answer,
    bales_in_runs,
    effects,
    fitted,
    recored_pairs,
    separate_pairs,
    settings_of,
)
from builders import make_trial
from scipy import stats

from silagetrial.analysis.compare import growth_weights
from silagetrial.analysis.exact import exact_table, pair_differences, paired_t, paired_table
from silagetrial.analysis.responses import DM_LOSS
from silagetrial.display import Table
from silagetrial.mixed import contrasts

FILM_NET = ("film", "net")
NUMBERS = ["estimate", "std_error", "df", "statistic", "p_value", "conf_low", "conf_high"]


def exact_of(rows: pd.DataFrame, design: str, openings: str, y: np.ndarray) -> Table:
    settings = settings_of(design, openings=openings)
    choice, _, wanted = fitted(rows, settings, y)
    return exact_table(rows.assign(y=y), settings, choice, wanted, DM_LOSS, 0.95)


def differences_of(rows: pd.DataFrame, y: np.ndarray) -> pd.DataFrame:
    cells = rows.assign(y=y).pivot_table("y", ["pair", "opening"], "binding")
    return (cells["film"] - cells["net"]).unstack("opening")


def check(row: pd.Series, result: stats._result_classes.TtestResult) -> None:
    assert row["statistic"] == pytest.approx(result.statistic)
    assert row["p_value"] == pytest.approx(result.pvalue)
    assert row["df"] == pytest.approx(result.df)
    interval = result.confidence_interval()
    assert (row["conf_low"], row["conf_high"]) == pytest.approx((interval.low, interval.high))


def test_recored_pairs_at_each_opening_average_and_growth() -> None:
    """scipy.stats.ttest_rel at each opening; ttest_1samp of each pair's own weighted sum."""
    rows = recored_pairs(7, "ABC")
    y = effects(rows, {"pair": 1.0, "bale": 0.6}, times=1, seed=11)[0]
    found = exact_of(rows, "recored", "ABC", y).frame.set_index("contrast")
    values = rows.assign(y=y).set_index(["opening", "binding"]).sort_index()["y"]
    for opening in "ABC":
        check(found.loc[opening], stats.ttest_rel(values[opening, "film"], values[opening, "net"]))
    each = differences_of(rows, y)
    check(found.loc["average"], stats.ttest_1samp(each.mean(axis=1), 0.0))
    growth = each.to_numpy() @ growth_weights(np.array([DAYS[o] for o in "ABC"]))
    check(found.loc["growth"], stats.ttest_1samp(growth, 0.0))
    assert set(found["pairs"]) == {7}


def test_incomplete_recored_pair_counts_where_it_is_complete() -> None:
    rows = recored_pairs(6, "AB")
    y = effects(rows, {"pair": 1.0}, times=1, seed=12)[0]
    gone = ~((rows["bale"] == "00-film") & (rows["opening"] == "B")).to_numpy()
    found = exact_of(rows[gone].reset_index(drop=True), "recored", "AB", y[gone]).frame
    assert dict(zip(found["contrast"], found["pairs"], strict=True)) == {
        "A": 6, "B": 5, "average": 5, "growth": 5,
    }  # fmt: skip


@pytest.mark.parametrize(("first", "second"), [(6, 6), (8, 3)])
def test_separate_bales_over_two_openings_are_a_welch_test(first: int, second: int) -> None:
    """Growth between two openings is the two-sample Welch t of the pairs' differences."""
    rows = separate_pairs(8, "AB")
    count = rows["opening"].map({"A": first, "B": second})
    rows = rows[rows["pair"].str[-1].astype(int) < count].reset_index(drop=True)
    y = effects(rows, {"pair": 1.0}, times=1, seed=13)[0] * np.where(rows["opening"] == "A", 1, 3)
    found = exact_of(rows, "separate", "AB", y).frame.set_index("contrast")
    each = differences_of(rows, y)
    welch = stats.ttest_ind(each["B"].dropna(), each["A"].dropna(), equal_var=False)
    check(found.loc["growth"], welch)
    assert found.loc["average", "df"] == pytest.approx(welch.df)
    assert found.loc["average", "std_error"] == pytest.approx(found.loc["growth", "std_error"] / 2)
    check(found.loc["A"], stats.ttest_1samp(each["A"].dropna(), 0.0))


@pytest.mark.parametrize("seed", range(5))
@pytest.mark.parametrize("pair_sd", [0.0, 2.0])
def test_model_equals_the_paired_t_in_one_stratum(seed: int, pair_sd: float) -> None:
    """Complete pairs, one opening; with a negative pair variance as well."""
    rows = separate_pairs(8, "A")
    y = effects(rows, {"pair": pair_sd}, times=1, seed=seed)[0]
    _, fit, wanted = fitted(rows, settings_of(), y)
    model = contrasts(fit, wanted.differences).frame.iloc[0]
    exact = exact_of(rows, "separate", "A", y).frame.set_index("contrast").loc["A"]
    for column in NUMBERS:
        assert model[column] == pytest.approx(exact[column], rel=1e-8, abs=1e-8)


def test_model_equals_the_paired_t_of_the_average_of_recored_pairs() -> None:
    rows = recored_pairs(6, "ABC")
    y = effects(rows, {"pair": 1.0, "bale": 1.0}, times=1, seed=14)[0]
    _, fit, wanted = fitted(rows, settings_of("recored", openings="ABC"), y)
    assert wanted.average is not None
    model = contrasts(fit, wanted.average).frame.iloc[0]
    exact = exact_of(rows, "recored", "ABC", y).frame.set_index("contrast").loc["average"]
    for column in NUMBERS:
        assert model[column] == pytest.approx(exact[column], rel=1e-8, abs=1e-8)


def test_sites_are_the_replicates_of_an_answer_about_sites() -> None:
    """With six farms of four pairs the companion rests on farm means, 5 df."""
    rows = separate_pairs(4, "A", sites=6)
    y = effects(rows, {"site": 1.0, "site:binding": 0.8, "pair": 0.5}, times=1, seed=15)[0]
    table = exact_of(rows, "separate", "A", y)
    row = table.frame.set_index("contrast").loc["A"]
    each = rows.assign(y=y).groupby(["site", "binding"])["y"].mean().unstack()
    check(row, stats.ttest_rel(each["film"], each["net"]))
    assert row["df"] == 5
    assert any("sites are the replicates" in note for note in table.notes)
    _, fit, wanted = fitted(rows, settings_of(), y)
    model = contrasts(fit, wanted.differences).frame.iloc[0]
    for column in NUMBERS:
        assert model[column] == pytest.approx(row[column], rel=1e-8, abs=1e-8)


def test_pairs_across_runs_are_no_replicates() -> None:
    """Pairing the bales of two long runs does not undo that the binding was given to runs."""
    rows = bales_in_runs(4, 6)
    rows["pair"] = [f"p{int(b[1]) // 2}{b[-1]}" for b in rows["bale"]]  # bale r2b5 is of run 2
    table = exact_of(rows, "separate", "A", effects(rows, {"run": 1.0}, times=1, seed=16)[0])
    assert len(table) == 0
    assert table.notes == ("The run is the replicate, not the pair: there is no paired t.",)


def test_notes_on_what_it_does_not_know() -> None:
    rows = separate_pairs(4, "A", sites=2)
    notes = exact_of(rows, "separate", "A", effects(rows, {}, times=1, seed=17)[0]).notes
    assert "under any covariance within a pair" in notes[0]
    assert "knows no further term of the model" in notes[1]
    plain = separate_pairs(4, "A")
    assert len(exact_of(plain, "separate", "A", effects(plain, {}, times=1, seed=1)[0]).notes) == 1


def test_no_pairs_no_paired_t() -> None:
    rows = separate_pairs(5, "A").assign(pair=None)
    table = exact_of(rows, "separate", "A", effects(rows, {}, times=1, seed=18)[0])
    assert table.notes == ("No complete pairs: there is no paired t.",)


def one_difference_each(values: dict[str, list[float]]) -> pd.DataFrame:
    return pd.DataFrame({name: pd.Series(column) for name, column in values.items()})


@pytest.mark.parametrize(
    ("values", "design", "remark", "pairs"),
    [
        ({"A": [1.0], "B": [2.0]}, "recored", "one complete pair at an opening: two are needed", 1),
        ({"A": [1.0, 2.0], "B": [3.0]}, "separate",
         "one complete pair at an opening: two are needed", 3),
        ({"A": [1.0, np.nan], "B": [np.nan, 2.0]}, "recored",
         "no complete pair at an opening: two are needed", 0),
        ({"A": [1.0, 2.0]}, "separate", "no complete pair at some opening", 0),
    ],
)  # fmt: skip
def test_too_few_pairs_say_so(
    values: dict[str, list[float]], design: str, remark: str, pairs: int
) -> None:
    found = paired_t(one_difference_each(values), {"A": 0.5, "B": 0.5}, design=design)
    assert (found.remark, found.pairs) == (remark, pairs)
    assert np.isnan([found.estimate, found.std_error, found.df]).all()


def test_equal_differences_have_no_p_value() -> None:
    """All differences alike: no standard error, so no statistic and no p of zero."""
    rows = separate_pairs(3, "A").assign(y=lambda f: (f["binding"] == "film") * 1.0)
    frame = paired_table(rows, {FILM_NET: {"A": {"A": 1.0}}}, design="separate", level=0.95).iloc[0]
    assert frame["estimate"] == 1.0
    assert np.isnan(frame["p_value"])


def test_repeat_results_are_averaged_within_a_bale() -> None:
    rows = separate_pairs(3, "A")
    y = effects(rows, {}, times=1, seed=19)[0]
    twice = pd.concat([rows.assign(y=y + 0.5), rows.assign(y=y - 0.5)])
    found = pair_differences(twice, "film", "net")
    assert found["A"].to_numpy() == pytest.approx(differences_of(rows, y)["A"].to_numpy())
    assert len(pair_differences(twice, "rope", "net")) == 0


def test_companion_in_a_trial(tmp_path: Path) -> None:
    """On the logarithm of butyric acid, from the files to the table."""
    folder = make_trial(tmp_path, design="recored", sites=1, pairs=6)
    result = answer(folder)["butyric_acid"]
    rows = result.records.rows
    at = rows[rows["opening"] == "240 days"].pivot_table("value_used", "pair", "binding")
    row = result.exact.frame.set_index("contrast").loc["240 days"]
    check(row, stats.ttest_rel(np.log(at["film"]), np.log(at["net"])))
    assert row["scale"] == "log"
