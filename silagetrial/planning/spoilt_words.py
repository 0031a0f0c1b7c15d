"""What would spoil a comparison, beside its power: power is no use where bales are not alike."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from silagetrial.planning.layout import plan_trial
from silagetrial.planning.plan import Plan

__all__ = ["spoilt_words"]

_OF_SIZE: Final = ("layout.pairs", "sites", "sites.pairs", "layout.spare_pairs")
"""Keys of warnings that a power tells already."""


def spoilt_words(plan: Plan, *, pairs: int | None = None) -> tuple[str, ...]:
    """Return a line for each thing that would spoil the comparison, whatever its size.

    Parameters
    ----------
    plan : Plan
    pairs : int, optional
        Pairs of each farm; the plan's, when left out.
    """
    if pairs is not None:
        plan = replace(plan, sites=tuple(replace(site, pairs=pairs) for site in plan.sites))
    lines = []
    for problem in plan_trial(plan).warnings:
        error = problem.severity == "error"
        if error or problem.column not in _OF_SIZE:
            first = "Would spoil the comparison" if error else "May spoil the comparison"
            lines.append(f"{first}: {problem.found}. What to do: {problem.remedy}.")
    return tuple(lines)
