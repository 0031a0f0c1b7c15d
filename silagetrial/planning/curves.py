"""Power and detectable difference over numbers of pairs: what the pictures of a plan show."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace
from typing import Final

import numpy as np
import pandas as pd

from silagetrial.display.phrases import MINUS, block_word
from silagetrial.errors import NoAnswer
from silagetrial.planning.cases import Source, case_of
from silagetrial.planning.many import Asked, Case, asked, powers
from silagetrial.planning.pairs import pairs_needed
from silagetrial.planning.plan import Plan
from silagetrial.planning.planned_test import Effect
from silagetrial.planning.power import detectable_difference
from silagetrial.planning.power_results import Detectable

__all__ = ["axis_of_pairs", "detectable_by_pairs", "on_side", "pairs_unit", "power_by_pairs"]

_POINTS: Final = 14
_SIZES: Final = (0.5, 1.0, 1.5)
"""Multiples of the effect assumed, on the scale of the model."""


def on_side(found: Detectable, difference: float | None) -> float:
    """Return the difference that can be seen on the side where one is assumed."""
    return found.other_side if difference is not None and difference < 0 else found.effect


def pairs_unit(plan: Plan) -> str:
    """Return what is counted along an axis of pairs."""
    block, sites = block_word(plan.settings.compare), len(plan.sites)
    return f"{block}s in all" if sites == 1 else f"{block}s in all, on {sites} farms alike"


def axis_of_pairs(plan: Plan, needed: int | None) -> tuple[int, ...]:
    """Return numbers of pairs of each site: from few to well past the plan and what is needed.

    Where each opening takes bales of its own, in whole rounds of openings.
    """
    step = max(1, len(plan.settings.openings)) if plan.settings.design == "separate" else 1
    planned = max(site.pairs for site in plan.sites)
    most = max(1.5 * planned, 1.3 * min(needed or 0, 4 * planned), 8 * step)
    first = step if step > 1 else 2
    counts = np.unique(np.round(np.linspace(first, most, _POINTS) / step).astype(int) * step)
    return tuple(int(count) for count in counts if count >= first)


def power_by_pairs(
    plan: Plan,
    *,
    response: str | None = None,
    effect: Effect = None,
    spread: Source = None,
    pairs: Sequence[int] | None = None,
) -> pd.DataFrame:
    """Return power over numbers of pairs for three effects, the middle one as assumed.

    Parameters
    ----------
    plan, response, effect, spread
        As in `power`.
    pairs : sequence of int, optional
        Of each site; from few to past what is needed, when left out.

    Returns
    -------
    pandas.DataFrame
        ``effect pairs power low high``: the effect in words; pairs in all; power; and for the
        effect assumed power with all variances doubled (`low`) and halved (`high`).
    """
    ready = asked(case_of(plan, response, None, effect, spread, None))
    name = ready.question.response.name
    if pairs is None:
        needed = pairs_needed(plan, response=name, effect=effect, spread=ready.variances).pairs
        pairs = axis_of_pairs(plan, needed)
    values = _three(ready)
    wanted = [(size, 1.0) for size in range(len(values))] + [(1, 2.0), (1, 0.5)]
    cases = [
        Case(plan, name, count, values[size], ready.variances * scale)
        for size, scale in wanted
        for count in pairs
    ]
    found = powers(cases).reshape(len(wanted), len(pairs))
    total = [count * len(plan.sites) for count in pairs]
    lines = []
    for size, label in enumerate(_words(ready, values)):
        lines.append(
            pd.DataFrame(
                {
                    "effect": label,
                    "pairs": total,
                    "power": found[size],
                    "low": found[3] if size == 1 else math.nan,
                    "high": found[4] if size == 1 else math.nan,
                }
            )
        )
    return pd.concat(lines, ignore_index=True).dropna(subset="power", ignore_index=True)


def _three(ready: Asked) -> tuple[float, float, float]:
    """Three effects in the user's terms: around the one assumed, or parts of the margin."""
    question = ready.question
    middle = question.difference or 0.0
    sizes = tuple(size * middle for size in _SIZES)
    if middle == 0.0 and math.isfinite(question.margin):
        sizes = (0.0, question.margin / 4, question.margin / 2)
    first, second, third = (question.shown(size) for size in sizes)
    return first, second, third


def _words(ready: Asked, values: Sequence[float]) -> tuple[str, ...]:
    """Name effects, with as many digits as it takes to tell them apart."""
    for digits in range(2, 7):
        texts = tuple(f"{value:.{digits}f}".replace("-", MINUS) for value in values)
        if len(set(texts)) == len(values):
            break
    return tuple(f"{ready.question.response.effect} {text}" for text in texts)


def detectable_by_pairs(
    plan: Plan,
    *,
    response: str | None = None,
    spread: Source = None,
    target: float | None = None,
    pairs: Sequence[int],
    side: float = 1.0,
) -> pd.DataFrame:
    """Return the difference shown with the power wanted over numbers of pairs.

    Parameters
    ----------
    plan, response, spread, target
        As in `detectable_difference`.
    pairs : sequence of int
        Of each site.
    side : float
        Below 0 for ratios below 1 and negative differences.

    Returns
    -------
    pandas.DataFrame
        ``pairs effect low high``: pairs in all; ratio or difference; the same with all
        variances halved (`low`) and doubled (`high`).
    """
    # Neither an effect nor a limit enters what could be seen: any will do.
    free = {
        name: replace(assumed, effect=(1.0,), limit=None)
        for name, assumed in plan.assumptions.items()
    }
    ready = asked(case_of(replace(plan, assumptions=free), response, None, None, spread, None))
    rows = []
    for count in pairs:
        try:
            found = [
                on_side(
                    detectable_difference(
                        plan,
                        response=ready.question.response.name,
                        pairs=count,
                        target=target,
                        spread=ready.variances * scale,
                    ),
                    side,
                )
                for scale in (1.0, 0.5, 2.0)
            ]
        except NoAnswer:
            continue
        rows.append((count * len(plan.sites), *found))
    return pd.DataFrame(rows, columns=["pairs", "effect", "low", "high"])
