"""Draw trials of one layout from a truth: values on the scale of the model, and what is missing."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from silagetrial.mixed.covariance import Bools, Floats, Ints
from silagetrial.planning.draw_losses import draw_losses
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.truth import MassBalance, Truth
from silagetrial.silage.drymatter import dm_loss

__all__ = ["Drawn", "draw_trials"]


@dataclass(frozen=True)
class Drawn:
    """Simulated trials.

    Attributes
    ----------
    y : (T, n) array
        Values as the laboratory reports them, on the scale of the model.
    present : (T, n) bool array or None
        Results there are; None: all.
    below : (T, n) bool array or None
        Results below the limit; None: there is no limit.
    """

    y: Floats
    present: Bools | None
    below: Bools | None


def draw_trials(grid: Grid, truth: Truth, rng: np.random.Generator, count: int) -> Drawn:
    """Draw trials.

    Parameters
    ----------
    grid : Grid
    truth : Truth
    rng : numpy.random.Generator
    count : int
        Trials T.

    Returns
    -------
    Drawn
    """
    above = _above_pairs(grid, truth, rng, count)
    y, bale = _within_pairs(grid, truth, rng, count)
    present = None
    if truth.missing > 0:
        present = rng.random(y.shape) >= truth.missing
    if truth.lost > 0:
        left, replaced = draw_losses(grid, truth, bale + above, rng)
        if replaced is not None:
            # The pair that steps in has values of its own, which the loss knows nothing of.
            y = np.where(replaced, _within_pairs(grid, truth, rng, count)[0], y)
        present = left if present is None else present & left
    y += above
    if truth.balance is not None:
        y = _measured_loss(grid, y, truth.balance, rng)
    below = None
    if truth.limit is not None:
        below = y < truth.limit
        y = np.where(below, truth.substitute, y)
    return Drawn(y, present, below)


def _per_opening(values: tuple[float, ...], grid: Grid) -> Floats:
    return np.broadcast_to(np.asarray(values, dtype=float), (len(grid.days),))


def _growing(grid: Grid, truth: Truth) -> Floats:
    """Factor of the standard deviation of one bale's result, by row; its mean square is 1."""
    openings = len(grid.days)
    step = np.linspace(0.0, 1.0, openings) if openings > 1 else np.zeros(1)
    factor = truth.by_opening ** step[grid.opening] * truth.by_binding**grid.binding
    return np.asarray(factor / np.sqrt(np.mean(factor**2)))


def _deviates(rng: np.random.Generator, shape: tuple[int, ...], tails: float) -> Floats:
    """Deviates of variance 1: normal, or Student's t."""
    if np.isinf(tails):
        return rng.standard_normal(shape)
    return np.asarray(rng.standard_t(tails, shape) * np.sqrt((tails - 2.0) / tails))


def _above_pairs(grid: Grid, truth: Truth, rng: np.random.Generator, count: int) -> Floats:
    """Means, and what pairs have in common."""
    spread = truth.spread
    mean = _per_opening(truth.level, grid)[grid.opening]
    mean = mean + _per_opening(truth.effect, grid)[grid.opening] * (grid.binding == 1)
    crossed = grid.site * (int(grid.binding.max()) + 1) + grid.binding
    y = np.tile(mean, (count, 1))
    # The difference between two bindings varies by the SD asked for: each has 1/sqrt(2) of it.
    for units, sd in (
        (grid.site, spread.site),
        (crossed, spread.effect_between_sites / np.sqrt(2.0)),
        (grid.run, spread.run),
        (grid.batch, truth.batch),
    ):
        if sd > 0:
            y += sd * rng.standard_normal((count, int(units.max()) + 1))[:, units]
    return y


def _within_pairs(
    grid: Grid, truth: Truth, rng: np.random.Generator, count: int
) -> tuple[Floats, Floats]:
    """Return what pairs, bales and samples add, and the part of it that the bale itself makes."""
    spread, factor = truth.spread, _growing(grid, truth)
    y = np.zeros((count, len(grid.bale)))
    if spread.pair > 0:
        y += spread.pair * rng.standard_normal((count, int(grid.pair.max()) + 1))[:, grid.pair]
    own = np.zeros_like(y)
    if spread.bale > 0:
        effects = _deviates(rng, (count, int(grid.bale.max()) + 1), truth.tails)[:, grid.bale]
        own += spread.bale * effects * (1.0 if grid.recored else factor)
    if spread.core > 0:
        own += spread.core * factor * _cores(grid, truth, rng, count)
    y += own
    if spread.laboratory > 0:
        y += spread.laboratory * factor * rng.standard_normal(y.shape)
    return y, own


def _cores(grid: Grid, truth: Truth, rng: np.random.Generator, count: int) -> Floats:
    """Deviations of cores, of variance 1, correlated within a bale where the truth says so."""
    white = _deviates(rng, (count, len(grid.bale)), truth.tails)
    if truth.half_life == 0 or not grid.recored:
        return white
    out = np.empty_like(white)
    order = np.lexsort((grid.opening, grid.bale))
    starts = np.flatnonzero(np.diff(grid.bale[order], prepend=-1))
    for rows in np.split(order, starts[1:]):
        days = grid.days[grid.opening[rows]]
        alike = 0.5 ** (np.abs(days[:, None] - days) / truth.half_life)
        # Two samples of one bale on one day have the same serial part.
        root = np.linalg.cholesky(alike + 1e-10 * np.eye(len(rows)))
        out[:, rows] = white[:, rows] @ root.T
    return out


def _measured_loss(
    grid: Grid, loss: Floats, balance: MassBalance, rng: np.random.Generator
) -> Floats:
    """DM loss, percentage points, as scales and ovens with errors give it."""
    count, n = loss.shape
    dry = balance.mass * balance.dm / 1000.0
    gone = dry * loss / 100.0
    after = balance.mass - gone
    dm_after = 1000.0 * (dry - gone) / after

    def error(units: Ints, sd: float) -> Floats:
        """Errors shared by the rows of each unit."""
        return sd * rng.standard_normal((count, int(units.max()) + 1))[:, units]

    sampled = grid.pair if balance.shared_day0 else grid.bale
    found = dm_loss(
        balance.mass + error(grid.bale, balance.mass_sd),
        balance.dm + error(sampled, balance.dm_sd),
        after + balance.mass_sd * rng.standard_normal((count, n)),
        dm_after + balance.dm_sd * rng.standard_normal((count, n)),
    )
    return np.asarray(100.0 * found)
