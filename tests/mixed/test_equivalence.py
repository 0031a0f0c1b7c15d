"""Equivalence against R's pt and qt (tests/reference/make_equivalence.R) and what F tests say."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from reference_models import made, values

from silagetrial.errors import UsageError
from silagetrial.mixed import (
    Fit,
    adjusted_mean_functions,
    equivalence,
    f_test,
    fit_mixed,
    hypothesis,
    non_inferiority,
    term_tests,
)
from silagetrial.mixed.equivalence import one_sided_p

ROWS: list[dict[str, float]] = values("equivalence.json")["rows"]
WHOLE = [row for row in ROWS if row["df"] == int(row["df"])]
SPLIT = made("made_splitplot_time.csv").astype({"day": str})
SPLIT["days"] = SPLIT["day"].astype(float)


def paired(estimate: float, se: float, df: float) -> Fit:
    """Pairs whose mean difference, standard error and df are those asked for."""
    rng = np.random.default_rng(int(df))
    n = int(df) + 1
    z = rng.normal(size=n)
    d = estimate + (z - z.mean()) / z.std(ddof=1) * se * np.sqrt(n)
    level = rng.normal(size=n) * 3
    frame = pd.DataFrame({"pair": np.repeat(np.arange(n), 2), "trt": ["film", "net"] * n})
    frame["y"] = np.column_stack([level - d / 2, level + d / 2]).ravel()
    return fit_mixed(frame, "y ~ trt", random=["pair"])


def test_one_sided_p_values_of_r() -> None:
    for row in ROWS:
        estimate, se, df = (np.array([row[k]]) for k in ("estimate", "se", "df"))
        lower, upper = one_sided_p(estimate, se, df, -row["margin"], row["margin"])
        assert lower[0] == pytest.approx(row["p_lower"], rel=1e-10)
        assert upper[0] == pytest.approx(row["p_upper"], rel=1e-10)


@pytest.mark.parametrize("row", WHOLE, ids=lambda row: f"df {row['df']}")
def test_two_one_sided_tests_of_r(row: dict[str, float]) -> None:
    fit = paired(row["estimate"], row["se"], row["df"])
    found = equivalence(fit, [[0.0, 1.0]], margin=row["margin"]).frame.iloc[0]
    assert found["p_lower"] == pytest.approx(row["p_lower"], rel=1e-5)
    assert found["p_upper"] == pytest.approx(row["p_upper"], rel=1e-5)
    assert found["p_value"] == max(found["p_lower"], found["p_upper"])
    assert found["conf_low"] == pytest.approx(row["low_90"], rel=1e-6)
    assert found["conf_high"] == pytest.approx(row["high_90"], rel=1e-6)
    inside = -row["margin"] < row["low_90"] and row["high_90"] < row["margin"]
    assert (found["verdict"] == "equivalent") == inside == (found["p_value"] < 0.05)


@pytest.mark.parametrize("row", WHOLE, ids=lambda row: f"df {row['df']}")
def test_non_inferiority_of_r(row: dict[str, float]) -> None:
    fit = paired(row["estimate"], row["se"], row["df"])
    margin = row["margin"]
    up = non_inferiority(fit, [[0.0, 1.0]], margin=margin, worse="higher").frame.iloc[0]
    down = non_inferiority(fit, [[0.0, 1.0]], margin=margin, worse="lower").frame.iloc[0]
    assert up["p_value"] == pytest.approx(row["p_upper"], rel=1e-5)
    assert down["p_value"] == pytest.approx(row["p_lower"], rel=1e-5)
    assert (up["margin"], down["margin"]) == (margin, -margin)
    for found, clear in ((up, row["high_95"] < margin), (down, row["low_95"] > -margin)):
        assert found["conf_low"] == pytest.approx(row["low_95"], rel=1e-6)
        assert found["conf_high"] == pytest.approx(row["high_95"], rel=1e-6)
        assert (found["verdict"] == "not worse by more than the margin") == clear
        assert clear == (found["p_value"] < 0.025)


def test_non_inferiority_asks_for_two_and_a_half_per_cent() -> None:
    """t = 2.15 on 7 df: p = .034, below 5 % and not below 2.5 %; the 95 % interval reaches past."""
    fit = paired(0.0, 0.1, 7)
    found = non_inferiority(fit, [[0.0, 1.0]], margin=0.215, worse="higher").frame.iloc[0]
    assert 0.025 < found["p_value"] < 0.05
    assert found["conf_high"] > 0.215
    assert found["verdict"] == "not shown: the interval reaches past the margin"


def test_verdicts_in_words() -> None:
    assert verdict(0.0, (-1.0, 0.05)) == (
        "equivalence not shown: the interval reaches past the upper margin"
    )
    assert verdict(0.0, (-0.05, 0.05)) == (
        "equivalence not shown: the interval reaches past the lower and upper margin"
    )
    assert verdict(5.0, (-1.0, 1.0)) == "not equivalent: beyond the margin"
    worse = non_inferiority(paired(5.0, 0.1, 7), [[0.0, 1.0]], margin=1.0, worse="higher")
    assert worse.frame["verdict"].iloc[0] == "worse by more than the margin"
    unclear = non_inferiority(paired(0.95, 0.1, 7), [[0.0, 1.0]], margin=1.0, worse="higher")
    assert unclear.frame["verdict"].iloc[0] == "not shown: the interval reaches past the margin"


def verdict(estimate: float, margin: tuple[float, float]) -> str:
    table = equivalence(paired(estimate, 0.1, 7), [[0.0, 1.0]], margin=margin)
    return str(table.frame["verdict"].iloc[0])


def test_ratios_are_tested_on_the_log() -> None:
    fit = paired(0.05, 0.06, 11)
    ratio = equivalence(fit, [[0.0, 1.0]], margin=1.25, ratio=True).frame.iloc[0]
    plain = equivalence(fit, [[0.0, 1.0]], margin=float(np.log(1.25))).frame.iloc[0]
    assert ratio["p_value"] == pytest.approx(plain["p_value"], rel=1e-12)
    assert ratio["verdict"] == plain["verdict"]
    for name in ("estimate", "conf_low", "conf_high"):
        assert ratio[name] == pytest.approx(np.exp(plain[name]), rel=1e-12)
    assert (ratio["margin_low"], ratio["margin_high"]) == pytest.approx((0.8, 1.25))
    assert ratio["unit"] == "ratio"


def test_several_openings() -> None:
    """All needs no adjustment, any does: Holm's p beside the verdicts, and the claim in a note."""
    fit = fit_mixed(SPLIT, "y ~ trt * day", random=["pair", "bale"])
    functions = adjusted_mean_functions(fit, ["trt", "day"]).differences("trt")
    wide, narrow = (equivalence(fit, functions, margin=m) for m in (5.0, 0.3))
    assert (wide.frame["verdict"] == "equivalent").all()
    assert "all 4 are equivalent is shown and needs no adjustment" in wide.notes[1]
    assert "all 4 are equivalent is not shown" in narrow.notes[1]
    assert (wide.frame["p_adjusted"] >= wide.frame["p_value"]).all()
    assert wide.frame["p_adjusted"].min() == pytest.approx(4 * wide.frame["p_value"].min())
    both = non_inferiority(fit, functions, margin=5.0, worse="higher")
    assert "p_adjusted" in both.frame


