"""Climb the restricted likelihood of many data sets at once, from given parameters.

Scoring with the expected information, then Newton's method with the observed one where it
is positive definite.  Variances held at zero or above take the step that maximises the
bounded quadratic: what would cross is pinned, the rest solved again, and released by the
sign of the score.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from silagetrial.mixed.covariance import Bools, Coordinates, Floats
from silagetrial.mixed.design import Design
from silagetrial.mixed.evaluation import Evaluation
from silagetrial.mixed.likelihood import Batch, evaluate

__all__ = ["State", "Task", "ascend", "climb_on", "positive_definite", "reduced"]

MAX_STEPS = 60
HALVINGS = ((1,), (2, 3, 4), (5, 6, 7, 8, 9, 10))
"""How often a step may be halved; numbers that are tried at once stand together."""
ROUNDING = 1e-11
"""Relative change of the log-likelihood that rounding alone can make."""

Values = TypeVar("Values", bound=np.generic)
Index = npt.NDArray[Any]


@dataclass(frozen=True)
class Task:
    """What is maximised: `lower` has a bound for each data set's coordinates, (T, m).

    `fixed` (m,) marks coordinates that do not move.
    """

    design: Design
    batch: Batch
    where: Coordinates
    lower: Floats
    tolerance: float
    fixed: Bools | None

    def take(self, index: Index) -> Task:
        """Return the task of some of the data sets."""
        if is_all(index, len(self.lower)):
            return self
        return replace(self, batch=self.batch.take(index), lower=self.lower[index])

    def evaluate(self, u: Floats) -> Evaluation:
        """Evaluate at the maximiser's coordinates."""
        return evaluate(self.design, self.where.theta(u), self.batch)

    def height(self, at: Evaluation) -> Floats:
        """Log-likelihood; -inf where rounding next to a singular V took over."""
        sound = (np.diagonal(at.expected, axis1=1, axis2=2) > 0).all(axis=1)
        return np.where(sound, at.loglik, -np.inf)

    def slopes(self, at: Evaluation, u: Floats, *, observed: bool) -> tuple[Floats, Floats]:
        """Score and information in the maximiser's coordinates."""
        score, matrix = at.score, at.observed if observed else at.expected
        if not self.where.plain:
            j = self.where.jacobian(u)
            matrix = j.mT @ matrix @ j + self.where.curvature(score, u)
            score = (j.mT @ score[..., None])[..., 0]
        if self.fixed is None:
            return score, matrix
        still = np.broadcast_to(self.fixed, score.shape)
        return np.where(still, 0.0, score), reduced(matrix, still)


@dataclass(frozen=True)
class State:
    """Where each data set has got to.

    Attributes
    ----------
    u : (T, m) array
        The maximiser's coordinates.
    at : Evaluation
    alive : (T,) bool array
        Whether there was a likelihood to climb.
    decrement, steps : (T,) arrays
        Squared Newton decrement at the last step; steps taken.
    """

    u: Floats
    at: Evaluation
    alive: Bools
    decrement: Floats
    steps: Floats

    def take(self, index: Index) -> State:
        """Return some of the data sets."""
        return State(
            self.u[index], self.at.take(index), self.alive[index], self.decrement[index],
            self.steps[index],
        )  # fmt: skip

    def put(self, index: Index, part: State) -> State:
        """Put some data sets in the place of others."""
        return State(
            _put(self.u, index, part.u),
            _merge(self.at, index, part.at),
            _put(self.alive, index, part.alive),
            _put(self.decrement, index, part.decrement),
            _put(self.steps, index, part.steps),
        )


def ascend(task: Task, theta: Floats, *, most: int = MAX_STEPS) -> State:
    """Step until every data set has converged, can climb no more, or has taken `most` steps."""
    u = task.where.of(theta)
    at = task.evaluate(u)
    # Rows may be missing so that X loses rank, or that two variances cannot be told apart.
    alive = np.isfinite(at.loglik) & positive_definite(at.expected)
    return climb_on(task, State(u, at, alive, np.full(len(u), np.inf), np.zeros(len(u))), most=most)


def climb_on(task: Task, state: State, *, most: int = MAX_STEPS) -> State:
    """Go on stepping from where the data sets have got to."""
    active = np.flatnonzero(state.alive & (state.decrement >= task.tolerance))
    return _go_on(task, state, active, most)


def _go_on(task: Task, state: State, active: Index, most: int) -> State:
    """Take up to `most` steps in the active data sets; a few go on without the others."""
    for taken in range(most):
        if not len(active):
            break
        if 2 * len(active) <= len(state.u):
            few, all_few = state.take(active), np.arange(len(active))
            return state.put(active, _go_on(task.take(active), few, all_few, most - taken))
        state, active = _step(task, state, active)
    return state


def _step(task: Task, state: State, index: Index) -> tuple[State, Index]:
    """Take one step in some data sets, halved until it climbs; return those still to go on."""
    part = task.take(index)
    u, at = state.u[index], state.at if part is task else state.at.take(index)
    step, decrement = _direction(at, u, part, state.steps[index])
    state = replace(state, decrement=_put(state.decrement, index, decrement))
    going = np.flatnonzero(decrement >= task.tolerance)
    if not len(going):
        return state, index[going]
    index = index[going]
    rest = part.take(going)
    here = at if rest is part else at.take(going)
    new_u, new_at, moved = _climb(rest, u[going], here, step[going])
    state = replace(
        state,
        u=_put(state.u, index, new_u),
        at=_merge(state.at, index, new_at),
        steps=_put(state.steps, index, state.steps[index] + 1),
    )
    return state, index[moved]


