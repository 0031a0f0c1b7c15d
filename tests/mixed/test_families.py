"""Simultaneous critical values and adjusted p against R (tests/reference/tables.json).

R has them by nested one-dimensional integrals (Dunnett, independent contrasts), by qtukey (all
pairs) and by p.adjust (Holm), which are not how they are computed here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import pytest
from reference_models import values

from silagetrial.mixed import holm
from silagetrial.mixed.multivariate_t import adjusted_p, critical_value

Floats = npt.NDArray[np.float64]
TABLES: dict[str, Any] = values("tables.json")["tables"]
STATED = 1e-4
"""Error of a critical value that the lattice rule states."""


def one_reference(k: int) -> Floats:
    return np.full((k, k), 0.5) + 0.5 * np.eye(k)


def all_pairs(k: int) -> Floats:
    """Correlations of all differences of k independent means: singular from k = 3."""
    rows = [np.eye(k)[i] - np.eye(k)[j] for i in range(k) for j in range(i + 1, k)]
    return np.array(rows) @ np.array(rows).T / 2


CASES = [(one_reference(c["k"]), c["df"], c["value"]) for c in TABLES["dunnett"]]
CASES += [(np.eye(c["k"]), c["df"], c["value"]) for c in TABLES["independent"]]
CASES += [(all_pairs(c["k"]), c["df"], c["value"]) for c in TABLES["tukey"]]
CASES += [
    (np.array(TABLES["singular"][k]), TABLES["singular"]["df"], TABLES["singular"]["value"])
    for k in ["correlation"]
]


@pytest.mark.parametrize(("correlation", "df", "value"), CASES)
def test_critical_value(correlation: Floats, df: float, value: float) -> None:
    assert critical_value(correlation, df, level=0.95).value == pytest.approx(value, abs=STATED)


@pytest.mark.parametrize(("correlation", "df", "value"), CASES)
def test_adjusted_p_belongs_to_the_same_distribution(
    correlation: Floats, df: float, value: float
) -> None:
    """A statistic at R's 5 % point has adjusted p 0.05, so that table and interval agree."""
    p = adjusted_p(np.full(len(correlation), value), correlation, df)
    np.testing.assert_allclose(p, 0.05, atol=STATED / 10)


@pytest.mark.parametrize("case", TABLES["holm"])
def test_holm(case: dict[str, list[float]]) -> None:
    np.testing.assert_allclose(holm(np.array(case["p"])), case["holm"], rtol=1e-14)