WRONG: list[dict[str, Any]] = [
    {"margin": 0.0},
    {"margin": -1.0},
    {"margin": (0.1, 0.5)},
    {"margin": 0.9, "ratio": True},
    {"margin": 0.0, "ratio": True},
    {"margin": (0.0, 1.25), "ratio": True},
    {"margin": float("inf")},
]


@pytest.mark.parametrize("options", WRONG, ids=str)
def test_wrong_margins(options: dict[str, Any]) -> None:
    fit = paired(0.1, 0.1, 7)
    with pytest.raises(UsageError) as caught:
        equivalence(fit, [[0.0, 1.0]], **options)
    assert f"margin={options['margin']!r}" in caught.value.found


def test_wrong_direction() -> None:
    wrong: Any = "up"
    with pytest.raises(UsageError) as caught:
        non_inferiority(paired(0.1, 0.1, 7), [[0.0, 1.0]], margin=1.0, worse=wrong)
    assert "worse='up'" in caught.value.found


# ---- hypotheses ---------------------------------------------------------------------------------


def test_main_effect_and_interaction_in_words() -> None:
    fit = fit_mixed(SPLIT, "y ~ trt * day", random=["pair", "bale"])
    main = hypothesis(fit, "trt")
    assert main.frame["term"].tolist() == ["net - film"]
    assert main.frame["statistic"].iloc[0] ** 2 == pytest.approx(
        term_tests(fit).frame.set_index("term").loc["trt", "statistic"], rel=1e-9
    )
    both = hypothesis(fit, "trt:day").frame
    assert both["term"].iloc[0] == "(net - film) at 14 - (net - film) at 120"
    assert len(both) == 3
    cell = SPLIT.groupby(["trt", "day"])["y"].mean()
    for row in both.itertuples():
        new, old = (part.split(" at ")[1].split(" ")[0] for part in str(row.term).split(" - (net"))
        expected = (cell["net", new] - cell["film", new]) - (cell["net", old] - cell["film", old])
        assert row.estimate == pytest.approx(expected, rel=1e-8)


