"""Every model of the catalogue against R: lme4, pbkrtest, lmerTest and emmeans.

Values, versions and the script that made them: tests/reference.  R's fits are polished to about
1e-9, its Satterthwaite degrees of freedom come from a numerical Hessian good to about 1e-7.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from reference_models import (
    CATALOGUE,
    Method,
    coefficients,
    fitted,
    frame_of,
    order,
    r_column,
    reference,
    rows,
    terms,
    text,
)

from silagetrial.mixed import adjusted_mean_functions, adjusted_means, blups, contrasts, f_test

LOGLIK = 1e-7  # absolute
ESTIMATE = 1e-6  # of its standard error
KENWARD_ROGER = 1e-6  # relative
SATTERTHWAITE = 1e-5  # relative
VARIANCE = 2e-6  # relative to the largest

METHODS: dict[Method, float] = {"kenward-roger": KENWARD_ROGER, "satterthwaite": SATTERTHWAITE}

WITH_MEANS = [(name, i) for name, entry in CATALOGUE.items() for i in range(len(entry["emmeans"]))]
WITH_TERMS = [name for name in CATALOGUE if reference(name)["tests"]]


def close(found: Any, expected: Any, rel: float) -> None:
    """Relative agreement, element by element."""
    np.testing.assert_allclose(found, np.atleast_1d(expected), rtol=rel, atol=0)


def index_sum(column: pd.Series) -> float:
    """What R's script wrote of each column: sum of row number x value, or x rank of its label."""
    if pd.api.types.is_numeric_dtype(column):
        numbers = column.to_numpy(dtype=float)
    else:
        labels = column.map(text)
        ranks = {label: i for i, label in enumerate(sorted(set(labels)), start=1)}
        numbers = labels.map(ranks).to_numpy(dtype=float)
    return float(np.arange(1, len(column) + 1) @ numbers)


def test_registry_holds_the_rows_that_r_has(model: str) -> None:
    frame, block = frame_of(model), reference(model)
    assert len(frame) == block["n"]
    for column, expected in (block["fingerprint"] or {}).items():
        assert index_sum(frame[column]) == pytest.approx(expected, rel=1e-12), column


def test_log_likelihood(model: str) -> None:
    assert fitted(model).loglik == pytest.approx(reference(model)["loglik"], rel=0, abs=LOGLIK)


def test_coefficients_and_their_covariances(model: str) -> None:
    fit, block, at = fitted(model), reference(model), order(model)
    se = np.sqrt(np.diag(block["vcov"]))
    np.testing.assert_allclose((fit.beta[at] - np.atleast_1d(block["beta"])) / se, 0, atol=ESTIMATE)
    for ours, theirs in ((fit.covariance, "vcov"), (fit.covariance_kr, "vcov_kr")):
        difference = ours[np.ix_(at, at)] - np.array(block[theirs])
        np.testing.assert_allclose(difference / np.outer(se, se), 0, atol=KENWARD_ROGER)


def r_parameters(model: str) -> list[tuple[str, frozenset[str]]]:
    """R's (co)variances in pbkrtest's order: term by term, down the columns of the triangle."""
    by_group: dict[str, list[str]] = {}
    for row in reference(model)["variances"]:
        if row["second"] is None and row["group"] != "Residual":
            by_group.setdefault(row["group"], []).append(row["first"])
    out = []
    for group, columns in by_group.items():
        k = range(len(columns))
        out += [r_key(group, columns[a], columns[b]) for b in k for a in k if a >= b]
    return [*out, r_key("Residual", "", "")]


def r_key(group: str, *columns: str) -> tuple[str, frozenset[str]]:
    """Group without the suffix that lme4 gives a second term of one grouping, and columns."""
    return group.removesuffix(".1"), frozenset(c for c in columns if c)


def our_parameters(model: str) -> list[tuple[str, frozenset[str]]]:
    """The same keys for our (co)variances."""
    out = []
    for term in fitted(model).frame.terms:
        columns = ["(Intercept)" if c == "1" else c for c in term.columns]
        k = range(len(columns))
        out += [r_key(term.grouping, columns[a], columns[b]) for a in k for b in k if b <= a]
    return [*out, r_key("Residual", "", "")]


def test_variances_and_covariances(model: str) -> None:
    ours = dict(zip(our_parameters(model), fitted(model).theta, strict=True))
    theirs = {
        r_key(row["group"], row["first"] or "", row["second"] or ""): row["value"]
        for row in reference(model)["variances"]
    }
    assert ours.keys() == theirs.keys()
    atol = VARIANCE * max(theirs.values())
    for key, value in theirs.items():
        assert ours[key] == pytest.approx(value, rel=0, abs=atol), key


def test_covariance_of_the_variances(model: str) -> None:
    """W of Kenward and Roger, from the expected information."""
    at = [our_parameters(model).index(key) for key in r_parameters(model)]
    theirs = np.array(reference(model)["theta_covariance"])
    size = np.sqrt(np.diag(theirs))
    difference = fitted(model).theta_covariance[np.ix_(at, at)] - theirs
    np.testing.assert_allclose(difference / np.outer(size, size), 0, atol=VARIANCE)


