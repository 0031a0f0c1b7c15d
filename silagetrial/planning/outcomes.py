"""What the analyses of simulated trials say: one entry a trial and contrast."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields

import numpy as np

from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.mixed.smallsample import t_quantile, t_tail

__all__ = ["Outcome", "joined", "outcome_of"]


@dataclass(frozen=True)
class Outcome:
    """Results of one analysis of T trials for r contrasts.

    Attributes
    ----------
    estimate, std_error, df, p_value, half_width : (T, r) arrays
        On the scale of the model; NaN where the trial gives no answer.
    negative, held : (T,) bool arrays
        A variance below zero; a variance held at zero or at the edge of what is possible.
    failed : (T,) bool array
        No answer for any of the contrasts.
    """

    estimate: Floats
    std_error: Floats
    df: Floats
    p_value: Floats
    half_width: Floats
    negative: Bools
    held: Bools
    failed: Bools


def outcome_of(
    estimate: Floats,
    std_error: Floats,
    df: Floats,
    *,
    level: float,
    negative: Bools | None = None,
    held: Bools | None = None,
) -> Outcome:
    """Test and interval of estimates with their standard errors and degrees of freedom.

    Parameters
    ----------
    estimate, std_error, df : (T, r) arrays
        NaN where there is no answer.
    level : float
        Confidence level.
    negative, held : (T,) bool arrays, optional
        All false when left out.
    """
    good = np.isfinite(estimate) & (std_error > 0) & (df > 0)
    t = np.where(good, estimate / np.where(good, std_error, 1.0), np.nan)
    usable = np.where(good, df, 1.0)
    p = np.where(good, t_tail(np.where(good, t, 0.0), usable), np.nan)
    half = np.where(good, t_quantile(level, usable) * std_error, np.nan)
    none = np.zeros(len(estimate), dtype=bool)
    return Outcome(
        np.where(good, estimate, np.nan),
        np.where(good, std_error, np.nan),
        np.where(good, df, np.nan),
        p,
        half,
        none if negative is None else negative,
        none if held is None else held,
        np.asarray(~good.any(axis=1)),
    )


def joined(parts: Sequence[Outcome]) -> Outcome:
    """Put the trials of several outcomes one after another."""
    return Outcome(
        **{
            f.name: np.concatenate([getattr(part, f.name) for part in parts])
            for f in fields(Outcome)
        }
    )
