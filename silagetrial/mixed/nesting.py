"""Groupings of rows: which lie within which, and where each random term is absorbed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from silagetrial.mixed.covariance import Ints, RandomTerm

__all__ = ["cheapest", "homes", "longest_chain", "nested"]


def nested(inner: Ints, outer: Ints) -> bool:
    """Whether every level of ``inner`` lies in one level of ``outer``."""
    owner = np.zeros(inner.max(initial=-1) + 1, dtype=np.int64)
    owner[inner] = outer
    return bool((owner[inner] == outer).all())


def _pairs_of(first: Ints, second: Ints) -> Ints:
    """Return the distinct pairs of two groupings, each as one number, in order of the first."""
    pairs: Ints = np.unique(first * (second.max() + 1) + second)
    return pairs


def longest_chain(groupings: Sequence[Ints]) -> list[Ints]:
    """Return the longest chain of nested groupings, finest first; ties to the finer."""
    distinct: list[Ints] = []
    for codes in sorted(groupings, key=lambda c: -len(np.unique(c))):
        if not any(nested(codes, d) and nested(d, codes) for d in distinct):
            distinct.append(codes)
    best: list[list[int]] = []
    for i, codes in enumerate(distinct):
        below = [best[j] for j in range(i) if nested(distinct[j], codes)]
        best.append([*max(below, key=len, default=[]), i])
    return [distinct[i] for i in max(best, key=len, default=[])]


PASS, TOUCH = 20_000, 20
"""Cost of one more level, and of touching an entry, in multiplications: set so that small blocks
take all their levels at once, where the calls would cost more than the products."""


def cheapest(chain: list[Ints], terms: Sequence[RandomTerm], *, width: int) -> list[Ints]:
    """Drop fine levels whose columns are absorbed sooner together with a coarser one's."""

    def cost(cut: int) -> float:
        """Work of absorbing with the chain cut here."""
        at_home, crossed = homes(terms, chain[cut:])
        widths = [
            sum(_most_within(codes, term.codes) * term.z.shape[1] for term in home)
            for codes, home in zip(chain[cut:], at_home, strict=True)
        ]
        tail = width + sum(len(term.levels) for term in crossed)
        total = 0.0
        for i, codes in enumerate(chain[cut:]):
            columns = sum(widths[i:]) + tail
            total += PASS + len(np.unique(codes)) * columns**2 * (widths[i] + TOUCH)
        return total

    return chain[min(range(len(chain)), key=cost, default=0) :]


def _most_within(outer: Ints, inner: Ints) -> int:
    """Return the largest number of levels of ``inner`` within a level of ``outer``."""
    outer_of, _ = np.divmod(_pairs_of(outer, inner), inner.max() + 1)
    return int(np.bincount(outer_of).max())


def homes(
    terms: Sequence[RandomTerm], chain: Sequence[Ints]
) -> tuple[list[list[RandomTerm]], list[RandomTerm]]:
    """Give each term the finest level of the chain it is nested in; the rest are crossed."""
    found: list[list[RandomTerm]] = [[] for _ in chain]
    crossed: list[RandomTerm] = []
    for term in terms:
        level = next((i for i, codes in enumerate(chain) if nested(term.codes, codes)), None)
        (crossed if level is None else found[level]).append(term)
    return found, crossed
