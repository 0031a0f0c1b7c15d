"""What a figure draws, as a frame with headings that name the unit."""

from __future__ import annotations

import math

import pandas as pd

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import count, level_name, number
from silagetrial.report.findings import planned_days

__all__ = [
    "against",
    "bales_of",
    "compared",
    "effect_label",
    "effect_word",
    "levels_of",
    "mean_word",
    "means_word",
    "not_drawn",
    "reaching",
    "with_headings",
]

_BALES = ["site", "pair", "bale", "binding", "opening", "planned_days", "days", "value", "below"]


def mean_word(result: ResponseAnalysis) -> str:
    """Return what an adjusted mean is on the reader's scale: a mean, or of logarithms a median."""
    return noun(_mean(result), 1)


def means_word(result: ResponseAnalysis) -> str:
    """Return what several adjusted means are: means, or of logarithms medians."""
    return noun(_mean(result), 2)


def _mean(result: ResponseAnalysis) -> str:
    return "median" if result.response.scale == "log" else "mean"


def reaching(low: float, high: float) -> str:
    """Return an interval of levels in words; an end that is infinite is said to be none."""
    if math.isfinite(low) and math.isfinite(high):
        return say("phrase.span", low=number(low), high=number(high))
    if math.isfinite(low):
        return say("phrase.open_above", low=number(low))
    if math.isfinite(high):
        return say("phrase.open_below", high=number(high))
    return say("phrase.open_ended")


def bales_of(result: ResponseAnalysis) -> pd.DataFrame:
    """Return every value as it is drawn: a row a bale and opening, below the limit at half of it.

    Returns
    -------
    pandas.DataFrame
        ``site pair bale binding opening planned_days days value below``.
    """
    rows = result.records.rows
    return rows.assign(value=rows["value_used"])[_BALES].reset_index(drop=True)


def levels_of(trial: Trial, result: ResponseAnalysis) -> pd.DataFrame:
    """Return the adjusted means as they are drawn, in the order of the openings.

    Returns
    -------
    pandas.DataFrame
        ``binding opening planned_days value low high``; empty where there is no model.
    """
    frame = result.means.frame
    if not result.answered or not len(frame):
        return pd.DataFrame(columns=["binding", "opening", "planned_days", "value", "low", "high"])
    return pd.DataFrame(
        {
            "binding": frame["binding"],
            "opening": frame["opening"],
            "planned_days": frame["opening"].map(planned_days(trial)),
            "value": frame["estimate"],
            "low": frame["conf_low"],
            "high": frame["conf_high"],
        }
    ).sort_values("planned_days", kind="stable")


def not_drawn(result: ResponseAnalysis) -> str:
    """Return what a picture of values does not hold: those outside the window of their opening."""
    apart = len(result.records.outside)
    return say("figure.not_drawn", results=count(apart, "result")) if apart else ""


def compared(result: ResponseAnalysis) -> str:
    """Return the heading of comparisons: ``DM loss, difference (percentage points)``."""
    unit = f" ({result.response.unit})" if result.response.effect == "difference" else ""
    return f"{result.response.label}, {result.response.effect}{unit}"


def against(first: str, second: str) -> str:
    """Return what a key calls a comparison: ``film against net``."""
    return say("axis.against", first=first, second=second)


def effect_word(result: ResponseAnalysis) -> str:
    """Return what an effect is, in the words of the language: a ratio, or a difference."""
    ratio = result.response.effect == "ratio"
    return say("unseen.ratio") if ratio else say("unseen.difference")


def effect_label(result: ResponseAnalysis, *, of: str = "") -> str:
    """Return what an axis of comparisons is, on two lines: response, effect and its unit.

    Parameters
    ----------
    result : ResponseAnalysis
    of : str
        Name of the one comparison drawn; empty where there are several.
    """
    what = f"{effect_word(result)} {of}" if of else effect_word(result)
    unit = f", {result.response.unit}" if result.response.effect == "difference" else ""
    return f"{result.response.label}\n{what}{unit}"


def with_headings(
    trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame, *, value: str = ""
) -> pd.DataFrame:
    """Return a frame with the headings of its file; columns without any value are left out.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis
    frame : pandas.DataFrame
        With the names of `bales_of`, `levels_of` and of the figure itself.
    value : str
        Heading of the values, limits of intervals after it; by default the response's levels.
    """
    response = result.response
    value = value or f"{response.label} ({response.level_unit})"
    level = level_name(1 - trial.settings.analysis.alpha)
    headings = {
        "what": "drawn as",
        "planned_days": "planned days in storage",
        "days": "days in storage",
        "value": value,
        "below": "below the limit, value is half of it",
        "low": f"{level} low of {value}",
        "high": f"{level} high of {value}",
        "joint_low": f"simultaneous {level} low of {value}",
        "joint_high": f"simultaneous {level} high of {value}",
    }
    return frame.dropna(axis="columns", how="all").rename(columns=headings)
