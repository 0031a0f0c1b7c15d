"""Draws have the covariance matrix of the model, exactly: every standard normal is traced."""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from dense_oracle import Term
from reference_models import fitted, made

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed import Fit, draw, fit_mixed
from silagetrial.mixed.simulate import CHUNK, over_chunks


class Tracer:
    """In place of a generator: each data set gets one standard normal of 1, the others 0."""

    def __init__(self) -> None:
        self.used = 0

    def standard_normal(self, shape: tuple[int, ...]) -> np.ndarray:
        count, width = shape[0], int(np.prod(shape[1:]))
        out = np.zeros((count, width))
        own = np.arange(width) + self.used
        out[own[own < count], np.arange(width)[own < count]] = 1.0
        self.used += width
        return out.reshape(shape)


def drawn_covariance(fit: Fit, theta: np.ndarray) -> np.ndarray:
    zero: Any = np.zeros(fit.design.p)
    counter: Any = Tracer()
    draw(fit.design, zero, theta, counter, 1)
    tracer: Any = Tracer()
    y = draw(fit.design, zero, theta, tracer, counter.used)
    return np.asarray(y.T @ y)


def random_part(fit: Fit, theta: np.ndarray) -> np.ndarray:
    """Z G Z' of all random terms, by the dense oracle."""
    terms = [Term(t.codes, t.z) for t in fit.frame.terms]
    basis = [b for term in terms for b in term.basis]
    total = np.zeros((len(fit.frame.y),) * 2)
    for value, b in zip(theta, basis, strict=False):
        total += value * b
    return total


SPLIT = made("made_splitplot_time.csv").astype({"day": str})
SPLIT["days"] = SPLIT["day"].astype(float)
SHUFFLED = SPLIT.sample(frac=1.0, random_state=4).reset_index(drop=True)
NESTED: dict[str, list[float]] = {
    "all positive": [0.3, 0.2, 0.5],
    "negative bale": [0.3, -0.1, 0.5],
    "negative pair": [-0.05, 0.2, 0.5],
    "bale beyond its residual": [0.3, 0.0, 0.5],
}


@pytest.mark.parametrize("case", NESTED)
def test_nested_terms(case: str) -> None:
    fit = fit_mixed(SHUFFLED, "y ~ trt * day", random=["pair", "bale"])
    theta = np.array(NESTED[case])
    expected = random_part(fit, theta) + theta[-1] * np.eye(len(SHUFFLED))
    np.testing.assert_allclose(drawn_covariance(fit, theta), expected, atol=1e-12)


def test_negative_variance_that_only_the_whole_allows() -> None:
    """A bale sampled once, alone in its pair: only pair + bale + residual is above zero."""
    frame = SHUFFLED[SHUFFLED["trt"] == "net"].reset_index(drop=True)
    frame = frame.assign(run=np.where(frame["days"] < 100, "a", "b"))
    frame["bale"] = frame["pair"].astype(str) + frame["run"]
    fit = fit_mixed(frame, "y ~ 1", random=["pair", "bale"])
    theta = np.array([0.4, -0.3, 0.5])
    with pytest.raises(NoAnswer, match="not positive"):
        draw(fit.design, np.zeros(1), theta, np.random.default_rng(1), 2)
    theta = np.array([0.4, -0.2, 0.5])
    expected = random_part(fit, theta) + 0.5 * np.eye(len(frame))
    np.testing.assert_allclose(drawn_covariance(fit, theta), expected, atol=1e-12)


