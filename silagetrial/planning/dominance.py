"""Which source of variation decides how sure a trial will be, and what less of it would buy."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

import numpy as np
import pandas as pd

from silagetrial.display.phrases import block_word
from silagetrial.display.table import Table
from silagetrial.mixed.covariance import Floats
from silagetrial.planning.assumptions import COMPONENTS, components, response_planned
from silagetrial.planning.cases import Source, case_of
from silagetrial.planning.curves import on_side
from silagetrial.planning.many import Asked, answers, asked
from silagetrial.planning.pairs import pairs_needed
from silagetrial.planning.plan import Assumption, Plan, Spread
from silagetrial.planning.plan_keys import SPREADS
from silagetrial.planning.planned_test import Effect
from silagetrial.planning.power import detectable_difference, power

__all__ = ["SCALES", "dominance", "sensitivity"]

SCALES: Final = (0.5, 1.0, 2.0)
"""Multiples of all variances in the sensitivity table."""

_WITHIN: Final = "within"
_WORDS: Final = {
    **SPREADS,
    "site:binding": SPREADS["effect_between_sites"],
    _WITHIN: "between samples of a bale and their analyses",
}


@dataclass(frozen=True)
class _Part:
    """One source: its name, its share, and all variances with this one halved."""

    name: str
    variance: float
    share: float
    halved: Floats


def dominance(
    plan: Plan,
    *,
    response: str | None = None,
    effect: Effect = None,
    spread: Source = None,
    target: float | None = None,
) -> Table:
    """Return the share of each source in the variance of the planned contrast.

    Parameters
    ----------
    plan, response, effect, spread, target
        As in `pairs_needed`.

    Returns
    -------
    Table
        ``source what variance share pairs saved``, the largest share first: the variance assumed,
        on the scale of the model; its share in the contrast's variance; pairs needed on each site
        with this variance halved; and how many fewer than without. Missing where more pairs than
        were searched are needed.

    Notes
    -----
    The variance V of the contrast is homogeneous in the variances s assumed, so that
    ``V = sum of s dV/ds`` (Euler): each term over V is a share, and the shares sum to 1. Samples
    and analyses, which the model cannot tell apart, divide theirs by their variances.
    """
    ready = asked(case_of(plan, response, None, effect, spread, None))
    given = ready.question.response.name
    parts = sorted(_parts(ready), key=lambda part: -part.share)

    def needed(variances: Floats) -> float:
        """Pairs needed at these variances; NaN where none searched suffice."""
        found = pairs_needed(
            plan, response=given, effect=effect, spread=variances, target=target
        ).pairs
        return math.nan if found is None else float(found)

    now = needed(ready.variances)
    rows = []
    for part in parts:
        pairs = needed(part.halved) if part.share > 0 else now
        rows.append((part.name, _WORDS[part.name], part.variance, part.share, pairs, now - pairs))
    columns = ["source", "what", "variance", "share", "pairs", "saved"]
    block = block_word(plan.settings.compare)
    return Table(
        pd.DataFrame(rows, columns=columns),
        title="What decides how sure the answer is",
        notes=_notes(ready, now, block=block),
        formats={"share": ".0%", "variance": ".3g", "pairs": ".0f", "saved": ".0f"},
        labels={
            "what": "variation",
            "share": "share of the uncertainty",
            "pairs": f"{block}s on each farm if halved",
            "saved": f"{block}s saved",
        },
    )


def _notes(ready: Asked, now: float, *, block: str) -> tuple[str, ...]:
    scale = "logarithms" if ready.question.response.scale == "log" else "the response's unit"
    first = (
        f"{now:.0f} {block}s are needed on each farm with the variances assumed."
        if math.isfinite(now)
        else f"With the variances assumed more {block}s are needed than were searched."
    )
    return (first, f"Variances on the scale of the model ({scale}, squared).")


def _parts(ready: Asked) -> Iterator[_Part]:
    """Yield every source that is there, with its share."""
    known = answers([ready])[0]
    there = np.isfinite(known.std_error)
    terms = ready.variances * known.gradient[there].mean(axis=0)
    # Rounding may leave a source that does not enter below 0.
    shares = np.maximum(terms, 0.0) / np.maximum(terms, 0.0).sum()
    for k, name in enumerate(COMPONENTS[:-1]):
        if ready.variances[k] > 0:
            halved = ready.variances.copy()
            halved[k] /= 2
            yield _Part(name, float(ready.variances[k]), float(shares[k]), halved)
    yield from _within(ready, float(shares[-1]))


def _within(ready: Asked, share: float) -> Iterator[_Part]:
    """Divide what lies within a bale into samples and analyses, where the plan tells them apart."""
    plan, response = ready.plan, ready.question.response
    spread = plan.assumptions.get(response.name, Assumption()).spread
    variance = float(ready.variances[-1])
    parts = {
        "core": _variance(spread.core, scale=response.scale),
        "laboratory": _variance(spread.laboratory, scale=response.scale) / plan.laboratory.analyses,
    }
    total = sum(parts.values())
    if total == 0 and variance > 0:
        halved = ready.variances.copy()
        halved[-1] /= 2
        yield _Part(_WITHIN, variance, share, halved)
    for name, part in parts.items():
        if part > 0 and variance > 0:
            smaller = components(_halved(spread, name, response.scale), response, plan.laboratory)
            before = components(spread, response, plan.laboratory)
            halved = ready.variances.copy()
            # In proportion: variances from a finished report need not be those of the plan.
            halved[-1] *= smaller[-1] / before[-1]
            yield _Part(name, variance * part / total, share * part / total, halved)


def _variance(spread: float, *, scale: str) -> float:
    return math.log1p(spread**2) if scale == "log" else spread**2


def _halved(spread: Spread, name: str, scale: str) -> Spread:
    """Halve one variance, on the scale of the model."""
    half = _variance(getattr(spread, name), scale=scale) / 2
    return replace(spread, **{name: math.sqrt(math.expm1(half) if scale == "log" else half)})


def sensitivity(
    plan: Plan,
    *,
    response: str | None = None,
    effect: Effect = None,
    spread: Source = None,
    target: float | None = None,
) -> Table:
    """Return power, pairs and detectable difference with all variances halved and doubled.

    Parameters
    ----------
    plan, response, effect, spread, target
        As in `pairs_needed`.

    Returns
    -------
    Table
        ``variances power pairs detectable half_width``: the multiple of all variances, power of
        the plan, pairs needed on each site, the difference (or ratio) shown with the power wanted,
        and half the width of the interval.
    """
    ready = asked(case_of(plan, response, None, effect, spread, None))
    name, block = ready.question.response.name, block_word(plan.settings.compare)
    rows = []
    for scale in SCALES:
        variances = ready.variances * scale
        found = power(plan, response=name, effect=effect, spread=variances)
        needed = pairs_needed(plan, response=name, effect=effect, spread=variances, target=target)
        seen = detectable_difference(plan, response=name, spread=variances, target=target)
        size = on_side(seen, ready.question.difference)
        pairs = math.nan if needed.pairs is None else needed.pairs
        rows.append((_SCALE_WORDS[scale], found.power, pairs, size, found.half_width))
    word = response_planned(plan, response).effect
    return Table(
        pd.DataFrame(rows, columns=["variances", "power", "pairs", "detectable", "half_width"]),
        title="If the assumptions are wrong",
        notes=("All variances together; a variance is the square of a standard deviation.",),
        formats={"power": ".2f", "pairs": ".0f", "detectable": ".3g", "half_width": ".3g"},
        labels={
            "power": "power of the plan",
            "pairs": f"{block}s needed on each farm",
            "detectable": f"{word} shown with the power wanted",
            "half_width": "half-width of the interval",
        },
    )


_SCALE_WORDS: Final = {0.5: "halved", 1.0: "as assumed", 2.0: "doubled"}
