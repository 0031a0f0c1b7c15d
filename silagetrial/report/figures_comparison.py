"""The bindings compared over storage: ratios or differences with their intervals."""

from __future__ import annotations

from typing import Final

import pandas as pd
from matplotlib.axes import Axes

from silagetrial.analysis import ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.axes import days_axis, key, log_axis, mark_without, shifted
from silagetrial.display.block import Picture, Prose
from silagetrial.display.language import say
from silagetrial.display.phrases import joined, level_name, quantity, span
from silagetrial.display.style import INK, Look, canvas, finish, looks
from silagetrial.report.figures_data import against, compared, effect_label, with_headings
from silagetrial.report.findings import (
    Finding,
    at_openings,
    averages,
    growths,
    line_over_storage,
    openings_without,
    planned_days,
)

__all__ = ["comparison"]

_DODGE: Final = 0.04
"""Shift between comparisons at one opening, as a share of the axis of days."""

_LONG: Final = 18
"""Longest name of a comparison that fits beside an axis."""

_AT, _LINE, _EDGE = "comparison", "growth with storage", "edge of what is too small to matter"


def comparison(trial: Trial, result: ResponseAnalysis) -> Picture | Prose:
    """Draw the ratios or differences of one response over storage.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis

    Returns
    -------
    Picture or Prose
        Thick bars are the intervals of one comparison alone, thin ones the simultaneous
        intervals; a band is what the plan calls unimportant, a broken line the growth with
        storage. Empty prose where there is no answer.
    """
    if not result.answered:
        return Prose(())
    frame = _drawn_values(trial, result)
    entries = _looks(trial, result)
    with canvas(height=2.5) as (figure, grid):
        axes = grid[0, 0]
        days_axis(axes, list(planned_days(trial).values()))
        _draw(axes, trial, result, frame)
        if len(entries) > 1 or len("".join(entries[0][:2])) > _LONG:
            key(figure, [(against(first, second), how) for first, second, how in entries])
        return finish(
            figure,
            data=with_headings(trial, result, frame, value=compared(result)),
            alt=_alt(trial, result),
            caption=_caption(trial, result, frame),
            name=f"{result.response.name}_comparison",
        )


def _drawn_values(trial: Trial, result: ResponseAnalysis) -> pd.DataFrame:
    """Every value: comparisons with both intervals, the lines of growth, the edges of the band."""
    days = planned_days(trial)
    alone = at_openings(trial, result, joint=False)
    rows: list[dict[str, object]] = []
    for finding, own in zip(at_openings(trial, result), alone, strict=True):
        both = {"joint_low": finding.low, "joint_high": finding.high} if finding.joint else {}
        rows.append(
            {
                "what": _AT, "comparison": finding.name, "opening": finding.opening,
                "planned_days": days[finding.opening or ""], "value": finding.estimate,
                "low": own.low, "high": own.high, **both,
            }
        )  # fmt: skip
    for average, growth in zip(averages(trial, result), growths(trial, result), strict=False):
        at, line = line_over_storage(trial, result, average, growth)
        rows += [
            {"what": _LINE, "comparison": growth.name, "planned_days": x, "value": y}
            for x, y in zip(at, line, strict=True)
        ]
    edge = trial.settings.analysis.important.get(result.response.name)
    if edge is not None:
        low = 1 / edge if result.response.effect == "ratio" else -edge
        rows += [{"what": _EDGE, "value": value} for value in (low, edge)]
    return pd.DataFrame(rows)


def _looks(trial: Trial, result: ResponseAnalysis) -> list[tuple[str, str, Look]]:
    """Each comparison takes the look of the binding that stands first in it."""
    pairs = dict.fromkeys((f.first, f.second) for f in at_openings(trial, result))
    look = looks(trial.settings.compare)
    if len({first for first, _ in pairs}) < len(pairs):
        look = looks([f"{first} {second}" for first, second in pairs])
        return [(first, second, look[f"{first} {second}"]) for first, second in pairs]
    return [(first, second, look[first]) for first, second in pairs]


def _draw(axes: Axes, trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame) -> None:
    found = at_openings(trial, result)
    days, entries = planned_days(trial), _looks(trial, result)
    edges = frame.loc[frame["what"] == _EDGE, "value"]
    if len(edges):
        axes.axhspan(edges.min(), edges.max(), color="#e9e9e9", linewidth=0, zorder=0)
    axes.axhline(found[0].none, color=INK, linewidth=0.8, zorder=1)
    names = {(f.first, f.second): f.name for f in found}
    for k, (first, second, look) in enumerate(entries):
        here = frame[frame["comparison"] == names[first, second]]
        mine = here[here["what"] == _AT]
        share = _DODGE * (k - (len(entries) - 1) / 2)
        x = shifted(mine["planned_days"].tolist(), of=days, share=share)
        if "joint_low" in mine:
            axes.vlines(x, mine["joint_low"], mine["joint_high"], color=look.colour, lw=0.8)
        axes.vlines(x, mine["low"], mine["high"], color=look.colour, lw=2.4)
        axes.plot(
            x, mine["value"], linestyle="none", marker=look.marker,
            color=look.colour, markeredgecolor="white", markersize=5.5, zorder=3,
        )  # fmt: skip
        line = here[here["what"] == _LINE]
        axes.plot(
            line["planned_days"], line["value"], color=look.colour, linewidth=0.8, dashes=(4, 2)
        )
    if result.response.effect == "ratio":
        log_axis(axes)
    without = openings_without(trial, result, given={f.opening or "" for f in found})
    mark_without(axes, {days[name]: why for name, why in without.items()})
    axes.set_ylabel(_effect_label(result, found))


def _effect_label(result: ResponseAnalysis, found: list[Finding]) -> str:
    """What the axis is: response, what is compared with what, and the unit, on two lines."""
    names = list(dict.fromkeys(f.name for f in found))
    one = len(names) == 1 and len(names[0]) <= _LONG
    return effect_label(result, of=names[0] if one else "")


def _caption(trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame) -> str:
    """Say what is drawn, and only that."""
    level = level_name(1 - trial.settings.analysis.alpha)
    parts = [say("figure.comparison", what=result.response.label, level=level)]
    if "joint_low" in frame:
        parts.append(say("figure.thick_and_thin"))
    if (frame["what"] == _LINE).any():
        parts.append(say("figure.growth"))
    if (frame["what"] == _EDGE).any():
        parts.append(say("figure.unimportant"))
    return " ".join(parts)


def _alt(trial: Trial, result: ResponseAnalysis) -> str:
    found = at_openings(trial, result)
    parts = [
        say(
            "alt.compared", opening=f.opening, comparison=f.name,
            size=quantity(f.estimate, f.unit), interval=span(f.low, f.high, f.unit),
        )
        for f in found
    ]  # fmt: skip
    without = openings_without(trial, result, given={f.opening or "" for f in found})
    parts += [say("alt.without", opening=name, why=why) for name, why in without.items()]
    said = {"what": result.response.label, "each": joined(parts, last="semicolon")}
    if result.response.effect == "ratio":
        return say("alt.comparison_ratio", **said)
    return say("alt.comparison_difference", unit=result.response.unit, **said)
