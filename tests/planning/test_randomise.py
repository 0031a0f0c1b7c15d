"""Balanced draws: each item once a block, each unit uniform in spite of the balance."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import stats

from silagetrial.planning.randomise import deal, permuted, streams

LEAST_P = 1e-4
"""A fixed seed: a p this small would be no accident, and the same one tomorrow."""


def uniform_p(counts: Counter[object], possible: int) -> float:
    observed = [*counts.values(), *[0] * (possible - len(counts))]
    return float(stats.chisquare(observed).pvalue)


@given(
    sizes=st.lists(st.integers(0, 9), min_size=1, max_size=6),
    items=st.integers(1, 5),
    seed=st.integers(0, 10_000),
)
@settings(deadline=None)
def test_deal_is_balanced_within_and_over_strata(sizes: list[int], items: int, seed: int) -> None:
    strata = [name for name, size in enumerate(sizes) for _ in range(size)]
    dealt = deal(permuted, np.random.default_rng(seed), range(items), strata=strata)
    assert len(dealt) == len(strata)
    for name in set(strata):
        mine = [item for item, stratum in zip(dealt, strata, strict=True) if stratum == name]
        for start in range(0, len(mine), items):
            block = mine[start : start + items]
            assert len(set(block)) == len(block), "an item twice in one block"
    every = [dealt.count(item) for item in range(items)]
    assert max(every) - min(every) <= 1


def test_deal_mixes_strata_that_alternate() -> None:
    dealt = deal(permuted, np.random.default_rng(1), "ab", strata=[0, 1, 0, 1, 0, 1, 0, 1])
    assert Counter(dealt[::2]) == Counter(dealt[1::2]) == Counter("aabb")


def test_deal_of_nothing_is_nothing() -> None:
    assert deal(permuted, np.random.default_rng(1), "ab", strata=[]) == []


@pytest.mark.parametrize("unit", range(5))
def test_every_unit_gets_each_item_equally_often(unit: int) -> None:
    """Also the last unit of a stratum, and the first of the next that shares its block."""
    strata = [0, 0, 0, 0, 1]
    counts: Counter[object] = Counter(
        deal(permuted, np.random.default_rng([7, seed]), "abc", strata=strata)[unit]
        for seed in range(3000)
    )
    assert uniform_p(counts, 3) > LEAST_P


def test_streams_are_the_same_for_a_seed_and_differ_from_each_other() -> None:
    first, again = streams(5), streams(5)
    draws = {name: rng.integers(2**62) for name, rng in first.items()}
    assert draws == {name: rng.integers(2**62) for name, rng in again.items()}
    assert len(set(draws.values())) == len(draws)
    assert streams(6)["order"].integers(2**62) != draws["order"]
