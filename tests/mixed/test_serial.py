"""Serial correlation and residual groups: what may not change an answer, and every refusal."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pandas as pd
import pytest
from reference_models import STRUCTURE_NAMES, STRUCTURES, coefficients, fitted, frame_of, made
from test_mixed_errors import read

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import Fit, checks, fit_mixed

SERIAL = {"bale": "day"}
DATA = made("made_serial.csv").assign(
    pair=lambda f: f["pair"].astype(str), opening=lambda f: f["day"].astype(str)
)
TWICE = pd.concat([DATA, DATA.iloc[[4]]], ignore_index=True)


def plain(data: pd.DataFrame = DATA, formula: str = "y ~ trt * opening", **options: object) -> Fit:
    return fit_mixed(data, formula, **{"random": ["pair"], **options})


def drawn(seed: int, covariance: Callable[[np.ndarray], np.ndarray]) -> pd.DataFrame:
    """Responses whose covariance within each bale is a function of its days."""
    rng = np.random.default_rng(seed)
    frame = DATA.copy()
    for _, rows in DATA.groupby("bale"):
        days = rows["day"].to_numpy(dtype=float)
        lower = np.linalg.cholesky(covariance(days) + 1e-9 * np.eye(len(days)))
        frame.loc[rows.index, "y"] = lower @ rng.normal(size=len(days))
    return frame


ALTERNATING = DATA.assign(
    y=lambda f: (
        np.where(f.groupby("bale").cumcount() % 2 == 0, 1.0, -1.0)
        + 0.3 * np.random.default_rng(1).normal(size=len(f))
    )
)
"""Neighbours in time are on opposite sides."""
EVEN = drawn(2, lambda days: 1.0 + 0.3 * np.eye(len(days)))
"""Every bale keeps its level whatever the time between: correlation does not fall."""

WHITE = drawn(3, lambda days: np.eye(len(days)))
"""Nothing but error."""

USAGE: dict[str, tuple[Callable[[], object], str]] = {
    "measurement error alone": (
        lambda: plain(measurement_error=True),
        "measurement_error=True without a serial term",
    ),
    "two rows at one time": (
        lambda: plain(TWICE, serial=SERIAL),
        "bale 1:film has two rows at the same day",
    ),
    "one time a unit": (
        lambda: plain(DATA[DATA["day"] == 3], "y ~ trt", serial=SERIAL),
        "no bale with rows at two different day",
    ),
    "one time for all": (
        lambda: plain(DATA.assign(day=5.0), serial=SERIAL, measurement_error=True),
        "no bale with rows at two different day",
    ),
    "days as text": (
        lambda: plain(DATA.assign(day=DATA["day"].astype(str)), serial=SERIAL),
        "serial correlation over day, which is no number",
    ),
    "no column of times": (
        lambda: plain(serial={"bale": []}),
        "serial correlation over no column of times",
    ),
    "infinite day": (
        lambda: plain(DATA.assign(day=np.where(DATA.index == 3, np.inf, 3.0)), serial=SERIAL),
        "values of day that are not finite",
    ),
    "two serial terms": (
        lambda: plain(serial={"bale": "day", "pair": "day"}),
        "serial={'bale': 'day', 'pair': 'day'}",
    ),
    "no mapping": (lambda: plain(serial="bale"), "serial='bale'"),
    "no unit": (lambda: plain(serial={"roll": "day"}), "no column 'roll' in the data"),
    "no days": (lambda: plain(serial={"bale": "when"}), "no column 'when' in the data"),
    "no groups": (lambda: plain(residual_by="farm"), "no column 'farm' in the data"),
}

NO_ANSWER: dict[str, tuple[Callable[[], object], str]] = {
    "no serial correlation": (
        lambda: plain(ALTERNATING, "y ~ trt", serial=SERIAL),
        "no serial correlation: it falls to nothing between the nearest two times",
    ),
    "range that runs off": (
        lambda: plain(EVEN, "y ~ trt", random=[], serial=SERIAL, measurement_error=True),
        "a serial range beyond",
    ),
    "error and nothing beside": (
        lambda: plain(WHITE, "y ~ trt", serial=SERIAL, measurement_error=True),
        "no serial correlation: all that is left within rows is measurement error",
    ),
    "groups of few rows": (
        lambda: plain(random=["pair", "bale"], residual_by="bale"),
        "residual degrees of freedom for residual: ",
    ),
    "repeats without error": (
        lambda: plain(TWICE, serial=SERIAL, measurement_error=True),
        "has no maximum that can be reached",
    ),
}


@pytest.mark.parametrize("case", USAGE)
def test_wrong_calls(case: str) -> None:
    read(USAGE[case][0], UsageError, USAGE[case][1])


@pytest.mark.parametrize("case", NO_ANSWER)
def test_questions_without_an_answer(case: str) -> None:
    read(NO_ANSWER[case][0], NoAnswer, NO_ANSWER[case][1])


def test_group_df_is_rows_less_leverage() -> None:
    """The df that decides about a group: by the hat matrix of fixed and random columns."""
    frame = DATA.assign(few=np.where(DATA.index < 12, "few", "many"))
    fixed = pd.get_dummies(DATA["trt"] + DATA["opening"]).to_numpy(dtype=float)
    random = pd.get_dummies(DATA["pair"]).to_numpy(dtype=float)
    columns = np.column_stack([fixed, random])
    hat = columns @ np.linalg.pinv(columns)
    df = (1.0 - np.diag(hat))[frame["few"] == "few"].sum()
    assert df > 6
    assert plain(frame, residual_by="few").theta.shape == (3,)
    frame = DATA.assign(few=np.where(DATA.index < 7, "few", "many"))
    df = (1.0 - np.diag(hat))[frame["few"] == "few"].sum()
    assert df < 6
    with pytest.raises(NoAnswer, match=f"{df:.1f} residual degrees of freedom for residual: few"):
        plain(frame, residual_by="few")


def test_of_groups_alike_the_first_is_named(monkeypatch: pytest.MonkeyPatch) -> None:
    """Which of them is smaller by rounding is the processor's choice, and no answer."""
    groups = {"residual_by": "bale", "random": ["pair", "bale"]}
    for rounding in (-1e-12, 1e-12):
        monkeypatch.setattr(
            checks, "_group_df", lambda frame, more=rounding: np.array([9.0, 3.3, 3.3 + more])
        )
        with pytest.raises(NoAnswer) as caught:
            plain(**groups)
        second = sorted(DATA["bale"].unique())[1]
        assert caught.value.found == f"3.3 residual degrees of freedom for residual: {second}"


