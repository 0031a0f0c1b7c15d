"""Keys that a problem was named for already: what follows from it is not named again."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from typing import Final

from silagetrial.errors import Problem

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
    """Return the keys that problems are about, and those whose checks rest on them."""
    keys = {problem.column for problem in problems if problem.column is not None}
    return frozenset(keys | {follow for key in keys for follow in _FOLLOW.get(key, ())})
