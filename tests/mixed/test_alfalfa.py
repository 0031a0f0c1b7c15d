"""Split-plot Alfalfa (nlme; Snedecor & Cochran 1980): 6 blocks x 3 varieties x 4 cutting dates.

Mean squares and F from R's aov (tests/reference/tables.json), means and their standard errors from
emmeans (lmm.json).  The standard errors of a difference are also computed here from the textbook's
formulas (Snedecor & Cochran 1980, Statistical Methods, 7th ed.) on those mean squares.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import pandas as pd
import pytest
from reference_models import CATALOGUE, fitted, frame_of, terms, values

from silagetrial.mixed import adjusted_mean_functions, contrasts

AOV: dict[str, Any] = values("tables.json")["alfalfa"]
BLOCKS, VARIETIES, DATES = 6, 3, 4


def differences(over: list[str], within: str | None = None) -> pd.DataFrame:
    """All pairs of adjusted means, within each level of one factor where asked."""
    means = adjusted_mean_functions(fitted("Alfalfa"), over)
    grid = means.labels
    index = [
        (i, j)
        for i in range(len(grid))
        for j in range(i + 1, len(grid))
        if within is None or grid[within][i] == grid[within][j]
    ]
    linear = np.array([means.rows[i] - means.rows[j] for i, j in index])
    names = [" - ".join(" ".join(map(str, grid.loc[k, over])) for k in pair) for pair in index]
    return contrasts(fitted("Alfalfa"), linear, names=names).frame.set_index("term")


def test_strata() -> None:
    fit = fitted("Alfalfa")
    split = AOV["ms_split"]
    whole = (AOV["ms_whole"] - split) / DATES
    block = (AOV["ms_block"] - AOV["ms_whole"]) / (VARIETIES * DATES)
    assert (AOV["df_whole"], AOV["df_split"]) == (10, 45)
    assert fit.theta == pytest.approx([block, whole, split], rel=1e-9)
    assert fit.theta[0] == pytest.approx(0.057810816, abs=2e-8)
    assert whole == pytest.approx(0.02707, abs=5e-6)
    assert fit.loglik == pytest.approx(-4.978184135, abs=1e-8)


def test_terms() -> None:
    table = terms(fitted("Alfalfa"))
    for term, block, df in (
        ("Variety", "F_variety", 10),
        ("Date", "F_date", 45),
        ("Variety:Date", "F_variety_date", 45),
    ):
        assert table.loc[term, "statistic"] == pytest.approx(AOV[block], rel=1e-8)
        assert table.loc[term, "den_df"] == pytest.approx(df, rel=1e-8)
    assert table.loc["Date", "statistic"] == pytest.approx(23.390, abs=5e-4)


def test_standard_errors_of_differences() -> None:
    whole, split = AOV["ms_whole"], AOV["ms_split"]
    mixed = (whole + (DATES - 1) * split) / DATES
    # Satterthwaite's df of that combination of two mean squares.
    mixed_df = (whole + (DATES - 1) * split) ** 2 / (
        whole**2 / AOV["df_whole"] + ((DATES - 1) * split) ** 2 / AOV["df_split"]
    )
    cases = (
        (differences(["Variety"]), np.sqrt(2 * whole / (BLOCKS * DATES)), 10, 0.10655),
        (differences(["Date"]), np.sqrt(2 * split / (BLOCKS * VARIETIES)), 45, 0.05575),
        (differences(["Variety", "Date"], "Variety"), np.sqrt(2 * split / BLOCKS), 45, 0.09656),
        (differences(["Variety", "Date"], "Date"), np.sqrt(2 * mixed / BLOCKS), mixed_df, 0.13544),
    )
    for table, error, df, printed in cases:
        assert len(table) > 1
        np.testing.assert_allclose(table["std_error"], error, rtol=1e-8)
        np.testing.assert_allclose(table["df"], df, rtol=1e-8)
        assert error == pytest.approx(printed, abs=1e-5)
    assert mixed_df == pytest.approx(24.0807, abs=5e-5)


def test_one_difference_of_varieties_at_one_date() -> None:
    """Cossack - Ladak at None: in a balanced design the difference of two cell means."""
    frame = frame_of("Alfalfa")
    cells = frame[frame["Date"] == "None"].groupby("Variety")["Yield"].mean()
    row = differences(["Variety", "Date"], "Date").loc["Cossack None - Ladak None"]
    assert row["estimate"] == pytest.approx(cells["Cossack"] - cells["Ladak"], rel=1e-9)
    assert row["estimate"] == pytest.approx(-0.11, abs=1e-9)
    assert row["p_value"] == pytest.approx(0.424662, abs=5e-7)
    assert CATALOGUE["Alfalfa"]["levels"]["Date"] == ["None", "S1", "S20", "O7"]
