"""Balanced draws: everything a layout leaves to chance comes from here.

Every draw treats all items alike, so that each unit is as likely to get one item as any other, in
spite of the balance.
"""

from __future__ import annotations

from collections.abc import Callable, Hashable, Sequence
from typing import Final, TypeVar

import numpy as np

__all__ = ["STREAMS", "deal", "permuted", "streams"]

S = TypeVar("S", bound=Hashable)
T = TypeVar("T", bound=Hashable)

STREAMS: Final = (
    "openings", "factors", "order", "stores", "opening_day", "codes", "batches", "controls",
    "weighings",
)  # fmt: skip
"""Names of the parts drawn, each with random numbers of its own."""


def streams(seed: int) -> dict[str, np.random.Generator]:
    """Return a generator for each part of the layout.

    One part more or less (another laboratory, say) leaves the draws of the others as they were.
    """
    children = np.random.SeedSequence(seed).spawn(len(STREAMS))
    return {
        name: np.random.default_rng(child) for name, child in zip(STREAMS, children, strict=True)
    }


def permuted(rng: np.random.Generator, items: Sequence[T]) -> list[T]:
    """Return the items in random order, each order equally likely."""
    return [items[int(k)] for k in rng.permutation(len(items))]


def deal(
    draw: Callable[[np.random.Generator, Sequence[S]], list[T]],
    rng: np.random.Generator,
    items: Sequence[S],
    *,
    strata: Sequence[Hashable],
) -> list[T]:
    """Deal items to units in their order, balanced within strata.

    Parameters
    ----------
    draw : callable
        Draws one block from `rng` and the items, as `permuted`: each item once, in random order.
    rng : numpy.random.Generator
    items : sequence
    strata : sequence
        Stratum of each unit.

    Returns
    -------
    list
        An item for each unit. Within a stratum consecutive units form blocks that hold each item
        once; its last units, too few for a block, get different items, and over the strata these
        are in balance as well: of all of them together, too, consecutive ones form blocks.
    """
    if not strata:
        return []
    queue = draw(rng, items)
    size = len(queue)
    members: dict[Hashable, list[int]] = {}
    for unit, stratum in enumerate(strata):
        members.setdefault(stratum, []).append(unit)
    dealt: dict[int, T] = {}
    for units in members.values():
        whole = len(units) - len(units) % size
        for start in range(0, whole, size):
            dealt.update(zip(units[start : start + size], draw(rng, items), strict=True))
        mine: list[T] = []
        for unit in units[whole:]:
            if not queue:
                # What this stratum has already goes last, so that it never gets it twice.
                queue = sorted(draw(rng, items), key=lambda item: item in mine)
            mine.append(queue.pop(0))
            dealt[unit] = mine[-1]
    return [dealt[unit] for unit in range(len(strata))]
