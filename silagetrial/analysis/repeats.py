"""Repeat results of a unit at an opening: averaged where all units have as many."""

from __future__ import annotations

from typing import Final

import numpy as np
import pandas as pd

from silagetrial.analysis.massbalance import ERRORS
from silagetrial.silage import dm_loss_se

__all__ = ["averaged"]

_MEANS: Final = (
    "days", "calendar_days", "value", "limit", "value_used", "uncorrected", "m0", "d0", "m1",
    "d1", "d1_oven", "cored_dm",
)  # fmt: skip
_WHOLE: Final = ("uncorrected", "d1_oven")
"""What is known of a mean only where it is known of each of its results."""


def averaged(frame: pd.DataFrame) -> pd.DataFrame:
    """Average repeat results of a unit and opening on their own scale, when all have as many.

    Parameters
    ----------
    frame : pandas.DataFrame
        One row a result, ``inside`` telling whether it was measured inside the window.

    Returns
    -------
    pandas.DataFrame
        Results inside the windows first, then those outside. Each part is averaged or not by
        itself: a late result is none of its opening and does not change how that is analysed.
        ``sample`` names all samples of a mean. For DM loss ``measurement_se`` is added, in
        percentage points: weighings and the crop's DM are shared by the samples of a mean, their
        own DM is as exact as their number makes it.
    """
    parts = [frame[frame["inside"]], frame[~frame["inside"].astype(bool)]]
    whole = pd.concat([_alike(part) for part in parts if len(part)], ignore_index=True)
    if "m0" not in whole:
        return whole
    of = {name: whole[name] for name in ("m0", "d0", "m1", "d1", *ERRORS)}
    return whole.assign(measurement_se=100.0 * dm_loss_se(**of)).drop(columns=[*ERRORS])


def _alike(frame: pd.DataFrame) -> pd.DataFrame:
    """Average the results of one side of the windows; outside, those of one day are repeats."""
    day = frame["calendar_days"].where(~frame["inside"].astype(bool), -1.0)
    grouped = frame.groupby([frame["bale"], frame["opening"], day], sort=False)
    counts = grouped["sample"].transform("size")
    if counts.max() == 1 or counts.nunique() > 1:
        return frame
    means = [name for name in _MEANS if name in frame]
    average = grouped[means].mean().reset_index(drop=True)
    known = frame.notna().groupby(grouped.ngroup()).all()
    for name in set(_WHOLE) & set(means):
        average[name] = average[name].where(known[name])
    first = grouped.head(1).reset_index(drop=True)
    first[means] = average
    first["sample"] = grouped["sample"].agg(" ".join).to_numpy()
    for place in ("laboratory", "batch"):
        first[place] = grouped[place].agg(_places).to_numpy()
    first["below"] = grouped["below"].any().to_numpy()
    if "sd_d1" in first:
        first["sd_d1"] = grouped["sd_d1"].agg(_of_mean).to_numpy()
    return first


def _places(names: pd.Series[str]) -> str | float:
    """Where the results of a mean were made: one name, or all, so that no other is like it."""
    known = sorted(set(names.dropna()))
    return " + ".join(known) if known else float("nan")


def _of_mean(errors: pd.Series[float]) -> float:
    """Error of the mean of results with independent errors."""
    return float(np.sqrt((errors**2).sum(min_count=len(errors))) / len(errors))