CASES = ["y ~ trt * day", "y ~ trt * days", "y ~ day * days", "y ~ trt * log(days)"]


@pytest.mark.parametrize("formula", CASES)
@pytest.mark.parametrize("lost", [0, 7], ids=["balanced", "rows lost"])
def test_the_contrasts_are_the_hypothesis(formula: str, lost: int) -> None:
    """One row: t squared is F.  Several: the note's F is that of the term's test."""
    data = SPLIT.iloc[lost:].reset_index(drop=True)
    if formula == "y ~ day * days":
        data = data.assign(days=np.random.default_rng(3).normal(size=len(data)))
    fit = fit_mixed(data, formula, random=["pair"])
    tests = term_tests(fit).frame.set_index("term")
    for term, test in tests.iterrows():
        table = hypothesis(fit, str(term))
        assert len(table) == test["num_df"]
        assert f"= {test['statistic']:.3f}" in table.notes[0]
        if len(table) == 1:
            assert table.frame["statistic"].iloc[0] ** 2 == pytest.approx(
                test["statistic"], rel=1e-8
            )


def test_slopes_in_words_and_functions_as_coefficients() -> None:
    fit = fit_mixed(SPLIT, "y ~ trt * days", random=["pair"])
    assert hypothesis(fit, "days").frame["term"].tolist() == ["slope per 1 days"]
    assert hypothesis(fit, "trt:days").frame["term"].tolist() == ["(net - film) per 1 days"]
    logs = fit_mixed(SPLIT, "y ~ trt * log(days)", random=["pair"])
    words = hypothesis(logs, "trt:log(days)").frame["term"].iloc[0]
    assert "trt[net]:log(days)" in words
    rows = np.eye(4)[[3]]
    assert f_test(logs, rows).statistic == pytest.approx(
        hypothesis(logs, "trt:log(days)").frame["statistic"].iloc[0] ** 2, rel=1e-9
    )


def test_unknown_term() -> None:
    fit = fit_mixed(SPLIT, "y ~ trt", random=["pair"])
    with pytest.raises(UsageError) as caught:
        hypothesis(fit, "farm")
    assert "no term 'farm' in 'y ~ trt'" in caught.value.found
