"""The figure of page one: every bale, pairs joined, adjusted means, the limit that matters."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from typing import Any, Final

import numpy as np
import pandas as pd
from matplotlib.axes import Axes

from silagetrial.analysis import Analysis, ResponseAnalysis
from silagetrial.data import Trial
from silagetrial.display.axes import key, log_axis
from silagetrial.display.block import Picture
from silagetrial.display.language import noun, say
from silagetrial.display.phrases import amount, block_word, count, joined, level_name, number, short
from silagetrial.display.style import INK, Look, canvas, finish, looks
from silagetrial.report.figures_data import (
    bales_of,
    levels_of,
    mean_word,
    means_word,
    not_drawn,
    reaching,
    with_headings,
)
from silagetrial.report.findings import planned, planned_days
from silagetrial.report.sentences import limits

__all__ = ["answer"]

_HEIGHT: Final = 2.2
_SIGNS: Final = {
    "ratio": ("\N{MULTIPLICATION SIGN}", "\N{DIVISION SIGN}"),
    "difference": ("+", "\N{MINUS SIGN}"),
}
_LINE: Final[dict[str, Any]] = {"color": INK, "linewidth": 0.8, "dashes": (4, 2), "zorder": 1.5}
_WORDS: Final[dict[str, Any]] = {
    "textcoords": "offset points", "color": INK, "zorder": 5, "annotation_clip": False,
    "bbox": {"facecolor": "white", "edgecolor": "none", "pad": 0.3},
}  # fmt: skip
_COLUMNS: Final = (
    "what", "site", "pair", "bale", "binding", "opening", "planned_days", "days", "value", "low",
    "high", "below", "label",
)  # fmt: skip
_BALE, _LIMIT, _MATTERS = "bale", "limit that matters", "smallest difference that matters"
_LEVELS: Final = {"log": "adjusted median", "identity": "adjusted mean"}  # words of its file


def answer(analysis: Analysis) -> tuple[Picture, ...]:
    """Draw what page one shows: a panel for the planned primary response and one for DM loss.

    Parameters
    ----------
    analysis : Analysis

    Returns
    -------
    tuple of Picture
        Every bale a point, the bales of a pair joined; beside them the adjusted means with their
        intervals, where there is a model; the limit of the plan, or the smallest difference that
        matters at the planned opening. A response without values has no panel.
    """
    primary = analysis.trial.settings.analysis.primary
    names = dict.fromkeys(name for name in (primary, "dm_loss") if name in analysis.responses)
    return tuple(
        _panel(analysis.trial, analysis[name]) for name in names if len(analysis[name].records.rows)
    )


def drawn_values(trial: Trial, result: ResponseAnalysis) -> pd.DataFrame:
    """Return every value of the panel: ``what`` it is drawn as, where, and its interval."""
    parts = [
        bales_of(result).assign(what=_BALE),
        levels_of(trial, result).assign(what=_LEVELS[result.response.scale]),
        _limits(trial, result),
    ]
    return pd.concat([part for part in parts if len(part)], ignore_index=True).reindex(
        columns=_COLUMNS
    )


def _limits(trial: Trial, result: ResponseAnalysis) -> pd.DataFrame:
    """The limit of the plan; the smallest difference that matters, from the binding compared."""
    plan, name = trial.settings.analysis, result.response.name
    rows: list[dict[str, object]] = []
    if name in plan.limits:
        rows.append({"what": _LIMIT, "value": plan.limits[name]})
    finding, edge = planned(trial, result), plan.important.get(name)
    if finding is not None and edge is not None:
        means = levels_of(trial, result)
        of = finding.second
        here = means[(means["opening"] == finding.opening) & (means["binding"] == of)]
        ratio = finding.effect == "ratio"
        for level in here["value"]:
            both = (level * edge, level / edge) if ratio else (level + edge, level - edge)
            rows += [
                {
                    "what": _MATTERS, "opening": finding.opening, "binding": of, "value": value,
                    "label": f"{short(of, longest=8)}\n{sign} {edge:g}",
                }
                for value, sign in zip(both, _SIGNS[finding.effect], strict=True)
            ]  # fmt: skip
    return pd.DataFrame(rows)


def _panel(trial: Trial, result: ResponseAnalysis) -> Picture:
    response = result.response
    frame = drawn_values(trial, result)
    bales = frame[frame["what"] == _BALE]
    look = looks(trial.settings.compare)
    slots = {name: k for k, name in enumerate(_openings(trial, bales))}
    with canvas(height=_HEIGHT) as (figure, grid):
        axes = grid[0, 0]
        for opening, slot in slots.items():
            _bales(axes, bales[bales["opening"] == opening], slot=slot, look=look)
        _means(axes, frame[frame["what"] == _LEVELS[response.scale]], slots, look)
        if response.scale == "log":
            log_axis(axes)
        _draw_limits(axes, result, frame, slots)
        days = planned_days(trial)
        ticks = [
            f"{textwrap.fill(short(name), 14)}\n{say('axis.days_short', days=f'{days[name]:g}')}"
            for name in slots
        ]
        axes.set_xticks(list(slots.values()), ticks)
        axes.tick_params(axis="x", length=0)
        axes.set_xlabel(say("axis.opening_days"))
        axes.set_ylabel(response.with_unit)
        key(figure, list(look.items()), below=bool(bales["below"].astype(bool).any()), line=False)
        return finish(
            figure,
            data=with_headings(trial, result, frame.drop(columns="label")),
            alt=_alt(trial, result, frame),
            caption=_caption(trial, result, frame),
            name=f"{response.name}_answer",
        )


def _openings(trial: Trial, bales: pd.DataFrame) -> list[str]:
    seen = set(bales["opening"])
    return [name for name in planned_days(trial) if name in seen]


def _strips(bindings: int) -> tuple[list[float], list[float], float]:
    """Places in an opening's slot: bales and means of each binding, and half a strip of bales."""
    if bindings <= 2:
        bales = [-0.13, 0.13] if bindings == 2 else [0.0]
        return bales, [-0.34, 0.34] if bindings == 2 else [0.2], 0.06
    width = 0.86 / bindings
    left = [(k - (bindings - 1) / 2) * width for k in range(bindings)]
    return [at - 0.16 * width for at in left], [at + 0.34 * width for at in left], 0.12 * width


