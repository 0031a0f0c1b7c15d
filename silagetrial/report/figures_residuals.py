"""Residual checks: against the fitted values, and against a normal distribution."""

from __future__ import annotations

import numpy as np
import pandas as pd
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from scipy import stats

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.axes import key
from silagetrial.display.block import Picture
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import number
from silagetrial.display.style import INK, QUIET, canvas, finish, looks

__all__ = ["residuals"]

_HEIGHT = 2.3
_STANDARDISED = "standardised residual"


def residuals(trial: Trial, result: ResponseAnalysis) -> tuple[Picture, ...]:
    """Draw the residuals against the fitted values and against normal quantiles.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis

    Returns
    -------
    tuple of Picture
        Two, or none where there is no model.
    """
    if not result.answered:
        return ()
    frame = result.residuals.assign(normal=_normal(result.residuals["standardised"]))
    return _against_fitted(trial, result, frame), _against_normal(trial, result, frame)


def _normal(standardised: pd.Series[float]) -> pd.Series[float]:
    """What a normal distribution would give: Blom (1958), positions (i - 3/8) / (n + 1/4)."""
    count = len(standardised)
    ranks = standardised.rank(method="first")
    expected = stats.norm.ppf((ranks.to_numpy(dtype=float) - 0.375) / (count + 0.25))
    return pd.Series(expected, index=standardised.index)


def _against_fitted(trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame) -> Picture:
    with canvas(height=_HEIGHT) as (figure, grid):
        axes = grid[0, 0]
        axes.axhline(0, color=INK, linewidth=0.8)
        _dots(figure, axes, trial, frame, "fitted")
        axes.set_xlabel(_fitted_label(result))
        size = frame["standardised"].abs()
        worst = frame.iloc[int(size.to_numpy().argmax())]
        alt = say(
            "alt.residuals",
            what=result.response.label,
            number=len(frame),
            size=number(worst["standardised"]),
            unit=noun(result.records.unit.word, 1),
            which=worst["bale"],
            opening=worst["opening"],
            beyond=int((size > 2).sum()),
        )
        caption = say("figure.residuals", what=result.response.label)
        name = f"{result.response.name}_residuals"
        columns = ["bale", "binding", "opening", "fitted", "standardised"]
        headings = {"fitted": _fitted_heading(result), "standardised": _STANDARDISED}
        data = frame[columns].rename(columns=headings)
        return finish(figure, data=data, alt=alt, caption=caption, name=name)


def _against_normal(trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame) -> Picture:
    with canvas(height=_HEIGHT) as (figure, grid):
        axes = grid[0, 0]
        edge = float(frame["normal"].abs().max())
        axes.plot([-edge, edge], [-edge, edge], color=QUIET, linewidth=0.8)
        _dots(figure, axes, trial, frame, "normal")
        axes.set_xlabel(say("axis.expected"))
        straight = np.corrcoef(frame["normal"], frame["standardised"])[0, 1]
        alt = say(
            "alt.residuals_normal",
            what=result.response.label,
            number=len(frame),
            low=number(frame["standardised"].min()),
            high=number(frame["standardised"].max()),
            correlation=f"{straight:.3f}",
        )
        caption = say("figure.residuals_normal", what=result.response.label)
        name = f"{result.response.name}_residuals_normal"
        columns = ["bale", "binding", "opening", "normal", "standardised"]
        headings = {"normal": "expected of a normal distribution", "standardised": _STANDARDISED}
        data = frame[columns].rename(columns=headings)
        return finish(figure, data=data, alt=alt, caption=caption, name=name)


def _dots(figure: Figure, axes: Axes, trial: Trial, frame: pd.DataFrame, along: str) -> None:
    """Draw each residual with its binding's mark."""
    look = looks(trial.settings.compare)
    for name, how in look.items():
        mine = frame[frame["binding"] == name]
        axes.plot(
            mine[along], mine["standardised"], color=how.colour, marker=how.marker,
            markersize=2.8, linestyle="none",
        )  # fmt: skip
    axes.set_ylabel(say("axis.standardised"))
    key(figure, list(look.items()), line=False)


def _fitted_label(result: ResponseAnalysis) -> str:
    said = {"what": result.response.in_sentence, "unit": result.response.level_unit}
    log = result.response.scale == "log"
    return say("axis.fitted_log", **said) if log else say("axis.fitted", **said)


def _fitted_heading(result: ResponseAnalysis) -> str:
    if result.response.scale == "log":
        return f"fitted logarithm of {result.response.in_sentence} ({result.response.level_unit})"
    return f"fitted {result.response.in_sentence}, {result.response.level_unit}"
