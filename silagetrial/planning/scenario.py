"""One scenario of a simulation: a layout, what its trials are drawn from, how they are analysed."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.planning.draws import Drawn, draw_trials
from silagetrial.planning.grid_rows import Grid
from silagetrial.planning.outcomes import Outcome, joined, outcome_of
from silagetrial.planning.questions import QuestionBook
from silagetrial.planning.tally import Tally
from silagetrial.planning.trial_analyses import TrialAnalysis
from silagetrial.planning.truth import Truth

__all__ = ["Scenario"]


@dataclass(frozen=True)
class Scenario:
    """What `simulate` repeats.

    Attributes
    ----------
    name : str
    grid : Grid
    book : QuestionBook
        The models and their contrasts, by the openings that stay in the model.
    truth : Truth
    analyses : tuple of TrialAnalysis
    alpha : float
        Size of the tests; intervals are of level ``1 - alpha``.
    varied : mapping of str to float
        What of a grid this scenario is: columns in front of its rows in tables.
    """

    name: str
    grid: Grid
    book: QuestionBook
    truth: Truth
    analyses: tuple[TrialAnalysis, ...]
    alpha: float = 0.05
    varied: Mapping[str, float] = field(default_factory=dict)

    def run(self, rng: np.random.Generator, count: int, chunk: int = 0) -> Tally:
        """Draw and analyse the trials of one chunk, and sum up what came out."""
        drawn = draw_trials(self.grid, self.truth, rng, count)
        outcomes, truths, order = [], [], []
        for kept, trials in _by_openings(self.grid, drawn):
            found, truth = self._analysed(kept, _some(drawn, trials))
            outcomes.append(found)
            truths.append(np.broadcast_to(truth, (len(trials), len(truth))))
            order.append(trials)
        whole = tuple(joined(parts) for parts in zip(*outcomes, strict=True))
        return Tally.of(
            whole, np.concatenate(truths), self.alpha, chunk=chunk, trials=np.concatenate(order)
        )

    def true_values(self) -> Floats:
        """Return the true value of each contrast where all openings stay in the model."""
        return self._truth(self.book.weights(tuple(range(len(self.grid.days)))))

    def _truth(self, weights: Floats) -> Floats:
        effect = np.broadcast_to(np.asarray(self.truth.effect, dtype=float), len(self.grid.days))
        return np.asarray(weights @ effect)

    def _analysed(self, kept: tuple[int, ...], drawn: Drawn) -> tuple[tuple[Outcome, ...], Floats]:
        """Analyse trials that keep the same openings."""
        weights = self.book.weights(kept)
        truth = self._truth(weights)
        question = self.book.question(kept)
        if question is None:
            nothing = np.full((len(drawn.y), len(weights)), np.nan)
            empty = outcome_of(nothing, nothing, nothing, level=1.0 - self.alpha)
            return tuple(empty for _ in self.analyses), truth
        rows = np.flatnonzero(np.isin(self.grid.opening, kept))
        grid = self.grid if len(rows) == len(self.grid.bale) else _rows_of(self.grid, rows)
        here = drawn if grid is self.grid else _columns_of(drawn, rows)
        found = tuple(a(question, grid, here, 1.0 - self.alpha) for a in self.analyses)
        return found, truth


def _by_openings(
    grid: Grid, drawn: Drawn
) -> Sequence[tuple[tuple[int, ...], np.ndarray[tuple[int], np.dtype[np.intp]]]]:
    """Sort trials by the openings that stay in the model: half of each binding above the limit."""
    everything = tuple(range(len(grid.days)))
    if drawn.below is None:
        return [(everything, np.arange(len(drawn.y)))]
    stays = np.ones((len(drawn.y), len(grid.days)), dtype=bool)
    for opening in everything:
        for binding in range(int(grid.binding.max()) + 1):
            cell = (grid.opening == opening) & (grid.binding == binding)
            there = _there(drawn, cell)
            below = (drawn.below[:, cell] & there).sum(axis=1)
            stays[:, opening] &= 2 * below <= there.sum(axis=1)
    patterns, inverse = np.unique(stays, axis=0, return_inverse=True)
    return [
        (tuple(np.flatnonzero(pattern).tolist()), np.flatnonzero(inverse.ravel() == k))
        for k, pattern in enumerate(patterns)
    ]


def _there(drawn: Drawn, cell: Bools) -> Bools:
    if drawn.present is None:
        return np.ones((len(drawn.y), int(cell.sum())), dtype=bool)
    return drawn.present[:, cell]


def _some(drawn: Drawn, trials: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Drawn:
    if len(trials) == len(drawn.y):
        return drawn
    present = None if drawn.present is None else drawn.present[trials]
    below = None if drawn.below is None else drawn.below[trials]
    return Drawn(drawn.y[trials], present, below)


def _columns_of(drawn: Drawn, rows: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Drawn:
    present = None if drawn.present is None else drawn.present[:, rows]
    below = None if drawn.below is None else drawn.below[:, rows]
    return Drawn(drawn.y[:, rows], present, below)


def _rows_of(grid: Grid, rows: np.ndarray[tuple[int], np.dtype[np.intp]]) -> Grid:
    names = ("site", "run", "pair", "bale", "batch", "binding", "opening")
    return replace(grid, **{name: getattr(grid, name)[rows] for name in names})