def _bales(axes: Axes, rows: pd.DataFrame, *, slot: int, look: Mapping[str, Look]) -> None:
    """Draw the bales of one opening: those of a pair at the same place in each strip, joined."""
    centres, _, half = _strips(len(look))
    place = dict(zip(look, centres, strict=True))
    blocks = rows["pair"].astype(object).fillna(rows["bale"])
    order = sorted(set(blocks))
    step = 2 * half / max(len(order) - 1, 1)
    beside = {block: (k - (len(order) - 1) / 2) * step for k, block in enumerate(order)}
    x = slot + (rows["binding"].map(place) + blocks.map(beside)).to_numpy(dtype=float)
    y = rows["value"].to_numpy(dtype=float)
    for block in order:
        mine = (blocks == block).to_numpy()
        along = np.argsort(x[mine], kind="stable")
        axes.plot(x[mine][along], y[mine][along], color="#b0b0b0", linewidth=0.45, zorder=1)
    size = 2.6 if len(order) <= 30 else 1.8
    below = rows["below"].to_numpy(dtype=bool)
    for name, how in look.items():
        for hollow in (False, True):
            mine = (rows["binding"] == name).to_numpy() & (below == hollow)
            axes.plot(
                x[mine], y[mine], linestyle="none", marker=how.marker, markersize=size,
                markeredgecolor=how.colour, markerfacecolor="white" if hollow else how.colour,
                markeredgewidth=0.6, zorder=2,
            )  # fmt: skip


def _means(
    axes: Axes, means: pd.DataFrame, slots: Mapping[str, int], look: Mapping[str, Look]
) -> None:
    """Draw the adjusted means beside the bales, with their intervals as bars."""
    _, places, _ = _strips(len(look))
    for (name, how), place in zip(look.items(), places, strict=True):
        mine = means[(means["binding"] == name) & means["opening"].isin(list(slots))]
        x = mine["opening"].map(slots).to_numpy(dtype=float) + place
        axes.vlines(x, mine["low"], mine["high"], color=how.colour, linewidth=1.3, zorder=3)
        axes.plot(
            x, mine["value"], linestyle="none", marker=how.marker, color=how.colour, markersize=4.8,
            markeredgecolor="white", markeredgewidth=0.8, zorder=4,
        )  # fmt: skip


