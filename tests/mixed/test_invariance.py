"""What must not change when the data are written in another way.

Units of the response, order of the rows, names of the levels: t, df, p stay, and so do warnings
(any warning is an error in this test suite) and what is reported at a bound.
"""

from __future__ import annotations

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from reference_models import CATALOGUE, METHODS, coefficients, fitted, frame_of, terms

from silagetrial.mixed import Fit, fit_mixed

SAMPLE = (
    "Oats_unbal",
    "made_strata",
    "beets_yield",
    "Penicillin",
    "Orthodont_rs",
    "made_paired_zero",
)
"""Unbalanced, scaled F, a variance at zero, crossed, correlated slopes, negative correlation."""


def refit(name: str, frame: pd.DataFrame, *, levels: dict[str, list[str]] | None = None) -> Fit:
    entry = CATALOGUE[name]
    return fit_mixed(
        frame,
        entry["fixed"],
        random=entry["random"],
        bound=entry["bound"],
        levels=levels or entry["levels"],
    )


def response(name: str) -> str:
    formula: str = CATALOGUE[name]["fixed"]
    return formula.split(" ~ ")[0]


def same_inference(changed: Fit, original: Fit) -> None:
    for method in METHODS:
        ours = terms(changed, method)
        theirs = terms(original, method)
        for column in ("num_df", "den_df", "statistic", "p_value"):
            np.testing.assert_allclose(
                ours[column].astype(float), theirs[column].astype(float), rtol=1e-6, err_msg=column
            )
    for column in ("df", "statistic", "p_value"):
        np.testing.assert_allclose(
            np.sort(np.abs(coefficients(changed)[column])),
            np.sort(np.abs(coefficients(original)[column])),
            rtol=1e-6,
            err_msg=column,
        )
    assert changed.at_bound.tolist() == original.at_bound.tolist()


@settings(max_examples=30, deadline=None, derandomize=True)
@given(st.sampled_from(SAMPLE), st.integers(-9, 9), st.sampled_from([1.0, -1.0, 3.7]))
def test_units_of_the_response(name: str, power: int, factor: float) -> None:
    frame, column = frame_of(name), response(name)
    scale = factor * 10.0**power
    changed = refit(name, frame.assign(**{column: frame[column] * scale}))
    original = fitted(name)
    same_inference(changed, original)
    np.testing.assert_allclose(changed.beta, original.beta * scale, rtol=1e-6)
    size = original.theta.max() * scale**2
    np.testing.assert_allclose(
        changed.theta / size, original.theta / original.theta.max(), atol=1e-6
    )
    units = (len(frame) - len(changed.beta)) * np.log(abs(scale))
    assert changed.loglik == pytest.approx(original.loglik - units, abs=1e-7)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.sampled_from(SAMPLE), st.integers(0, 2**32 - 1))
def test_order_of_the_rows(name: str, seed: int) -> None:
    frame = frame_of(name)
    order = np.random.default_rng(seed).permutation(len(frame))
    changed = refit(name, frame.iloc[order])
    same_inference(changed, fitted(name))
    np.testing.assert_allclose(changed.fitted, fitted(name).fitted[order], rtol=1e-7)


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.sampled_from(SAMPLE), st.integers(0, 2**32 - 1))
def test_names_of_the_levels(name: str, seed: int) -> None:
    """New names, in another alphabetical order, for every factor and every grouping."""
    rng = np.random.default_rng(seed)
    entry, frame = CATALOGUE[name], frame_of(name)
    columns = {c for c in frame.columns if not pd.api.types.is_numeric_dtype(frame[c])}
    names = {}
    for column in columns:
        known = sorted(set(frame[column]))
        names[column] = dict(
            zip(known, (f"[{i}] <é>" for i in rng.permutation(len(known))), strict=True)
        )
        frame[column] = frame[column].map(names[column])
    levels = {f: [names[f][level] for level in known] for f, known in entry["levels"].items()}
    same_inference(refit(name, frame, levels=levels), fitted(name))


@pytest.mark.parametrize("name", ["Oats_unbal", "beets_sugpct"])
def test_reference_level_changes_no_test(name: str) -> None:
    """Another reference level is another parameterisation of the same model."""
    levels = {factor: known[::-1] for factor, known in CATALOGUE[name]["levels"].items()}
    changed = terms(refit(name, frame_of(name), levels=levels))
    original = terms(fitted(name))
    assert changed.index.tolist() == original.index.tolist()
    for column in ("num_df", "den_df", "statistic", "p_value"):
        np.testing.assert_allclose(changed[column], original[column], rtol=1e-6)
