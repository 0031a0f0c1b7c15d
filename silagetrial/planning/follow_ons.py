"""Keys that a problem was named for already: what follows from it is not named again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from silagetrial.data.nearest import nearest
from silagetrial.errors import Problem
from silagetrial.planning.plan_keys import PLAN_SECTIONS

__all__ = ["blamed"]

_FOLLOW: Final[Mapping[str, tuple[str, ...]]] = {
    "layout.pairs": ("sites.pairs",),
    "layout.spare_pairs": ("sites.spare_pairs",),
    "analysis.alpha": ("power.target",),
    "openings": ("analysis.opening",),
    "bindings.compare": ("bindings.reference", "analysis.contrast"),
}
"""Keys whose checks rest on another key."""


def blamed(problems: Iterable[Problem]) -> frozenset[str]:
    """Return the keys that problems are about, and those whose checks rest on them.

    A key that is not known stands for the one it is a slip of.
    """
    keys = set()
    for problem in problems:
        if problem.column is None:
            continue
        section, _, key = problem.column.rpartition(".")
        meant = nearest(key, PLAN_SECTIONS.get(section, ()))
        keys |= {problem.column, f"{section}.{meant}" if section and meant else problem.column}
    return frozenset(keys | {follow for key in keys for follow in _FOLLOW.get(key, ())})