def _climb(task: Task, u: Floats, at: Evaluation, step: Floats) -> tuple[Floats, Evaluation, Bools]:
    """Halve steps until the likelihood does not fall; where it always does, stay."""
    new_u = u + step
    new_at = task.evaluate(new_u)
    least = task.height(at) - ROUNDING * (1.0 + np.abs(at.loglik))
    bad = np.flatnonzero(~(task.height(new_at) >= least))
    for powers in HALVINGS:
        if not len(bad):
            break
        again, factor = np.repeat(bad, len(powers)), np.tile(0.5 ** np.array(powers), len(bad))
        trial_u = u[again] + factor[:, None] * step[again]
        part = task.take(again)
        trial = part.evaluate(trial_u)
        good = (part.height(trial) >= least[again]).reshape(len(bad), len(powers))
        found = good.any(axis=1)
        first = (np.arange(len(bad)) * len(powers) + good.argmax(axis=1))[found]
        new_u = _put(new_u, bad[found], trial_u[first])
        new_at = _merge(new_at, bad[found], trial.take(first))
        bad = bad[~found]
    moved = np.ones(len(u), dtype=bool)
    if len(bad):
        new_u = _put(new_u, bad, u[bad])
        new_at = _merge(new_at, bad, at.take(bad))
        moved[bad] = False
    return new_u, new_at, moved


def _direction(at: Evaluation, u: Floats, task: Task, steps: Floats) -> tuple[Floats, Floats]:
    """Step to the maximum of the bounded quadratic, and twice the rise it promises.

    Where nothing is pinned that is the squared Newton decrement.
    """
    score, observed = task.slopes(at, u, observed=True)
    pinned = (u <= task.lower) & (score <= 0)
    # The rows of pinned parameters are cut off: the observed information need not be
    # positive definite in them, and they are set free again by the sign of their score.
    matrix = reduced(observed, pinned)
    use = steps > 0
    if use.any():
        use = use & positive_definite(matrix)
    scored = np.flatnonzero(~use)
    if len(scored):
        _, expected = task.slopes(at, u, observed=False)
        matrix = _put(matrix, scored, _made_definite(expected[scored]))
    step = _bounded_step(score, matrix, u, task.lower)
    return step, (step * (2.0 * score - (matrix @ step[..., None])[..., 0])).sum(axis=1)


def _made_definite(x: Floats) -> Floats:
    """Raise eigenvalues that are not positive (cones away from the optimum)."""
    good = positive_definite(x)
    if good.all():
        return x
    d = np.sqrt(np.maximum(np.abs(np.diagonal(x, axis1=1, axis2=2)), 1e-300))
    value, vector = np.linalg.eigh(x / (d[:, :, None] * d[:, None, :]))
    raised = (vector * np.maximum(np.abs(value), 1e-6)[:, None, :]) @ vector.mT
    return np.where(good[:, None, None], x, raised * d[:, :, None] * d[:, None, :])


def positive_definite(x: Floats) -> Bools:
    """Which matrices are safely positive definite, whatever the units of their rows."""
    d = np.diagonal(x, axis1=1, axis2=2)
    good = np.asarray((d > 0).all(axis=1))
    root = np.sqrt(np.where(good[:, None], d, 1.0))
    scaled = x / (root[:, :, None] * root[:, None, :])
    return good & (np.linalg.eigvalsh(scaled)[:, 0] > 1e-8)


def reduced(matrix: Floats, pinned: Bools) -> Floats:
    """Put the identity in the rows and columns of pinned parameters."""
    free = ~pinned[:, :, None] & ~pinned[:, None, :]
    eye = np.eye(matrix.shape[1])
    return np.asarray(np.where(free, matrix, eye * pinned[:, :, None]), dtype=np.float64)


def _bounded_step(score: Floats, matrix: Floats, u: Floats, lower: Floats) -> Floats:
    """Maximise ``score'd - d'matrix d / 2`` subject to ``u + d >= lower``."""
    pinned = np.zeros(u.shape, dtype=bool)
    step = _solve(matrix, score)
    if np.isneginf(lower).all():
        return step
    to_bound = np.where(np.isfinite(lower), lower - u, 0.0)
    for _ in range(2 * u.shape[1] + 2):
        crossing = ~pinned & (u + step < lower)
        pull = score - (matrix @ step[..., None])[..., 0]
        quiet = np.asarray(~crossing.any(axis=1))[:, None]
        release = pinned & (pull > 1e-12 * np.abs(score)) & quiet
        if not (crossing.any() or release.any()):
            break
        pinned = (pinned | crossing) & ~release
        fixed = np.where(pinned, to_bound, 0.0)
        right = np.where(pinned, fixed, score - (matrix @ fixed[..., None])[..., 0])
        step = _solve(reduced(matrix, pinned), right)
    return step


def _solve(matrix: Floats, right: Floats) -> Floats:
    return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0], dtype=np.float64)


def is_all(index: Index, count: int) -> bool:
    """Whether an index takes all of `count` data sets as they are."""
    return len(index) == count and index.dtype != bool and bool((index == np.arange(count)).all())


def _put(
    whole: npt.NDArray[Values], index: Index, part: npt.NDArray[Values]
) -> npt.NDArray[Values]:
    if is_all(index, len(whole)):
        return part
    out = whole.copy()
    out[index] = part
    return out


def _merge(at: Evaluation, index: Index, part: Evaluation) -> Evaluation:
    if is_all(index, len(at.loglik)):
        return part
    merged = {f.name: _put(getattr(at, f.name), index, getattr(part, f.name)) for f in fields(at)}
    return Evaluation(**merged)
