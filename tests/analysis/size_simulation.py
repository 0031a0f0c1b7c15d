"""How often the test of the binding rejects when there is no difference, by the batch engine."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pandas as pd

from silagetrial.analysis.compare import Comparison, comparison
from silagetrial.analysis.model import choose_model
from silagetrial.analysis.strata import completed
from silagetrial.data.settings import Settings
from silagetrial.mixed import Functions, fit_mixed
from silagetrial.mixed.likelihood import prepare
from silagetrial.mixed.maximise import maximise
from silagetrial.mixed.smallsample import (
    contrast_df,
    kenward_roger_covariance,
    t_tail,
    theta_covariance,
)


@dataclass(frozen=True)
class Size:
    """Share of data sets rejected at 5 %, its Monte Carlo error, and what failed."""

    rejected: float
    error: float
    failed: float
    df: float


def sizes(
    rows: pd.DataFrame, settings: Settings, y: np.ndarray, *, alpha: float = 0.05
) -> dict[str, Size]:
    """Size of the tests of the first opening's difference, the average and the growth."""
    choice = choose_model(rows, settings)
    assert choice.refusal is None
    used = completed(rows).assign(y=y[0])
    fit = fit_mixed(used, choice.formula, random=choice.random, levels=choice.levels)
    wanted = comparison(fit, settings, openings=choice.levels["opening"])
    fits = maximise(fit.design, prepare(fit.design, y))
    good = fits.converged
    phi = kenward_roger_covariance(fits.evaluation)
    w = theta_covariance(fits.evaluation)
    found = {}
    for name, functions in _parts(wanted).items():
        row = functions.rows[:1, fit.frame.kept] @ fit.from_orthonormal
        estimate = fits.evaluation.beta @ row[0]
        offset = prepare(fit.design, y).offset @ row[0]
        scale = prepare(fit.design, y).scale
        error = np.sqrt(np.einsum("a,tab,b->t", row[0], phi, row[0])) * scale
        df = contrast_df(fits.evaluation, row, w)[:, 0]
        p = t_tail((estimate * scale + offset) / error, df)[good]
        share = float((p < alpha).mean())
        mc = float(np.sqrt(alpha * (1 - alpha) / good.sum()))
        found[name] = Size(share, mc, float(1 - good.mean()), float(np.median(df[good])))
    return found


def _parts(wanted: Comparison) -> dict[str, Functions]:
    parts = {"opening": wanted.differences, "average": wanted.average}
    return parts if wanted.growth is None else {**parts, "growth": wanted.growth}
