"""Bales that simulated trials lose, and the spare pairs that step in."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt
from scipy import optimize, special

from silagetrial.mixed.covariance import Bools, Floats, Ints
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.truth import Truth

__all__ = ["draw_losses"]


def draw_losses(
    grid: Grid, truth: Truth, bale: Floats, rng: np.random.Generator
) -> tuple[Bools, Bools | None]:
    """Draw which bales are lost.

    Parameters
    ----------
    grid : Grid
    truth : Truth
        The share lost, how it depends on spoilage, and the spare pairs of each site.
    bale : (T, n) array
        What decides where worse bales are lost more often.
    rng : numpy.random.Generator

    Returns
    -------
    (T, n) bool array
        Rows that are left.
    (T, n) bool array or None
        Rows of pairs that a spare pair stands in for; they are left. None: no spare pairs.
    """
    first = _first_rows(grid.bale)
    chance: float | Floats = truth.lost
    if truth.spoilage != 0:
        z = bale[:, first]
        z = (z - z.mean()) / max(float(z.std()), 1e-300)
        chance = special.expit(_odds(truth.lost, truth.spoilage) + truth.spoilage * z)
    gone = rng.random((len(bale), len(first))) < chance
    # A bale that is cored again and again is gone from a random opening on.
    when = rng.integers(0, len(grid.days), gone.shape) if grid.recored else np.zeros_like(gone)
    left = ~(gone[:, grid.bale] & (grid.opening >= when[:, grid.bale]))
    if not any(truth.spare):
        return left, None
    replaced = _stand_ins(grid, truth, gone, rng)[:, grid.pair]
    return left | replaced, replaced


def _stand_ins(grid: Grid, truth: Truth, gone: Bools, rng: np.random.Generator) -> Bools:
    """Pairs that a whole spare pair of their site stands in for, (T, pairs), in order of pairs."""
    pairs = int(grid.pair.max()) + 1
    of_bale = grid.pair[_first_rows(grid.bale)]
    broken = np.zeros((len(gone), pairs), dtype=bool)
    for bale, pair in enumerate(of_bale):
        broken[:, pair] |= gone[:, bale]
    site_of = grid.site[_first_rows(grid.pair)]
    whole = (1.0 - truth.lost) ** (int(grid.binding.max()) + 1)
    found = np.zeros_like(broken)
    for site in range(int(site_of.max()) + 1):
        here = np.flatnonzero(site_of == site)
        spare = truth.spare[min(site, len(truth.spare) - 1)]
        there = rng.binomial(spare, whole, size=len(gone))
        found[:, here] = broken[:, here] & (broken[:, here].cumsum(axis=1) <= there[:, None])
    return found


def _first_rows(units: Ints) -> npt.NDArray[np.intp]:
    return np.unique(units, return_index=True)[1]


def _odds(lost: float, slope: float) -> float:
    """Log odds at the mean so that, over normal deviates, the share asked for is lost."""
    node, weight = np.polynomial.hermite_e.hermegauss(60)
    weight = weight / weight.sum()

    def excess(at: float) -> float:
        """Share lost at these odds, less the one wanted."""
        return float(weight @ special.expit(at + slope * node)) - lost

    return float(optimize.brentq(excess, -50.0 - 10 * abs(slope), 50.0 + 10 * abs(slope)))