def test_repeats_with_an_error_of_their_own_are_fitted() -> None:
    """Two rows at one time are what tells the measurement error."""
    rng = np.random.default_rng(4)
    both = pd.concat([DATA, DATA], ignore_index=True)
    both["y"] += 0.3 * rng.normal(size=len(both))
    fit = plain(both, serial=SERIAL, measurement_error=True)
    assert fit.parameters[-1].name == "measurement error"
    # The within-time variance of 92 pairs of repeats: the same to 10 % of its size.
    repeats = both.groupby(["bale", "day"])["y"].var()
    assert fit.theta[-1] == pytest.approx(repeats.mean(), rel=0.1)


def refit(name: str, frame: pd.DataFrame) -> Fit:
    entry = STRUCTURES[name]
    return fit_mixed(
        frame,
        entry["fixed"],
        random=entry["random"],
        residual_by=entry.get("residual_by"),
        serial=entry.get("serial"),
        measurement_error=entry.get("measurement_error", False),
        levels=entry["levels"],
    )


def same_inference(changed: Fit, original: Fit) -> None:
    for column in ("df", "statistic", "p_value"):
        np.testing.assert_allclose(
            coefficients(changed)[column], coefficients(original)[column], rtol=1e-6, err_msg=column
        )


WITH_RANGE = [name for name in STRUCTURE_NAMES if STRUCTURES[name].get("serial")]


@pytest.mark.parametrize("factor", [1 / 365.25, 86400.0, 8.64e13])
@pytest.mark.parametrize("name", WITH_RANGE)
def test_units_of_time(name: str, factor: float) -> None:
    """Days, years, seconds, nanoseconds: the range is in the same unit, nothing else moves."""
    frame = frame_of(name)
    columns = next(iter(STRUCTURES[name]["serial"].values()))
    entry = STRUCTURES[name]
    names = [columns] if isinstance(columns, str) else columns
    for column in names:
        frame[f"{column}_scaled"] = frame[column] * factor
    unit = next(iter(STRUCTURES[name]["serial"]))
    changed = fit_mixed(
        frame,
        entry["fixed"],
        random=entry["random"],
        residual_by=entry.get("residual_by"),
        serial={unit: [f"{column}_scaled" for column in names]},
        measurement_error=entry.get("measurement_error", False),
        levels=entry["levels"],
    )
    kinds = np.array([p.kind for p in changed.parameters])
    expected = np.where(kinds == "range", factor, 1.0) * fitted(name).theta
    np.testing.assert_allclose(changed.theta, expected, rtol=1e-6)
    assert changed.loglik == pytest.approx(fitted(name).loglik, abs=1e-8)
    same_inference(changed, fitted(name))


@pytest.mark.parametrize("scale", [-1.0, 3.7e-6, 1e7])
@pytest.mark.parametrize("name", STRUCTURE_NAMES)
def test_units_of_the_response(name: str, scale: float) -> None:
    frame = frame_of(name)
    column = STRUCTURES[name]["fixed"].split(" ~ ")[0]
    changed = refit(name, frame.assign(**{column: frame[column] * scale}))
    kinds = np.array([p.kind for p in changed.parameters])
    expected = np.where(kinds == "range", 1.0, scale**2) * fitted(name).theta
    np.testing.assert_allclose(changed.theta, expected, rtol=1e-6)
    ours, theirs = coefficients(changed), coefficients(fitted(name))
    for key in ("df", "p_value"):
        np.testing.assert_allclose(ours[key], theirs[key], rtol=1e-6, err_msg=key)
    np.testing.assert_allclose(
        ours["statistic"], np.sign(scale) * theirs["statistic"], rtol=1e-6, atol=1e-9
    )


@pytest.mark.parametrize("name", STRUCTURE_NAMES)
def test_order_of_the_rows(name: str) -> None:
    frame = frame_of(name)
    order = np.random.default_rng(9).permutation(len(frame))
    changed = refit(name, frame.iloc[order])
    same_inference(changed, fitted(name))
    np.testing.assert_allclose(changed.theta, fitted(name).theta, rtol=1e-7)
    np.testing.assert_allclose(changed.fitted, fitted(name).fitted[order], rtol=1e-7)


def test_refusals_do_not_depend_on_the_unit_of_time() -> None:
    seconds = ALTERNATING.assign(day=ALTERNATING["day"] * 86400.0)
    with pytest.raises(NoAnswer, match="no serial correlation"):
        plain(seconds, "y ~ trt", serial=SERIAL)
