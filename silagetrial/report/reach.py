"""How far an answer reaches: the farms, the crop, its DM and the season it holds for."""

from __future__ import annotations

import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.language import say
from silagetrial.display.phrases import joined, number

__all__ = ["holds_for"]


def holds_for(trial: Trial, result: ResponseAnalysis) -> str:
    """Say for which farms, crop, DM range and season an answer holds, and that none says safe.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
        Answered.
    """
    rows = result.records.rows
    return say(
        "scope.holds",
        farms=_farms(result, rows["site"].nunique()),
        crop=_crop(trial, rows),
        season=_season(rows),
    )


def _farms(result: ResponseAnalysis, farms: int) -> str:
    if result.model is not None and result.model.unit == "site":
        return say("scope.like_these", number=farms)
    return say("scope.these_farms", number=farms) if farms > 1 else say("scope.this_farm")


def _crop(trial: Trial, rows: pd.DataFrame) -> str:
    """The crop and the range of its DM: at baling where it was sampled, else at opening."""
    names = sorted({str(name) for name in rows["crop"].dropna()})
    crop = joined(names) if names else say("scope.their_crop")
    bales = trial.bales[trial.bales["bale"].isin(set(rows["members"].explode()))]
    groups = set(bales[["bale", "pair", "lot"]].to_numpy().ravel())
    samples = trial.samples[trial.samples["of"].isin(groups) & trial.samples["dm"].notna()]
    at_baling = samples[samples["kind"] == "day0"]
    if len(at_baling):
        return say("scope.crop", crop=crop, dm=_range(at_baling["dm"]))
    if len(samples):
        return say("scope.crop_at_opening", crop=crop, dm=_range(samples["dm"]))
    return say("scope.crop_named", crop=crop)


def _range(dm: pd.Series[float]) -> str:
    low, high = number(dm.min()), number(dm.max())
    return low if low == high else say("phrase.span", low=low, high=high)


def _season(rows: pd.DataFrame) -> str:
    years = sorted({str(year) for year in rows["year"].dropna()})
    return say("scope.season", years=joined(years)) if years else say("scope.one_season")
