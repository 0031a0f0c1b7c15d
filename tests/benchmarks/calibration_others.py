"""The same trials for other programs: files for lmer, and statsmodels' MixedLM with its z."""

from __future__ import annotations

import json
import re
import warnings
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd
from benchmarks.calibration_designs import CalibrationDesign
from scipy import stats
from statsmodels.regression.mixed_linear_model import MixedLM, VCSpec

from silagetrial.analysis.strata import completed
from silagetrial.mixed.covariance import Floats, Ints
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.chunks import chunk_rng
from silagetrial.planning.draws import draw_trials
from silagetrial.planning.from_plan import scenario_of, truth_of
from silagetrial.planning.structure import structure_from

__all__ = ["SEED", "Exported", "exported", "statsmodels_p", "write_trials"]

SEED = 20260101
OURS = 10**6
"""Scenario number of the random numbers: the trials of these files are no others."""


@dataclass(frozen=True)
class Exported:
    """Trials of one design as arrays.

    Attributes
    ----------
    names : tuple of str
        The contrasts: at the last opening, then average and growth where there are several.
    x : (n, p) array
    contrasts : (r, p) array
    groups : dict of str to (n,) int array
        Groupings of random intercepts.
    y : (T, n) array
        NaN where a result is missing.
    """

    names: tuple[str, ...]
    x: Floats
    contrasts: Floats
    groups: dict[str, Ints]
    y: Floats


def exported(design: CalibrationDesign, trials: int) -> Exported:
    """Draw trials of a design and lay out its model."""
    laid = scenario_of(design.plan, truth_of(design.plan, response_planned(design.plan)))
    drawn = draw_trials(laid.grid, laid.truth, chunk_rng(SEED, OURS, 0), trials)
    y = drawn.y if drawn.present is None else np.where(drawn.present, drawn.y, np.nan)
    book = laid.book
    structure = structure_from(book.rows, book.settings)
    question = book.question(tuple(range(len(book.openings))))
    assert question is not None
    rows = completed(book.rows)
    last = len(book.openings) - 1
    asked = [last, *range(last + 1, len(book.names))]
    groups = {
        re.sub(r"\W", "_", name): np.asarray(pd.factorize(_joined(rows, name))[0], dtype=np.int64)
        for name in structure.choice.random
    }
    return Exported(
        tuple(book.names[k] for k in asked),
        structure.x(rows),
        question.rows[asked] @ question.design.r,
        groups,
        y,
    )


def _joined(rows: pd.DataFrame, grouping: str) -> pd.Series[str]:
    parts = [rows[name].astype(str) for name in grouping.split(":")]
    whole = parts[0]
    for part in parts[1:]:
        whole = whole + " " + part
    return whole


def write_trials(designs: tuple[CalibrationDesign, ...], folder: Path, trials: int) -> None:
    """Write one file a design for ``make_calibration.R``."""
    folder.mkdir(parents=True, exist_ok=True)
    for place, design in enumerate(designs):
        made = exported(design, trials)
        y = np.round(made.y, 12)
        text = json.dumps(
            {
                "design": design.name,
                "names": list(made.names),
                "x": made.x.tolist(),
                "contrasts": made.contrasts.tolist(),
                "groups": {name: codes.tolist() for name, codes in made.groups.items()},
                "y": [[None if np.isnan(v) else v for v in row] for row in y.tolist()],
            }
        )
        (folder / f"{place:02d}.json").write_text(text, encoding="utf-8")


def statsmodels_p(made: Exported) -> tuple[Floats, int]:
    """p of statsmodels' z, (T, r), NaN where it finds no fit; and how many trials it warned of."""
    out = np.full((len(made.y), len(made.names)), np.nan)
    warned = 0
    for k, y in enumerate(made.y):
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            try:
                out[k] = _one(made, y)
            except np.linalg.LinAlgError:
                continue
        warned += bool(caught)
    return out, warned


def _one(made: Exported, y: Floats) -> Floats:
    there = np.isfinite(y)
    names, columns, matrices = [], [], []
    for name, codes in made.groups.items():
        levels = np.unique(codes[there])
        names.append(name)
        columns.append([[str(level) for level in levels]])
        matrices.append([(codes[there][:, None] == levels).astype(float)])
    model = MixedLM(
        y[there],
        made.x[there],
        groups=np.zeros(int(there.sum())),
        exog_vc=VCSpec(names, columns, matrices),
        exog_re=None,
    )
    result = model.fit(reml=True)
    estimate = made.contrasts @ np.asarray(result.fe_params)
    covariance = np.asarray(result.cov_params())[: made.x.shape[1], : made.x.shape[1]]
    variance = np.einsum("ra,ab,rb->r", made.contrasts, covariance, made.contrasts)
    return np.asarray(2.0 * stats.norm.sf(np.abs(estimate) / np.sqrt(variance)))
