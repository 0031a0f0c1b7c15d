"""Bales that will be lost: layouts with holes, drawn so that few of them stand for all.

Each bale is lost with the same probability, independently.  Power with losses is the mean over
drawn layouts, each taken with the holes it has, so that a bale without its partner still counts
for what it tells.  Over the draws every bale is lost equally often (a Latin hypercube), which
leaves the mean little Monte Carlo error.  Bales lost because of what they would have shown are
another matter: that is for simulation.
"""

from __future__ import annotations

import numpy as np

from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.planning.plan import Plan
from silagetrial.planning.structure import Sized

__all__ = ["DRAWS", "holes", "masks"]

DRAWS = 32
"""Layouts with holes that are drawn."""


def masks(sized: Sized, plan: Plan, pairs: tuple[int, ...]) -> Bools | None:
    """Rows that are there, in one layout, or in each drawn one where losses are expected.

    Parameters
    ----------
    sized : Sized
        With at least `pairs` pairs on each site.
    plan : Plan
        Share lost, spare pairs, seed.
    pairs : tuple of int

    Returns
    -------
    (1 or DRAWS, n) bool array or None
        None: all rows.
    """
    first = {site: sized.pair[sized.site == site].min() for site in range(len(pairs))}
    place = sized.pair - np.array([first[site] for site in range(len(pairs))])[sized.site]
    inside = place < np.array(pairs)[sized.site]
    if plan.lost == 0:
        return None if inside.all() else inside[None]
    bindings = len(plan.settings.compare)
    of_binding = sized.bale % bindings
    there = np.zeros((DRAWS, sized.design.n), dtype=bool)
    for site, count in enumerate(pairs):
        spare = plan.sites[site].spare_pairs
        kept = _kept(plan, site, count, spare)
        rows = np.flatnonzero(inside & (sized.site == site))
        there[:, rows] = kept[:, place[rows], of_binding[rows]]
    return there


def holes(sized: Sized, plan: Plan) -> Bools | None:
    """Rows that are there in a layout that was drawn, (DRAWS, n); spare pairs are not in it."""
    if plan.lost == 0:
        return None
    left: Bools = _uniform(plan.seed, 0, int(sized.bale.max()) + 1) >= plan.lost
    return left[:, sized.bale]


def _kept(plan: Plan, site: int, pairs: int, spare: int) -> Bools:
    """Bales that are left of each pair, (draws, pairs, bindings); spare pairs step in whole."""
    bindings = len(plan.settings.compare)
    left = _uniform(plan.seed, site, (pairs + spare) * bindings) >= plan.lost
    left = left.reshape(DRAWS, pairs + spare, bindings)
    kept, whole = left[:, :pairs], np.asarray(left.min(axis=2))
    stand_ins = whole[:, pairs:].sum(axis=1)
    broken = ~whole[:, :pairs]
    replaced = broken & (np.cumsum(broken, axis=1) <= stand_ins[:, None])
    found: Bools = kept | replaced[:, :, None]
    return found


def _uniform(seed: int, site: int, bales: int) -> Floats:
    """Uniform numbers, (draws, bales), one in each of `DRAWS` equal parts for every bale."""
    rng = np.random.default_rng([seed, site])
    stratum = rng.permuted(np.tile(np.arange(DRAWS), (bales, 1)), axis=1)
    within = np.random.default_rng([seed, site, 1]).random((bales, DRAWS))
    return np.asarray((stratum + within).T / DRAWS)
