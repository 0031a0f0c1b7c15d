"""The rows of a layout before anything is drawn: what power by formula is computed from.

What randomisation decides (order, store, laboratory code) does not enter the model; what it
balances (openings over the pairs of a site, levels of further factors) is balanced here by turns.
"""

from __future__ import annotations

import numpy as np
import pandas as pd

from silagetrial.planning.plan import Plan

__all__ = ["fewest_in_a_cell", "pairs_of", "planned_rows"]

MODELLED = (
    "bale", "pair", "lot", "site", "field", "cut", "crop", "additive", "run", "order", "binding",
    "baler", "laboratory", "batch", "year", "opening",
)  # fmt: skip


def pairs_of(plan: Plan, pairs: int | tuple[int, ...] | None = None) -> tuple[int, ...]:
    """Return the pairs of each site: the plan's, as many on each, or as given."""
    if pairs is None:
        return tuple(site.pairs for site in plan.sites)
    return pairs if isinstance(pairs, tuple) else (pairs,) * len(plan.sites)


def fewest_in_a_cell(plan: Plan, pairs: tuple[int, ...]) -> int:
    """Fewest pairs of a site in a cell: an opening, a level of each factor, a place in a run."""
    cells = int(np.prod([len(factor.levels) for factor in plan.factors], dtype=int))
    cells *= plan.switch_every
    if plan.settings.design == "separate":
        cells *= max(1, len(plan.settings.openings))
    return min(pairs) // cells


def planned_rows(plan: Plan, pairs: tuple[int, ...]) -> pd.DataFrame:
    """Return one row for each result, with everything that `choose_model` looks at.

    Parameters
    ----------
    plan : Plan
    pairs : tuple of int
        Pairs of each site.

    Returns
    -------
    pandas.DataFrame
        The columns of the modelled rows and ``place``, the number of the pair within its site:
        the rows of the first k places are the rows of a layout with k pairs.  Samples of a bale
        at one opening, and analyses of a sample, are averaged: one row.
    """
    settings = plan.settings
    names = np.array([opening.name for opening in settings.openings], dtype=object)
    bindings = np.array(settings.compare, dtype=object)
    site = np.repeat(np.arange(len(pairs)), pairs)
    place = np.concatenate([np.arange(count) for count in pairs])
    recored = settings.design == "recored"
    times = len(names) if recored else 1
    each = len(bindings) * times
    pair = np.repeat(np.arange(len(site)), each)
    binding = np.tile(np.repeat(np.arange(len(bindings)), times), len(site))
    # Sites start at different openings, so that a rest is spread over them.
    at = np.tile(np.arange(times), len(site) * len(bindings))
    opening = at if recored else ((place + site) % len(names))[pair]
    chunk = place[pair] // plan.switch_every
    labels = np.array([each_site.label for each_site in plan.sites], dtype=object)[site][pair]
    frame = pd.DataFrame(
        {
            "bale": _numbered("b", pair * len(bindings) + binding),
            "pair": _numbered("p", pair),
            "lot": labels,
            "site": np.array([s.name for s in plan.sites], dtype=object)[site][pair],
            "cut": np.array([s.cut for s in plan.sites], dtype=object)[site][pair],
            "binding": bindings[binding],
            "opening": names[opening],
            "place": place[pair],
        }
    ).reindex(columns=[*MODELLED, "place"])
    if plan.switch_every > 1:
        runs = (site[pair] * (chunk.max() + 1) + chunk) * len(bindings) + binding
        frame["run"] = _numbered("r", runs)
    turn = place if recored else place // len(names)
    for factor in plan.factors:
        levels = np.array(factor.levels, dtype=object)
        frame[factor.column] = levels[turn % len(levels)][pair]
        turn = turn // len(levels)
    return frame


def _numbered(letter: str, numbers: np.ndarray) -> list[str]:
    return [f"{letter}{number}" for number in numbers.tolist()]
