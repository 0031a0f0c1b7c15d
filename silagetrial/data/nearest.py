"""The known name nearest to an unknown one, for the remedy of a problem."""

from __future__ import annotations

from collections.abc import Iterable
from difflib import get_close_matches

__all__ = ["did_you_mean", "nearest"]


def nearest(name: str, known: Iterable[str]) -> str | None:
    """Return the known name most like `name`, upper and lower case taken as one, or None."""
    by_lower = {item.lower(): item for item in known}
    close = get_close_matches(name.strip().lower(), by_lower, n=1, cutoff=0.7)
    return by_lower[close[0]] if close else None


def did_you_mean(name: str, known: Iterable[str], *, otherwise: str) -> str:
    """Return a remedy: ``did you mean x?`` where a known name is near, else `otherwise`."""
    close = nearest(name, known)
    return otherwise if close is None else f"did you mean {close!r}? If not, {otherwise}"
