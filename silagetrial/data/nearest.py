"""The known name nearest to an unknown one, for the remedy of a problem.

A word of the files' own language (a column, a key, a binding) is suggested by likeness. The name of
a thing on the farm is not: bales 12 and 13 are as alike as names can be, and a suggestion taken
would move a result to another bale. There only a slip of the pen is suggested.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable
from difflib import get_close_matches
from functools import lru_cache

__all__ = ["did_you_mean", "name_key", "nearest", "nearest_name", "suggestion"]


def nearest(word: str, known: Iterable[str]) -> str | None:
    """Return the known word most like `word`, case ignored and digits the same, or None."""
    by_lower = {item.lower(): item for item in known if _digits(item) == _digits(word)}
    close = get_close_matches(word.strip().lower(), by_lower, n=1, cutoff=0.7)
    return by_lower[close[0]] if close else None


def nearest_name(name: str, known: Iterable[str], *, used: Collection[str]) -> str | None:
    """Return the one known name that `name` is most likely a slip of, or None.

    Parameters
    ----------
    name : str
        A name that is not known.
    known : iterable of str
        The names there are.
    used : collection of str
        Names that the same table uses in another line: these were meant there, and only a
        difference in case, separators or leading zeros can mean them here as well.

    Returns
    -------
    str or None
        None also where several names are equally near.
    """
    known = tuple(known)
    key = name_key(name)
    alike = [item for item in known if name_key(item) == key]
    if not alike:
        alike = [item for item in known if item not in used and _one_slip(name, item)]
    return alike[0] if len(alike) == 1 else None


@lru_cache(maxsize=65536)
def name_key(name: str) -> tuple[str, ...]:
    """Return what is left of a name without case, separators and leading zeros."""
    words = re.findall(r"\d+|[^\W\d_]+", name.casefold())
    return tuple(word.lstrip("0") or "0" if word.isdecimal() else word for word in words)


def suggestion(close: str | None, *, otherwise: str) -> str:
    """Return a remedy: ``did you mean x?`` where there is a near one, else `otherwise`."""
    return otherwise if close is None else f"did you mean {close!r}? If not, {otherwise}"


def did_you_mean(word: str, known: Iterable[str], *, otherwise: str) -> str:
    """Return the remedy for an unknown word of the files' own language."""
    return suggestion(nearest(word, known), otherwise=otherwise)


def _digits(word: str) -> list[str]:
    return re.findall(r"\d+", word)


def _one_slip(name: str, other: str) -> bool:
    """Tell whether one letter more, less or other, or two exchanged, makes one of the other."""
    a, b = sorted((name.casefold(), other.casefold()), key=len)
    if a == b or len(b) - len(a) > 1 or len(a) < 2:
        return False
    start = next((k for k, (x, y) in enumerate(zip(a, b, strict=False)) if x != y), len(a))
    if len(a) < len(b):
        return a[start:] == b[start + 1 :]
    exchanged = a[start : start + 2] == b[start : start + 2][::-1]
    return a[start + 1 :] == b[start + 1 :] or (exchanged and a[start + 2 :] == b[start + 2 :])