@pytest.mark.parametrize("method", METHODS)
def test_each_coefficient(model: str, method: Method) -> None:
    fit, theirs = fitted(model), reference(model)[method.replace("-", "_")]
    names = [r_column(model, column) for column in np.atleast_1d(reference(model)["names"])]
    compare_rows(coefficients(fit, method).loc[names], theirs, METHODS[method])


def compare_rows(ours: pd.DataFrame, theirs: dict[str, Any], rel: float) -> None:
    """Standard errors, df, t, p and, where R gives them, estimates and 95 % limits."""
    for column in ("std_error", "df", "statistic", "p_value"):
        # Where R's own t of a difference is zero but for rounding, so may ours be.
        atol = 1e-6 if column == "statistic" else 0.0
        expected = np.atleast_1d(theirs[column])
        np.testing.assert_allclose(ours[column], expected, rtol=rel, atol=atol, err_msg=column)
    if "conf_low" in theirs:
        se = np.atleast_1d(theirs["std_error"])
        for column in ("estimate", "conf_low", "conf_high"):
            np.testing.assert_allclose(
                ours[column] / se,
                np.atleast_1d(theirs[column]) / se,
                rtol=0,
                atol=max(rel, ESTIMATE) * 20,
                err_msg=column,
            )


@pytest.mark.parametrize("method", METHODS)
@pytest.mark.parametrize("name", WITH_TERMS)
def test_each_term(name: str, method: Method) -> None:
    """F tests with R's own L, and the same numbers from the table of terms."""
    fit, rel = fitted(name), METHODS[method]
    table = terms(fit, method)
    for test in reference(name)["tests"]:
        theirs = test[method.replace("-", "_")]
        found = f_test(fit, rows(name, test["L"]), method=method)
        for column in ("num_df", "den_df", "statistic", "p_value"):
            close(getattr(found, column), theirs[column], rel)
        if method == "kenward-roger":
            close(
                [found.scaling, found.a1, found.a2],
                [theirs[k] for k in ("scaling", "a1", "a2")],
                rel,
            )
        row = table.loc[test["term"]]
        close(
            row[["num_df", "statistic"]].to_numpy(float),
            [theirs["num_df"], theirs["statistic"]],
            rel,
        )
        # Fai and Cornelius' df of several rows depend on which rows span the hypothesis.
        if method == "kenward-roger" or theirs["num_df"] == 1:
            close(
                row[["den_df", "p_value"]].to_numpy(float),
                [theirs["den_df"], theirs["p_value"]],
                rel,
            )


@pytest.mark.parametrize(("name", "which"), WITH_MEANS)
def test_adjusted_means_and_pairs(name: str, which: int) -> None:
    fit, block = fitted(name), reference(name)["emmeans"][which]
    over = block["spec"].removeprefix("~ ").split(" | ")
    for method, rel in METHODS.items():
        theirs = block[method.replace("-", "_")]
        table = adjusted_means(fit, over, method=method).frame
        linear = adjusted_mean_functions(fit, over).rows
        labels = theirs["means"]["labels"]
        asked = list(zip(*(labels[factor] for factor in over), strict=True))
        found = [tuple(str(value) for value in row) for row in table[over].to_numpy()]
        at = [found.index(label) for label in asked]
        np.testing.assert_allclose(linear[at], rows(name, theirs["means"]["linfct"]), atol=1e-12)
        compare_rows(table.iloc[at], theirs["means"], rel)
        columns = [np.atleast_1d(column) for column in theirs["pairs"]["labels"].values()]
        pairs = [" ".join(label) for label in zip(*columns, strict=True)]
        linear = rows(name, theirs["pairs"]["linfct"])
        table = contrasts(fit, linear, names=pairs, method=method).frame
        compare_rows(table, theirs["pairs"], rel)


def test_predicted_random_effects(model: str) -> None:
    """BLUPs, lme4's conditional modes, of terms whose levels carry R's names."""
    table = blups(fitted(model)).frame
    sd = float(np.sqrt(max(row["value"] for row in reference(model)["variances"])))
    for group, block in reference(model)["blups"].items():
        values = np.array(block["values"], dtype=float)
        for column, theirs in zip(np.atleast_1d(block["columns"]), values.T, strict=True):
            effect = "1" if column == "(Intercept)" else column
            ours = table[(table["term"] == group) & (table["effect"] == effect)].set_index("level")
            np.testing.assert_allclose(
                ours["estimate"].loc[np.atleast_1d(block["levels"])], theirs, rtol=0, atol=1e-6 * sd
            )


def test_scaled_f_is_not_the_plain_one() -> None:
    """made_strata is the design whose lambda is far from 1: 0.935071 (pbkrtest)."""
    test = reference("made_strata")["tests"][0]
    found = f_test(fitted("made_strata"), rows("made_strata", test["L"]))
    assert found.scaling == pytest.approx(0.935071387235578, rel=1e-9)
    assert test["kenward_roger"]["scaling"] == pytest.approx(0.935071387235578, rel=1e-9)
