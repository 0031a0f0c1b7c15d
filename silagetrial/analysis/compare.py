"""Adjusted means and differences between bindings from a fitted model, on the reader's scale."""

from __future__ import annotations

import itertools
from collections.abc import Collection
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
import pandas as pd

from silagetrial.analysis.responses import Response
from silagetrial.data.settings import Settings
from silagetrial.display.language import say
from silagetrial.display.table import Table
from silagetrial.errors import NoAnswer
from silagetrial.mixed import Fit, Functions, adjusted_mean_functions, contrasts, estimable
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.frame import ModelFrame

__all__ = ["Comparison", "comparison", "growth_weights", "told", "told_at_openings"]


@dataclass(frozen=True)
class Comparison:
    """The linear functions a trial is asked for.

    Attributes
    ----------
    means : Functions
        Adjusted mean of each binding at each opening, where it can be estimated.
    differences : Functions
        Between bindings, at each opening with values of both.
    average : Functions or None
        The differences averaged with equal weight over the openings with values of all
        bindings; None where there is no such opening.
    growth : Functions or None
        Change of the differences from the first to the last of those openings, along the line
        in log(1 + days); None with fewer than two.
    openings : tuple of str
        Openings with values of all bindings.
    """

    means: Functions
    differences: Functions
    average: Functions | None
    growth: Functions | None
    openings: tuple[str, ...]


def growth_weights(days: Floats) -> Floats:
    """Weights of the one-df contrast linear in log(1 + days), over openings.

    Parameters
    ----------
    days : (k,) array
        Planned days of the openings.

    Returns
    -------
    (k,) array
        Sum zero; the weighted sum of a line in log(1 + days) is its rise from the first to the
        last opening.
    """
    x = np.log1p(days)
    centred = x - x.mean()
    weights: Floats = centred / (centred**2).sum() * (x.max() - x.min())
    return weights


def comparison(
    fit: Fit | ModelFrame,
    settings: Settings,
    *,
    openings: tuple[str, ...],
    refused: Collection[str] = (),
) -> Comparison:
    """Lay out means, differences, their average and their growth.

    Parameters
    ----------
    fit : Fit or ModelFrame
        With the factor ``binding`` and, with several openings, ``opening``; a layout has no fit
        yet, and its model frame does.
    settings : Settings
    openings : tuple of str
        The openings modelled, by days.
    refused : collection of str
        Openings at which bindings are not to be compared.

    Raises
    ------
    NoAnswer
        At no opening can a difference between bindings be estimated.
    """
    frame = fit if isinstance(fit, ModelFrame) else fit.frame
    names = [name for name in ("binding", "opening") if name in frame.levels]
    cells = adjusted_mean_functions(fit, names)
    if "opening" not in names:
        cells = Functions(cells.labels.assign(opening=openings[0]), cells.rows)
    means = cells.where(estimable(fit, cells.rows))
    # A difference may be known where the means are not: what both share drops out.
    differences = _differences(cells, frame.levels["binding"], settings)
    kept = ~differences.labels["opening"].isin(list(refused)).to_numpy()
    kept &= estimable(fit, differences.rows)
    if not kept.any():
        raise NoAnswer(
            found=say("refused.mixed_up", formula=repr(frame.formula)),
            expected=say("refused.mixed_up_expected"),
            remedy=say("refused.which_with_which"),
        )
    every = pd.Series(kept).groupby(differences.labels["opening"]).all()
    differences = differences.where(kept)
    full = tuple(name for name in openings if every[name])
    if not full:
        return Comparison(means, differences, None, None, full)
    shared = differences.where(differences.labels["opening"].isin(full).to_numpy())
    average = shared.combine("opening", dict.fromkeys(full, 1.0 / len(full)))
    growth = None
    if len(full) > 1:
        days = np.array([_days(settings, opening) for opening in full])
        weights = dict(zip(full, growth_weights(days), strict=True))
        growth = shared.combine("opening", weights)
    return Comparison(means, differences, average, growth, full)