def _draw_limits(
    axes: Axes, result: ResponseAnalysis, frame: pd.DataFrame, slots: Mapping[str, int]
) -> None:
    """Draw the limit across the panel, and what matters at the planned opening, with names."""
    low, high = axes.get_ylim()
    for limit in frame.loc[frame["what"] == _LIMIT, "value"]:
        axes.axhline(limit, **_LINE)
        axes.annotate(
            say("axis.limit", value=f"{limit:g}", unit=result.response.level_unit), (0, limit),
            xycoords=axes.get_yaxis_transform(), xytext=(2, 1.5), va="bottom", **_WORDS,
        )  # fmt: skip
    matters = frame[frame["what"] == _MATTERS]
    for row in matters.to_dict("records"):
        slot = slots[row["opening"]]
        last = slot == len(slots) - 1
        axes.plot([slot - 0.45, slot + 0.47], [row["value"]] * 2, **_LINE)
        side = 1 if row["value"] == matters["value"].max() else -1  # names of close lines apart
        axes.annotate(
            row["label"], (slot + 0.47, row["value"]), xytext=(2, 0) if last else (0, 1.5 * side),
            ha="left" if last else "right", va="bottom" if side > 0 else "top", **_WORDS,
        )  # fmt: skip
    drawn = frame.loc[frame["what"].isin([_LIMIT, _MATTERS]), "value"]
    axes.set_ylim(min([low, *drawn]), max([high, *drawn]))
    beside = (matters["opening"].map(slots) == len(slots) - 1).any()
    axes.set_xlim(-0.5, len(slots) - 0.5 + (0.13 * len(slots) if beside else 0.0))


def _caption(trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame) -> str:
    settings, response = trial.settings, result.response
    said = {
        "what": response.label,
        "results": count(int((frame["what"] == _BALE).sum()), "result"),
        "units": result.records.unit.several,
    }
    parts = [say("figure.answer_bales", **said)]
    if frame["pair"].notna().any():
        block = noun(block_word(settings.compare), 1)
        parts = [say("figure.answer_bales_joined", **said, block=block)]
    compared = len(result.records.modelled)
    if result.answered and compared < len(result.records.rows):
        parts.append(say("figure.answer_compared", number=compared))
    if (frame["what"] == _LEVELS[response.scale]).any():
        level = level_name(1 - settings.analysis.alpha)
        parts.append(say("figure.answer_means", means=means_word(result), level=level))
    matters = frame[frame["what"] == _MATTERS]
    if len(matters):
        place = {"binding": matters["binding"].iloc[0], "opening": matters["opening"].iloc[0]}
        edge = settings.analysis.important[response.name]
        if response.effect == "ratio":
            low, high = limits(edge, response.unit, effect=response.effect)
            parts.append(say("figure.answer_matters_ratio", below=low, above=high, **place))
        else:
            size = amount(edge, response.unit)
            parts.append(say("figure.answer_matters_difference", size=size, **place))
    if (frame["what"] == _LIMIT).any():
        parts.append(say("figure.answer_limit"))
    return " ".join(part for part in [*parts, not_drawn(result)] if part)


def _alt(trial: Trial, result: ResponseAnalysis, frame: pd.DataFrame) -> str:
    """The message in numbers: what each binding's bales and adjusted means are, by opening."""
    means = frame[frame["what"] == _LEVELS[result.response.scale]]
    bales = frame[frame["what"] == _BALE]
    parts = [say("alt.answer", what=result.response.with_unit)]
    for opening in _openings(trial, bales):
        cells = []
        for binding in trial.settings.compare:
            mine = bales[(bales["opening"] == opening) & (bales["binding"] == binding)]["value"]
            here = means[(means["opening"] == opening) & (means["binding"] == binding)]
            if len(mine):
                cells.append(_cell(result, binding, mine, here))
        parts.append(say("alt.at_opening", opening=opening, what=joined(cells, last="semicolon")))
    drawn = frame[frame["what"].isin([_LIMIT, _MATTERS])].to_dict("records")
    lines = [say(_DRAWN[row["what"]], value=number(row["value"])) for row in drawn]
    if lines:
        parts.append(say("alt.lines", lines=joined(lines, last="comma")))
    return " ".join(parts)


def _cell(
    result: ResponseAnalysis, binding: str, bales: pd.Series[float], means: pd.DataFrame
) -> str:
    """A binding at an opening: how many, from where to where, and its adjusted mean."""
    said = {
        "binding": binding,
        "units": result.records.unit.counted(len(bales)),
        "low": number(bales.min()),
        "high": number(bales.max()),
    }
    for row in means.to_dict("records"):
        return say(
            "alt.answer_bales_mean",
            **said,
            mean=mean_word(result),
            value=number(row["value"]),
            interval=reaching(row["low"], row["high"]),
        )
    return say("alt.answer_bales", **said)


_DRAWN: Final = {_LIMIT: "alt.limit", _MATTERS: "alt.matters"}
