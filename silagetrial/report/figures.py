"""What the model says: comparisons over storage, adjusted means, residual checks."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

import numpy as np
from matplotlib.axes import Axes
from scipy import stats

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.block import Picture, Prose
from silagetrial.display.phrases import level_name, number, quantity, span
from silagetrial.display.style import (
    INK,
    QUIET,
    Floats,
    Look,
    canvas,
    days_axis,
    finish,
    key,
    log_axis,
    looks,
    mark_without,
    shifted,
)
from silagetrial.report.correction import is_corrected
from silagetrial.report.figures_curve import curve
from silagetrial.report.figures_raw import days, raw
from silagetrial.report.findings import (
    Finding,
    at_openings,
    averages,
    growths,
    line_over_storage,
    openings_without,
    planned_days,
)

__all__ = ["comparisons", "curve", "days", "means", "raw", "residuals"]

_DODGE: Final = 0.03
"""Shift between bindings at one opening, as a share of the axis of days."""


_LONG: Final = 18
"""Longest name of a comparison that fits beside an axis."""


def comparisons(analysis: Analysis) -> Picture | Prose:
    """Draw the ratios of butyric acid and the differences in DM loss over storage.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    Picture or Prose
        One panel a response that has an answer: thick bars are the intervals of one comparison
        alone, thin ones the simultaneous intervals; a band is what the plan calls unimportant, a
        broken line the growth with storage. Empty prose where no response has an answer.
    """
    answered = [result for result in analysis.responses.values() if result.answered]
    if not answered:
        return Prose(())
    trial = analysis.trial
    with canvas(height=3.3, columns=len(answered)) as (figure, grid):
        for axes, result in zip(grid[0], answered, strict=True):
            _one_response(axes, trial, result)
        entries = _comparison_looks(trial, answered[0])
        if len(entries) > 1 or len("".join(entries[0][:2])) > _LONG:
            key(figure, [(f"{first} against {second}", how) for first, second, how in entries])
        alt = " ".join(_comparison_alt(trial, result) for result in answered)
        return finish(figure, alt=alt, caption=_comparison_caption(analysis, answered))


def _comparison_caption(analysis: Analysis, answered: Sequence[ResponseAnalysis]) -> str:
    """Say what is drawn, and only that."""
    trial, level = analysis.trial, level_name(analysis.level)
    parts = [f"Bindings compared at each opening, with {level} intervals; the black line is no "]
    parts[0] += "difference."
    if any(finding.joint for result in answered for finding in at_openings(trial, result)):
        parts.append("Thick: of one comparison alone; thin: simultaneous, of all openings.")
    if any(growths(trial, result) for result in answered):
        parts.append("The broken line is the growth with storage, straight in log(1 + days).")
    if any(result.response.name in trial.settings.analysis.important for result in answered):
        parts.append("The grey band is what the plan calls too small to matter.")
    return " ".join(parts)


def _comparison_looks(trial: Trial, result: ResponseAnalysis) -> list[tuple[str, str, Look]]:
    """Each comparison takes the look of the binding that stands first in it."""
    pairs = dict.fromkeys((f.first, f.second) for f in at_openings(trial, result))
    look = looks(trial.settings.compare)
    if len({first for first, _ in pairs}) < len(pairs):
        look = looks([f"{first} {second}" for first, second in pairs])
        return [(first, second, look[f"{first} {second}"]) for first, second in pairs]
    return [(first, second, look[first]) for first, second in pairs]


def _one_response(axes: Axes, trial: Trial, result: ResponseAnalysis) -> None:
    found, alone = at_openings(trial, result), at_openings(trial, result, joint=False)
    at_days = planned_days(trial)
    days_axis(axes, list(at_days.values()))
    _band(axes, trial, result)
    axes.axhline(found[0].none, color=INK, linewidth=0.8, zorder=1)
    entries = _comparison_looks(trial, result)
    lines = zip(averages(trial, result), growths(trial, result), strict=False)
    for k, (first, second, look) in enumerate(entries):
        share = _DODGE * (k - (len(entries) - 1) / 2)
        mine = [f for f in found if (f.first, f.second) == (first, second)]
        x = shifted([at_days[f.opening or ""] for f in mine], of=at_days, share=share)
        own = [f for f in alone if (f.first, f.second) == (first, second)]
        axes.vlines(x, [f.low for f in mine], [f.high for f in mine], color=look.colour, lw=1.0)
        axes.vlines(x, [f.low for f in own], [f.high for f in own], color=look.colour, lw=3.2)
        axes.plot(
            x, [f.estimate for f in mine], linestyle="none", marker=look.marker,
            color=look.colour, markeredgecolor="white", markersize=6.5, zorder=3,
        )  # fmt: skip
    for (_, _, look), (average, growth) in zip(entries, lines, strict=False):
        at, line = line_over_storage(trial, result, average, growth)
        axes.plot(at, line, color=look.colour, linewidth=0.9, dashes=(4, 2))
    if result.response.effect == "ratio":
        log_axis(axes)
    without = openings_without(trial, result, given={f.opening or "" for f in found})
    mark_without(axes, {at_days[name]: why for name, why in without.items()})
    axes.set_title(result.response.label, loc="left", fontweight="bold")
    axes.set_ylabel(_effect_label(found))


def _effect_label(found: Sequence[Finding]) -> str:
    names = list(dict.fromkeys(f.name for f in found))
    unit = f", {found[0].unit}" if found[0].unit else ""
    one = len(names) == 1 and len(names[0]) <= _LONG
    what = f"{found[0].effect} {names[0]}" if one else found[0].effect
    return f"{what}{unit}"


def _band(axes: Axes, trial: Trial, result: ResponseAnalysis) -> None:
    """Shade what the plan calls too small to matter."""
    edge = trial.settings.analysis.important.get(result.response.name)
    if edge is not None:
        low = 1 / edge if result.response.effect == "ratio" else -edge
        axes.axhspan(low, edge, color="#efefef", linewidth=0, zorder=0)


def _comparison_alt(trial: Trial, result: ResponseAnalysis) -> str:
    parts = [
        f"{f.opening} {f.name} {quantity(f.estimate, f.unit)} ({span(f.low, f.high, f.unit)})"
        for f in at_openings(trial, result)
    ]
    given = {f.opening or "" for f in at_openings(trial, result)}
    without = openings_without(trial, result, given=given)
    parts += [f"{name} {why}" for name, why in without.items()]
    found = at_openings(trial, result)[0]
    unit = f" in {found.unit}" if found.unit else ""
    return f"{result.response.label}, {found.effect}{unit} by opening: {'; '.join(parts)}."


def means(trial: Trial, result: ResponseAnalysis) -> Picture | Prose:
    """Draw the adjusted means of each binding over storage, with their intervals.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis

    Returns
    -------
    Picture or Prose
        Empty prose where there is no model.
    """
    if not result.answered or not len(result.means):
        return Prose(())
    frame = result.means.frame
    look = looks(trial.settings.compare)
    at_days = planned_days(trial)
    word = "medians" if result.response.scale == "log" else "means"
    with canvas(height=3.1) as (figure, grid):
        axes = grid[0, 0]
        days_axis(axes, list(at_days.values()))
        present = [name for name in look if (frame["binding"] == name).any()]
        for k, name in enumerate(present):
            mine = frame[frame["binding"] == name]
            share = _DODGE / 2 * (k - (len(present) - 1) / 2)
            x = shifted([at_days[name] for name in mine["opening"]], of=at_days, share=share)
            how = look[name]
            axes.vlines(x, mine["conf_low"], mine["conf_high"], color=how.colour, linewidth=1.0)
            axes.plot(x, mine["estimate"], color=how.colour, marker=how.marker, linestyle=how.line)
        if result.response.scale == "log":
            log_axis(axes)
        without = openings_without(trial, result, given=set(frame["opening"]))
        mark_without(axes, {at_days[name]: why for name, why in without.items()})
        axes.set_ylabel(result.response.with_unit)
        key(figure, [(name, look[name]) for name in present])
        level = level_name(1 - trial.settings.analysis.alpha)
        caption = (
            f"{result.response.label}: adjusted {word} with {level} intervals. Intervals of two "
            "bindings may overlap and the bindings still differ: compare by the differences."
        )
        if is_corrected(result):
            caption += " DM corrected for volatiles; uncorrected means stand in the table."
        return finish(figure, alt=_means_alt(result, word), caption=caption)


def _means_alt(result: ResponseAnalysis, word: str) -> str:
    parts = []
    for opening, rows in result.means.frame.groupby("opening", sort=False):
        cells = [
            f"{row['binding']} {number(row['estimate'])} "
            f"({number(row['conf_low'])} to {number(row['conf_high'])})"
            for row in rows.to_dict("records")
        ]
        parts.append(f"{opening}: {', '.join(cells)}")
    unit = result.response.level_unit
    return f"{result.response.label}, adjusted {word} in {unit} by opening. {'; '.join(parts)}."


def residuals(trial: Trial, result: ResponseAnalysis) -> Picture | Prose:
    """Draw the residuals against the fitted values and against normal quantiles.

    Parameters
    ----------
    trial : Trial
    result : ResponseAnalysis

    Returns
    -------
    Picture or Prose
        Empty prose where there is no model.
    """
    if not result.answered:
        return Prose(())
    frame = result.residuals
    look = looks(trial.settings.compare)
    with canvas(height=2.9, columns=2) as (figure, grid):
        left, right = grid[0]
        order = np.argsort(frame["standardised"].to_numpy(), kind="stable")
        expected = np.empty(len(frame))
        # Blom (1958): plotting positions (i - 3/8) / (n + 1/4).
        expected[order] = stats.norm.ppf(
            (np.arange(1, len(frame) + 1) - 0.375) / (len(frame) + 0.25)
        )
        for name, how in look.items():
            mine = (frame["binding"] == name).to_numpy()
            dots = {"color": how.colour, "marker": how.marker, "markersize": 4.0, "lw": 0}
            left.plot(frame["fitted"][mine], frame["standardised"][mine], **dots)
            right.plot(expected[mine], frame["standardised"][mine], **dots)
        left.axhline(0, color=INK, linewidth=0.8)
        left.set_xlabel(_fitted_label(result))
        left.set_ylabel("standardised residual")
        edge = float(np.abs(expected).max())
        right.plot([-edge, edge], [-edge, edge], color=QUIET, linewidth=0.8)
        right.set_xlabel("expected of a normal distribution")
        key(figure, list(look.items()), line=False)
        return finish(
            figure,
            alt=_residual_alt(result, expected),
            caption=f"{result.response.label}: standardised residuals against fitted values, and "
            "against what a normal distribution would give (points near the line).",
        )


def _fitted_label(result: ResponseAnalysis) -> str:
    if result.response.scale == "log":
        return f"fitted logarithm of {result.response.label.lower()}"
    return f"fitted {result.response.with_unit}"


def _residual_alt(result: ResponseAnalysis, expected: Floats) -> str:
    frame = result.residuals
    size = frame["standardised"].abs()
    worst = frame.iloc[int(size.to_numpy().argmax())]
    straight = np.corrcoef(expected, frame["standardised"])[0, 1]
    return (
        f"{result.response.label}: {len(frame)} standardised residuals, the largest in size "
        f"{number(worst['standardised'])} "
        f"({result.records.unit.word} {worst['bale']}, {worst['opening']}); "
        f"{int((size > 2).sum())} beyond 2. Correlation with normal quantiles {straight:.3f}."
    )
