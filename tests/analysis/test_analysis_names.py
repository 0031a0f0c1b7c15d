"""No number depends on names or on the order of lines."""

from __future__ import annotations

import random
import shutil
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from analysis_designs import answer
from builders import make_trial, read_cells, write_cells
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from silagetrial.analysis import Analysis

NAMED = ("bale", "pair", "site")
DESIGNS = {
    "separate": {"sites": 2, "pairs": 3},
    "recored": {"sites": 1, "pairs": 4, "design": "recored"},
    "six sites": {"sites": 6, "pairs": 1},
}


INTEGRATED = ["sim_low", "sim_high", "p_adjusted"]
"""Columns from a numerical integral, good to about 1e-6."""


@pytest.fixture(scope="module")
def trials(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Make the folders once."""
    return {
        name: make_trial(tmp_path_factory.mktemp("plain"), **options)
        for name, options in DESIGNS.items()
    }


analysed = cache(answer)


def shuffled(source: Path, target: Path, seed: int) -> Path:
    """Copy a trial with other names of bales, pairs and sites, and lines in another order."""
    rng = random.Random(seed)
    shutil.copytree(source, target, dirs_exist_ok=True)
    bales = read_cells(source / "bales.csv")
    new: dict[str, str] = {}
    for column in NAMED:
        old = sorted({row[column] for row in bales})
        numbers = rng.sample(range(10_000), len(old))
        new.update({name: f"{column[0]}{n}" for name, n in zip(old, numbers, strict=True)})
    for table, columns in (("bales", NAMED), ("samples", ("of",)), ("weighings", ("bales",))):
        rows = read_cells(source / f"{table}.csv")
        for row in rows:
            row.update({column: new[row[column]] for column in columns})
        rng.shuffle(rows)
        write_cells(target / f"{table}.csv", rows)
    return target


def numbers_of(result: Analysis, table: str) -> pd.DataFrame:
    frames = [getattr(part, table).frame for part in result.responses.values()]
    frame = pd.concat(frames, ignore_index=True).select_dtypes("number")
    return frame.reset_index(drop=True)


@pytest.mark.parametrize("design", DESIGNS)
@settings(
    max_examples=4, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture]
)
@given(seed=st.integers(0, 2**16))
@pytest.mark.slow
def test_names_and_order_change_no_number(
    trials: dict[str, Path],
    tmp_path_factory: pytest.TempPathFactory,
    design: str,
    seed: int,
) -> None:
    folder = trials[design]
    plain = analysed(folder)
    other = answer(shuffled(folder, tmp_path_factory.mktemp("other"), seed))
    for table in ("differences", "average", "growth", "means", "tests", "variances", "exact"):
        before, after = numbers_of(plain, table), numbers_of(other, table)
        assert list(before.columns) == list(after.columns)
        rough = [c for c in INTEGRATED if c in before]
        np.testing.assert_allclose(after[rough], before[rough], rtol=1e-5)
        np.testing.assert_allclose(
            after.drop(columns=rough), before.drop(columns=rough), rtol=1e-7, atol=1e-9
        )