def _differences(cells: Functions, bindings: tuple[str, ...], settings: Settings) -> Functions:
    """Differences between bindings; the planned one among them, in the planned direction."""
    plan = settings.analysis
    pairs = [(b, a) for a, b in itertools.combinations(bindings, 2)]
    if plan.families == "reference":
        pairs = [(b, a) for b, a in pairs if a == bindings[0]]
    wanted = tuple(plan.contrast)
    if len(wanted) == 2 and set(wanted) <= set(bindings):
        others = [pair for pair in pairs if set(pair) != set(wanted)]
        at = next((i for i, pair in enumerate(pairs) if set(pair) == set(wanted)), 0)
        pairs = [*others[:at], (wanted[0], wanted[1]), *others[at:]]
    cell = {(b, o): i for i, (b, o) in enumerate(zip(
        cells.labels["binding"], cells.labels["opening"], strict=True
    ))}  # fmt: skip
    order = list(dict.fromkeys(cells.labels["opening"]))
    labels = [{"term": f"{a} - {b}", "opening": o} for a, b in pairs for o in order]
    rows = [cells.rows[cell[a, o]] - cells.rows[cell[b, o]] for a, b in pairs for o in order]
    return Functions(pd.DataFrame(labels), np.array(rows))


def _days(settings: Settings, name: str) -> float:
    opening = settings.opening(name)
    if opening is None:
        raise NoAnswer(
            found=say("refused.not_planned", opening=repr(name)),
            expected=say("refused.not_planned_expected"),
            remedy=say("refused.not_planned_remedy"),
        )
    return opening.days


def told(
    fit: Fit,
    functions: Functions,
    response: Response,
    *,
    kind: Literal["mean", "effect"],
    level: float,
    by: str | None = None,
    joint: bool = False,
) -> Table:
    """Estimate functions and tell them on the reader's scale.

    Parameters
    ----------
    kind : {"mean", "effect"}
        A logarithm of a mean is told as a median, a difference of logarithms as a ratio.
    level : float
        Confidence level.
    by : str, optional
        Column whose values each form a family of their own for simultaneous intervals.
    joint : bool
        All functions form one family; one function alone needs no simultaneous interval.
    """
    if by is None:
        several: Literal["simultaneous"] | None = None
        if joint and len(functions) > 1:
            several = "simultaneous"
        table = contrasts(fit, functions, family=several, level=level)
        return _on_scale(table, response, kind)
    parts, notes = [], []
    for value in dict.fromkeys(functions.labels[by]):
        family = functions.where((functions.labels[by] == value).to_numpy())
        table = contrasts(fit, family, family="simultaneous", level=level)
        parts.append(table.frame)
        notes += [say("compared.note_of", what=value, note=note) for note in table.notes]
    whole = Table(pd.concat(parts, ignore_index=True), notes=tuple(dict.fromkeys(notes)))
    return _on_scale(whole, response, kind)


def told_at_openings(
    fit: Fit, wanted: Comparison, response: Response, *, openings: Collection[str], level: float
) -> tuple[Table, Table]:
    """Tell adjusted means and differences at each opening.

    Parameters
    ----------
    openings : collection of str
        The openings modelled. Those of one comparison are a family; with one opening the
        comparisons there are.
    level : float
        Confidence level.

    Returns
    -------
    means, differences : Table
    """
    means = Table(pd.DataFrame())
    if len(wanted.means):
        means = told(fit, wanted.means, response, kind="mean", level=level)
    by = "term" if len(openings) > 1 else "opening"
    differences = told(fit, wanted.differences, response, kind="effect", by=by, level=level)
    label = response.label
    said = say("compared.at_openings", label=label, effect=response.effect_word)
    return (
        replace(means, title=say("compared.means", label=label, unit=response.level_unit)),
        replace(differences, title=said),
    )


def _on_scale(table: Table, response: Response, kind: Literal["mean", "effect"]) -> Table:
    """Back-transform a logarithmic model's estimates; the tests stay on the logarithmic scale."""
    frame = table.frame.copy()
    if kind == "mean":
        # That a mean is zero, or a median one unit, is nobody's question.
        frame = frame.drop(columns=["statistic", "p_value"])
    if response.scale == "identity":
        frame["unit"] = response.unit if kind == "effect" else response.level_unit
        frame["scale"] = response.effect if kind == "effect" else kind
        return replace(table, frame=frame)
    limits = [c for c in ("conf_low", "conf_high", "sim_low", "sim_high") if c in frame]
    with np.errstate(over="ignore"):  # an interval on next to no df may reach to infinity
        frame["std_error"] *= np.exp(frame["estimate"])
        frame[["estimate", *limits]] = np.exp(frame[["estimate", *limits]])
    frame["unit"] = response.level_unit if kind == "mean" else ""
    frame["scale"] = "median" if kind == "mean" else "ratio"
    return replace(table, frame=frame, notes=(*table.notes, say("compared.back")))
