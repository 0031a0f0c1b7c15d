"""Every refusal of the mixed-model room, raised and read."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from reference_models import made

from silagetrial.errors import NoAnswer, SilageTrialError, UsageError
from silagetrial.mixed import (
    Fit,
    adjusted_mean_functions,
    adjusted_means,
    contrasts,
    estimable,
    f_test,
    fit_mixed,
    term_tests,
)

DATA = (
    made("made_splitplot_time.csv")
    .astype({"day": str})
    .assign(days=lambda f: f["day"].astype(float))
)
EMPTY_CELL = DATA[~((DATA["trt"] == "net") & (DATA["day"] == "240"))]
# Each pair's two values sum to zero: nothing varies between pairs.
OPPOSED = pd.DataFrame(
    {
        "pair": list("aabbccdd"),
        "trt": ["film", "net"] * 4,
        "y": [1.0, -1.0, 2.0, -2.0, 0.5, -0.5, 3.0, -3.0],
    }
)
# Every pair has the same difference: no error within pairs, the likelihood has no bound.
ONE_DIFFERENCE = OPPOSED.assign(y=[1.0, 1.5, 2.0, 2.5, 3.0, 3.5, 5.0, 5.5])


def plain(data: pd.DataFrame = DATA, formula: str = "y ~ trt * day", **options: object) -> Fit:
    return fit_mixed(data, formula, **{"random": ["pair", "bale"], **options})


def eye(rows: int) -> np.ndarray:
    return np.eye(8)[:rows]


Call = Callable[[], object]

USAGE: dict[str, tuple[Call, str]] = {
    "formula": (lambda: plain(formula="y ~ trt *"), "the formula 'y ~ trt *'"),
    "coded factor": (lambda: plain(formula="y ~ trt * C(days)"), "C(...) in the formula"),
    "logarithm of zero": (
        lambda: plain(DATA.assign(none=0.0), "y ~ trt + log(none)"),
        "values in the fixed part that are not finite",
    ),
    "unknown function": (
        lambda: plain(formula="y ~ trt + squared(days)"),
        "no column 'squared' in the data",
    ),
    "function of a text": (
        lambda: plain(formula="y ~ trt + log(bale)"),
        "1 + trt + log(bale) cannot be evaluated",
    ),
    "no response": (lambda: plain(formula="~ trt"), "names no response"),
    "no column": (lambda: plain(formula="y ~ nothing"), "no column 'nothing' in the data"),
    "no grouping": (lambda: plain(random=["farm"]), "no column 'farm' in the data"),
    "two groupings": (
        lambda: plain(random=[{"bale": "1 + days", "pair": "1"}]),
        "a random term with 2 groupings",
    ),
    "random effects": (lambda: plain(random=[{"pair": "1 + ("}]), "the random term '1 + ('"),
    "level": (lambda: plain(levels={"trt": ["film", "twine"]}), "trt has the level 'net'"),
    "text response": (
        lambda: plain(DATA.assign(y=DATA["trt"])),
        "the response y is not one number a row",
    ),
    "nothing left": (lambda: plain(DATA.assign(y=np.nan)), "no row has values in all of"),
    "infinite": (lambda: plain(DATA.assign(y=np.inf)), "48 values of y are not finite"),
    "one level": (lambda: plain(DATA.assign(farm="A"), random=["farm"]), "cannot estimate farm"),
    "level a row": (
        lambda: plain(DATA.assign(row=DATA.index), random=["row"]),
        "cannot estimate row and residual (only the sum of their variances",
    ),
    "twice": (lambda: plain(random=["pair", "pair"]), "cannot estimate pair and pair"),
    "fixed and random": (
        lambda: plain(formula="y ~ bale", random=["bale"]),
        "cannot estimate bale (the fixed part takes up all",
    ),
    "weights": (lambda: contrasts(plain(), np.ones((1, 3))), "contrasts with 3 weights"),
    "factor": (lambda: adjusted_means(plain(), ["bale"]), "no factor 'bale' in 'y ~ trt * day'"),
    "reference": (
        lambda: adjusted_mean_functions(plain(), ["trt"]).differences("trt", reference="string"),
        "no level 'string' in trt",
    ),
}

NO_ANSWER: dict[str, tuple[Call, str]] = {
    "too few rows": (lambda: plain(DATA.iloc[:8], random=["pair"]), "8 rows for 8 coefficients"),
    "exact": (
        lambda: plain(DATA.assign(y=(DATA["trt"] == "net") * 1.0)),
        "explains the response exactly",
    ),
    "constant": (lambda: plain(DATA.assign(y=3.0)), "explains the response exactly"),
    "no error within pairs": (
        lambda: fit_mixed(ONE_DIFFERENCE, "y ~ trt", random=["pair"]),
        "has no maximum that can be reached",
    ),
    "no error between pairs": (
        lambda: fit_mixed(OPPOSED, "y ~ trt", random=["pair"]),
        "has no maximum that can be reached",
    ),
    "zero weights": (
        lambda: contrasts(plain(), np.zeros((1, 8))),
        "a contrast whose standard error is not above zero",
    ),
    "empty cell": (
        lambda: adjusted_means(plain(EMPTY_CELL), ["trt", "day"]),
        "1 of 8 functions meet a combination of levels without data",
    ),
}


def read(call: Call, kind: type[SilageTrialError], words: str) -> None:
    """The call is refused in our own way: what was found, expected and to be done."""
    with pytest.raises(kind) as caught:
        call()
    assert words in caught.value.found
    lines = str(caught.value).split("\n")
    starts = [
        line.split(":")[0] for line in lines if line.startswith(("Found:", "Expected:", "Remedy:"))
    ]
    assert starts == ["Found", "Expected", "Remedy"]
    assert min(len(caught.value.expected), len(caught.value.remedy)) > 10


@pytest.mark.parametrize("case", USAGE)
def test_wrong_calls(case: str) -> None:
    read(USAGE[case][0], UsageError, USAGE[case][1])


@pytest.mark.parametrize("case", NO_ANSWER)
def test_questions_without_an_answer(case: str) -> None:
    read(NO_ANSWER[case][0], NoAnswer, NO_ANSWER[case][1])


UNMEANT: list[tuple[str, Call]] = [
    ("random as a mapping", lambda: plain(random={"bale": "1 + days"})),
    ("bound", lambda: plain(bound="zeros")),
    ("method of contrasts", lambda: contrasts(plain(), eye(1), method="kr")),
    ("method of f_test", lambda: f_test(plain(), eye(1), method="kr")),
    ("family", lambda: contrasts(plain(), eye(2), family="bonferroni")),
    ("level in per cent", lambda: contrasts(plain(), eye(1), level=95)),
    ("names", lambda: contrasts(plain(), eye(2), names=["one"])),
    ("no rows to test", lambda: f_test(plain(), np.zeros((1, 8)))),
    ("infinite covariate", lambda: plain(DATA.assign(x=np.inf), "y ~ trt + x")),
    ("value for no variable", lambda: adjusted_means(plain(), ["trt"], at={"weight": 3.0})),
]


@pytest.mark.parametrize("call", [c[1] for c in UNMEANT], ids=[c[0] for c in UNMEANT])
def test_calls_that_cannot_be_meant(call: Call) -> None:
    """Mistyped options are refused; none is read as something else."""
    read(call, UsageError, "")


def test_rows_left_out_are_named() -> None:
    frame = DATA.copy()
    frame.loc[3, "y"] = np.nan
    frame.loc[5, "pair"] = np.nan
    fit = plain(frame)
    assert fit.frame.dropped == {3: "y", 5: "pair"}
    assert len(fit.residuals) == len(DATA) - 2


def test_empty_cell_leaves_what_can_be_estimated() -> None:
    """With net missing at one opening: means of film and differences at the other openings stay."""
    fit = plain(EMPTY_CELL)
    means = adjusted_mean_functions(fit, ["trt", "day"])
    gone = (means.labels["trt"] == "net") & (means.labels["day"] == "240")
    assert estimable(fit, means.rows).tolist() == (~gone).tolist()
    found = contrasts(fit, means.where(~gone.to_numpy())).frame.set_index(["trt", "day"])
    film = EMPTY_CELL[EMPTY_CELL["trt"] == "film"].groupby("day")["y"].mean()
    np.testing.assert_allclose(found.loc["film", "estimate"].loc[film.index], film, rtol=1e-9)
    remarks = term_tests(fit).frame["remark"]
    assert remarks.str.contains("without data").all()


def test_held_variance_is_said() -> None:
    """Pairs that nearly oppose each other and a lost row: free, the likelihood has no maximum."""
    for seed in range(200):
        rng = np.random.default_rng(seed)
        kept = rng.random(len(DATA)) > 0.25
        frame = DATA[kept].assign(y=rng.normal(size=int(kept.sum())))
        try:
            fit = fit_mixed(frame, "y ~ trt * day", random=["pair", "bale"])
        except SilageTrialError:
            continue
        if fit.fits.held.any():
            break
    held = fit.fits.held[0]
    assert held.any()
    remarks = fit.variances.frame["remark"].to_numpy()
    assert all("held at zero" in remark for remark in remarks[held])
    names = [p.name for p, is_held in zip(fit.parameters, held, strict=True) if is_held]
    assert f"Held at zero: {', '.join(names)}\n" in repr(fit)
    assert (fit.theta[held] >= 0).all()


def test_functions_of_a_covariate() -> None:
    """log(days) in a formula gives what a column of logarithms gives, type III tests included."""
    inside = fit_mixed(DATA, "y ~ trt * log(days)", random=["pair"])
    outside = fit_mixed(DATA.assign(l=np.log(DATA["days"])), "y ~ trt * l", random=["pair"])
    assert inside.loglik == pytest.approx(outside.loglik, rel=1e-12)
    columns = ["num_df", "den_df", "statistic", "p_value"]
    np.testing.assert_allclose(
        term_tests(inside).frame[columns], term_tests(outside).frame[columns], rtol=1e-8
    )
    one = adjusted_means(inside, "trt", at={"days": 60.0}).frame["estimate"]
    other = adjusted_means(outside, ["trt"], at={"l": np.log(60.0)}).frame["estimate"]
    np.testing.assert_allclose(one, other, rtol=1e-10)