@pytest.mark.parametrize("variances", [[0.2, 0.3], [0.2, -0.05], [-0.001, 0.3], [-0.001, -0.05]])
def test_levels_too_large_to_be_absorbed_together(variances: list[float]) -> None:
    """Farms of 60 pairs: blocks of farms hold the covariance of pairs within them only."""
    rng = np.random.default_rng(9)
    frame = pd.DataFrame({"farm": np.repeat(["a", "b", "c"], 120), "y": rng.normal(size=360)})
    frame["pair"] = (np.arange(360) // 2).astype(str)
    fit = fit_mixed(frame, "y ~ 1", random=["farm", "pair"])
    assert len(fit.design.levels) == 2
    theta = np.array([*variances, 0.5])
    expected = random_part(fit, theta) + 0.5 * np.eye(360)
    np.testing.assert_allclose(drawn_covariance(fit, theta), expected, atol=1e-12)


@pytest.mark.parametrize("variances", [[0.7, 3.7], [-0.01, 3.7], [0.7, -0.005]])
def test_crossed_terms(variances: list[float]) -> None:
    """Penicillin: plates crossed with samples; a negative variance draws the whole together."""
    fit = fitted("Penicillin")
    theta = np.array([*variances, 0.3])
    expected = random_part(fit, theta) + 0.3 * np.eye(len(fit.frame.y))
    np.testing.assert_allclose(drawn_covariance(fit, theta), expected, atol=1e-11)


def test_correlated_slopes() -> None:
    fit = fitted("sleepstudy_unbal_rs_corr")
    theta = np.array([600.0, 9.0, 35.0, 650.0])
    expected = random_part(fit, theta) + 650.0 * np.eye(len(fit.frame.y))
    np.testing.assert_allclose(drawn_covariance(fit, theta), expected, atol=1e-9)


def test_serial_groups_and_measurement_error() -> None:
    fit = fit_mixed(
        SHUFFLED, "y ~ trt", random=["pair"], residual_by="trt", serial={"bale": "days"},
        measurement_error=True,
    )  # fmt: skip
    theta = np.array([0.2, 0.5, 0.9, 60.0, 0.1])
    names = [p.name for p in fit.parameters]
    assert names[1:] == ["residual: film", "residual: net", "serial range", "measurement error"]
    deviation = np.sqrt(np.where(SHUFFLED["trt"] == "film", 0.5, 0.9))
    days, bale = SHUFFLED["days"].to_numpy(), SHUFFLED["bale"].to_numpy()
    apart = np.abs(days[:, None] - days)
    serial = np.outer(deviation, deviation) * np.exp(-apart / 60.0) * (bale[:, None] == bale)
    expected = random_part(fit, theta) + serial + 0.1 * np.eye(len(days))
    np.testing.assert_allclose(drawn_covariance(fit, theta), expected, atol=1e-12)


def test_mean_and_order_of_rows() -> None:
    fit = fit_mixed(SHUFFLED, "y ~ trt * day", random=["pair", "bale"])
    tiny = np.array([0.0, 0.0, 1e-20])
    y = draw(fit.design, fit.beta, tiny, np.random.default_rng(1), 3)
    np.testing.assert_allclose(y, np.tile(fit.frame.x @ fit.beta, (3, 1)), rtol=1e-9)


def test_large_units_with_a_negative_variance_are_refused() -> None:
    rng = np.random.default_rng(2)
    frame = pd.DataFrame({"farm": np.repeat(["a", "b", "c"], 2001), "y": rng.normal(size=6003)})
    fit = fit_mixed(frame, "y ~ 1", random=["farm"])
    with pytest.raises(NoAnswer) as caught:
        draw(fit.design, np.zeros(1), np.array([-1e-5, 1.0]), rng, 1)
    assert "a negative variance within units of 2001 rows" in caught.value.found
    assert draw(fit.design, np.zeros(1), np.array([0.1, 1.0]), rng, 1).shape == (1, 6003)


def sizes(rng: np.random.Generator, count: int) -> tuple[int, float]:
    return count, float(rng.random())


def test_chunks_have_fixed_sizes_and_seeds_of_their_own() -> None:
    whole = over_chunks(sizes, draws=2 * CHUNK + 5, seed=3, workers=1)
    assert [count for count, _ in whole] == [CHUNK, CHUNK, 5]
    assert len({first for _, first in whole}) == 3
    seeds = np.random.SeedSequence(entropy=3, spawn_key=(1,))
    assert whole[1][1] == np.random.default_rng(seeds).random()


@pytest.mark.parametrize("wrong", [{"draws": 0}, {"seed": -1}, {"workers": 0}, {"draws": 2.5}])
def test_wrong_counts(wrong: dict[str, Any]) -> None:
    call: dict[str, Any] = {"draws": 10, "seed": 1, "workers": 1, **wrong}
    with pytest.raises(UsageError) as caught:
        over_chunks(sizes, **call)
    assert f"{next(iter(wrong))}={next(iter(wrong.values()))!r}" in caught.value.found
