"""Pairs whose bales went to two laboratories: what differs between these is not the binding."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

__all__ = ["without_split_pairs"]


def without_split_pairs(
    rows: Sequence[dict[str, Any]],
) -> tuple[list[dict[str, Any]], list[dict[str, Any]]]:
    """Part the values of pairs that one laboratory analysed from those that two did.

    Parameters
    ----------
    rows : sequence of dict
        One a result, with ``pair``, ``opening`` and ``laboratory``.

    Returns
    -------
    list of dict, list of dict
        Those that can be compared within their pair, and the others. Where nothing would be left,
        all stay: that the laboratory tells the binding is then refused as such.
    """
    seen: dict[tuple[str, str], set[str]] = {}
    for row in rows:
        if isinstance(row["pair"], str) and isinstance(row["laboratory"], str):
            seen.setdefault((row["pair"], row["opening"]), set()).add(row["laboratory"])
    split = {key for key, laboratories in seen.items() if len(laboratories) > 1}
    kept = [row for row in rows if (row["pair"], row["opening"]) not in split]
    if not kept:
        return list(rows), []
    return kept, [row for row in rows if (row["pair"], row["opening"]) in split]
