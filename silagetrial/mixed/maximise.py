"""Maximise the restricted likelihood of many data sets at once.

Scoring with the expected information, then Newton's method with the observed one where it
is positive definite.  Variances held at zero or above take the step that maximises the
bounded quadratic: what would cross is pinned, the rest solved again, and released by the
sign of the score.  Terms with correlated effects move in their Cholesky factor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields, replace
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from silagetrial.mixed.covariance import Bools, Coordinates, Floats
from silagetrial.mixed.design import Design
from silagetrial.mixed.held import Held, held_coordinates
from silagetrial.mixed.likelihood import Batch, Evaluation, evaluate
from silagetrial.mixed.residual import range_starts

MAX_STEPS = 60
MAX_HALVINGS = 10
FIRST_STEPS, KEPT = 4, 2
"""Steps from each of several starts before only the highest few go on."""
TOLERANCE = 1e-16
"""Squared Newton decrement, which has no units, below which a fit counts as converged."""
UNBOUNDED = 10.0
"""A log-likelihood this much above that of the fit with negative variances held at zero is on
its way to infinity: some contrast of the data has no variation at all."""
ROUNDING = 1e-11
"""Relative change of the log-likelihood that rounding alone can make."""


@dataclass(frozen=True)
class Fits:
    """The fits of T data sets.

    Attributes
    ----------
    evaluation : Evaluation
        Likelihood and pieces for inference at the optimum.
    loglik : (T,) array
        Restricted log-likelihood in the units of y and X.
    observed_covariance : (T, m, m) array
        Inverse of the observed information in (co)variances; zero rows and columns for
        parameters at a bound, NaN where the information is not positive definite.
    at_bound : (T, m) bool array
        Parameters pinned at zero, held by the caller, or of a cone that is singular.
    held : (T, m) bool array
        Variances that may be negative but were held at zero, because with them free the
        likelihood rises up to where the observations' covariance matrix is singular.
    converged : (T,) bool array
    decrement : (T,) array
        Squared Newton decrement at the last step.
    steps : (T,) int array
    """

    evaluation: Evaluation
    loglik: Floats
    observed_covariance: Floats
    at_bound: Bools
    held: Bools
    converged: Bools
    decrement: Floats
    steps: Floats


def maximise(
    design: Design,
    batch: Batch,
    *,
    start: Floats | None = None,
    tolerance: float = TOLERANCE,
    held: Held | None = None,
) -> Fits:
    """Fit every data set of a batch by REML.

    Parameters
    ----------
    design : Design
    batch : Batch
    start : (T, m) array, optional
        Parameters to start from, in units of ``batch.scale ** 2``; by default the residual
        variance is shared equally among the terms.
    tolerance : float
        Squared Newton decrement at which to stop.
    held : Held, optional
        What stays as it is in `start`.

    Returns
    -------
    Fits
        Data sets which could not be fitted have ``converged`` False.
    """
    lower = np.array([0.0 if p.bound == "zero" else -np.inf for p in design.parameters])
    where = held_coordinates(design.parameters, held)
    fixed = None if held is None else held.mask(len(lower))
    starts = initial_thetas(design) if start is None else [start]
    theta = np.tile(starts[0], (len(batch.n), 1)) if start is None else start
    task = _Task(design, batch, where, np.tile(lower, (len(theta), 1)), tolerance, fixed)
    state = _best_of(task, starts) if len(starts) > 1 else _ascend(task, theta)
    stuck = state.alive & ~_at_maximum(task, state)
    zeroed = stuck[:, None] & (state.u < 0) & _may_be_negative(design)
    zeroed = zeroed if fixed is None else zeroed & ~fixed
    again = np.flatnonzero(zeroed.any(axis=1))
    if not len(again):
        return _fits(task, state, zeroed)
    # The likelihood rises up to a singular V: such variances are held at zero, unless it rises
    # without bound, which no fit can answer.
    task = replace(task, lower=np.where(zeroed, 0.0, task.lower))
    refit = _ascend(task.take(again), theta[again])
    fair = refit.at.loglik > state.at.loglik[again] - UNBOUNDED
    return _fits(task, _join(state, again[fair], _take_state(refit, fair)), zeroed)


@dataclass(frozen=True)
class _Task:
    """What is maximised: `lower` has a bound for each data set's coordinates, (T, m).

    `fixed` (m,) marks coordinates that do not move.
    """

    design: Design
    batch: Batch
    where: Coordinates
    lower: Floats
    tolerance: float
    fixed: Bools | None

    def take(self, index: Index) -> _Task:
        """Return the task of some of the data sets."""
        if len(index) == len(self.lower) and index.dtype != bool:
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
        return np.where(still, 0.0, score), _reduced(matrix, still)


@dataclass(frozen=True)
class _State:
    u: Floats
    at: Evaluation
    alive: Bools
    decrement: Floats
    steps: Floats


def _may_be_negative(design: Design) -> Bools:
    return np.array([p.bound == "free" and p.term != "residual" for p in design.parameters])


def _best_of(task: _Task, starts: Sequence[Floats]) -> _State:
    """Start from several parameter vectors at once; go on from the highest of each data set."""
    count, times = len(task.lower), len(starts)
    again = np.tile(np.arange(count), times)
    many = replace(task, batch=task.batch.take(again), lower=task.lower[again])
    state = _ascend(many, np.repeat(np.array(starts), count, axis=0), most=FIRST_STEPS)
    best = np.argsort(-_heights(many, state, times), axis=0)[:KEPT]
    index = (best * count + np.arange(count)).ravel()
    few = many.take(index)
    state = _ascend(few, few.where.theta(state.u[index]))
    return _take_state(state, _heights(few, state, KEPT).argmax(axis=0) * count + np.arange(count))


def _heights(task: _Task, state: _State, times: int) -> Floats:
    """Height reached from each start, (times, data sets)."""
    return np.where(state.alive, task.height(state.at), -np.inf).reshape(times, -1)


def _ascend(task: _Task, theta: Floats, *, most: int = MAX_STEPS) -> _State:
    """Step until every data set has converged, can climb no more, or has taken `most` steps."""
    u = task.where.of(theta)
    at = task.evaluate(u)
    # Rows may be missing so that X loses rank, or that two variances cannot be told apart.
    alive = np.isfinite(at.loglik) & _positive_definite(at.expected)
    state = _State(u, at, alive, np.full(len(u), np.inf), np.zeros(len(u)))
    active = np.flatnonzero(state.alive)
    for _ in range(most):
        if not len(active):
            break
        state, active = _step(task, state, active)
    return state


def _take_state(state: _State, index: Index) -> _State:
    return _State(
        state.u[index], _take(state.at, index), state.alive[index], state.decrement[index],
        state.steps[index],
    )  # fmt: skip


def _join(state: _State, index: Index, part: _State) -> _State:
    return _State(
        _put(state.u, index, part.u),
        _merge(state.at, index, part.at),
        _put(state.alive, index, part.alive),
        _put(state.decrement, index, part.decrement),
        _put(state.steps, index, state.steps[index] + part.steps),
    )


def initial_thetas(design: Design) -> list[Floats]:
    """Starts of the maximiser, (m,) each: the residual variance (one) shared equally.

    One start, or one for each of several ranges of serial correlation.
    """
    shares = {p.term for p in design.parameters}
    error = design.residual.measurement_error
    kinds = np.array([p.kind for p in design.parameters])
    theta = np.where(kinds == "variance", 1.0 / design.size, 0.0) / (len(shares) + error)
    starts = []
    for span in range_starts(design):
        starts.append(np.where(kinds == "range", span, theta))
    return starts or [theta]


def _positive_definite(x: Floats) -> Bools:
    """Which matrices are safely positive definite, whatever the units of their rows."""
    d = np.diagonal(x, axis1=1, axis2=2)
    good = np.asarray((d > 0).all(axis=1))
    root = np.sqrt(np.where(good[:, None], d, 1.0))
    scaled = x / (root[:, :, None] * root[:, None, :])
    return good & (np.linalg.eigvalsh(scaled)[:, 0] > 1e-8)


def _direction(at: Evaluation, u: Floats, task: _Task, steps: Floats) -> tuple[Floats, Floats]:
    """Step to the maximum of the bounded quadratic, and twice the rise it promises.

    Where nothing is pinned that is the squared Newton decrement.
    """
    score, observed = task.slopes(at, u, observed=True)
    _, expected = task.slopes(at, u, observed=False)
    pinned = (u <= task.lower) & (score <= 0)
    use = _positive_definite(_reduced(observed, pinned)) & (steps > 0)
    # The rows of pinned parameters are cut off: the observed information need not be
    # positive definite in them, and they are set free again by the sign of their score.
    matrix = np.where(use[:, None, None], _reduced(observed, pinned), _made_definite(expected))
    step = _bounded_step(score, matrix, u, task.lower)
    return step, (step * (2.0 * score - (matrix @ step[..., None])[..., 0])).sum(axis=1)


def _made_definite(x: Floats) -> Floats:
    """Raise eigenvalues that are not positive (cones away from the optimum)."""
    good = _positive_definite(x)
    if good.all():
        return x
    d = np.sqrt(np.maximum(np.abs(np.diagonal(x, axis1=1, axis2=2)), 1e-300))
    value, vector = np.linalg.eigh(x / (d[:, :, None] * d[:, None, :]))
    raised = (vector * np.maximum(np.abs(value), 1e-6)[:, None, :]) @ vector.mT
    return np.where(good[:, None, None], x, raised * d[:, :, None] * d[:, None, :])


def _reduced(matrix: Floats, pinned: Bools) -> Floats:
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
        step = _solve(_reduced(matrix, pinned), right)
    return step


def _solve(matrix: Floats, right: Floats) -> Floats:
    return np.asarray(np.linalg.solve(matrix, right[..., None])[..., 0], dtype=np.float64)


def _step(task: _Task, state: _State, index: Index) -> tuple[_State, Index]:
    """Take one step in some data sets, halved until it climbs; return those still to go on."""
    part = task.take(index)
    u, at = state.u[index], _take(state.at, index)
    step, decrement = _direction(at, u, part, state.steps[index])
    state = replace(state, decrement=_put(state.decrement, index, decrement))
    going = np.flatnonzero(decrement >= task.tolerance)
    if not len(going):
        return state, index[going]
    index = index[going]
    new_u, new_at, moved = _climb(part.take(going), u[going], _take(at, going), step[going])
    state = replace(
        state,
        u=_put(state.u, index, new_u),
        at=_merge(state.at, index, new_at),
        steps=_put(state.steps, index, state.steps[index] + 1),
    )
    return state, index[moved]


def _climb(
    task: _Task, u: Floats, at: Evaluation, step: Floats
) -> tuple[Floats, Evaluation, Bools]:
    """Halve steps until the likelihood does not fall; where it always does, stay."""
    new_u = u + step
    new_at = task.evaluate(new_u)
    least = task.height(at) - ROUNDING * (1.0 + np.abs(at.loglik))
    bad = np.flatnonzero(~(task.height(new_at) >= least))
    factor = 1.0
    for _ in range(MAX_HALVINGS):
        if not len(bad):
            break
        factor /= 2
        trial_u = u[bad] + factor * step[bad]
        part = task.take(bad)
        trial = part.evaluate(trial_u)
        new_u = _put(new_u, bad, trial_u)
        new_at = _merge(new_at, bad, trial)
        bad = bad[~(part.height(trial) >= least[bad])]
    moved = np.ones(len(u), dtype=bool)
    if len(bad):
        new_u = _put(new_u, bad, u[bad])
        new_at = _merge(new_at, bad, _take(at, bad))
        moved[bad] = False
    return new_u, new_at, moved


Values = TypeVar("Values", bound=np.generic)
Index = npt.NDArray[Any]


def _take(at: Evaluation, index: Index) -> Evaluation:
    return Evaluation(**{f.name: getattr(at, f.name)[index] for f in fields(at)})


def _put(
    whole: npt.NDArray[Values], index: Index, part: npt.NDArray[Values]
) -> npt.NDArray[Values]:
    if len(index) == len(whole):
        return part
    out = whole.copy()
    out[index] = part
    return out


def _merge(at: Evaluation, index: Index, part: Evaluation) -> Evaluation:
    merged = {f.name: _put(getattr(at, f.name), index, getattr(part, f.name)) for f in fields(at)}
    return Evaluation(**merged)


def _optimum(task: _Task, state: _State) -> tuple[Floats, Bools, Bools]:
    """Observed information with pinned rows cut off, whether it is positive definite, pinned."""
    u = np.where(state.alive[:, None], state.u, 1.0)
    score, information = task.slopes(state.at, u, observed=True)
    pinned = (state.u <= task.lower) & (score <= 0)
    pinned = pinned if task.fixed is None else pinned | task.fixed
    reduced = _reduced(information, pinned)
    return reduced, _positive_definite(reduced), pinned


def _at_maximum(task: _Task, state: _State) -> Bools:
    _, curved, _ = _optimum(task, state)
    return state.alive & curved & (state.decrement < max(task.tolerance, 1e-8))


def _fits(task: _Task, state: _State, held: Bools) -> Fits:
    """Collect what the optimum says."""
    at, batch = state.at, task.batch
    reduced, curved, pinned = _optimum(task, state)
    free = np.linalg.inv(np.where(curved[:, None, None], reduced, np.eye(reduced.shape[1])))
    free = free * (~pinned[:, :, None] & ~pinned[:, None, :])
    j = task.where.jacobian(np.where(state.alive[:, None], state.u, 1.0))
    covariance = np.where(curved[:, None, None], j @ free @ j.mT, np.nan)
    log_r = np.log(np.abs(np.diagonal(task.design.r))).sum()
    unit = np.log(np.where(batch.scale > 0, batch.scale, 1.0))
    return Fits(
        evaluation=at,
        loglik=at.loglik - (batch.n - task.design.p) * unit - log_r,
        observed_covariance=covariance,
        at_bound=pinned | _on_edge(at.theta, task.where),
        held=held,
        converged=_at_maximum(task, state),
        decrement=state.decrement,
        steps=state.steps,
    )


def _on_edge(theta: Floats, where: Coordinates) -> Bools:
    """Parameters of a term whose covariance matrix is singular to working precision."""
    out = np.zeros(theta.shape, dtype=bool)
    for cone in where.cones:
        g = np.zeros((len(theta), cone.size, cone.size))
        g[:, cone.rows, cone.columns] = theta[:, cone.index]
        g[:, cone.columns, cone.rows] = theta[:, cone.index]
        d = np.sqrt(np.maximum(np.diagonal(g, axis1=1, axis2=2), 1e-300))
        smallest = np.linalg.eigvalsh(g / (d[:, :, None] * d[:, None, :]))[:, 0]
        out[:, cone.index] = (smallest < 1e-8)[:, None]
    return out
