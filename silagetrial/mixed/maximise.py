"""Maximise the restricted likelihood of many data sets at once.

Where to start, what to hold at zero, and what the optimum says; the climb itself is in
`ascent`.  Terms with correlated effects move in their Cholesky factor.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from silagetrial.mixed.ascent import State, Task, ascend, climb_on, positive_definite, reduced
from silagetrial.mixed.covariance import Bools, Coordinates, Floats
from silagetrial.mixed.design import Design
from silagetrial.mixed.evaluation import Evaluation
from silagetrial.mixed.held import Held, held_coordinates
from silagetrial.mixed.likelihood import Batch
from silagetrial.mixed.serial import range_starts

FIRST_STEPS, KEPT = 4, 2
"""Steps from each of several starts before only the highest few go on."""
TOLERANCE = 1e-16
"""Squared Newton decrement, which has no units, below which a fit counts as converged."""
UNBOUNDED = 10.0
"""A log-likelihood this much above that of the fit with negative variances held at zero is on
its way to infinity: some contrast of the data has no variation at all."""


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
    task = Task(design, batch, where, np.tile(lower, (len(theta), 1)), tolerance, fixed)
    state = _best_of(task, starts) if len(starts) > 1 else ascend(task, theta)
    summit = _summit(task, state)
    stuck = state.alive & ~summit.reached
    zeroed = stuck[:, None] & (state.u < 0) & _may_be_negative(design)
    zeroed = zeroed if fixed is None else zeroed & ~fixed
    again = np.flatnonzero(zeroed.any(axis=1))
    if not len(again):
        return _fits(task, state, summit, zeroed)
    # The likelihood rises up to a singular V: such variances are held at zero, unless it rises
    # without bound, which no fit can answer.
    task = replace(task, lower=np.where(zeroed, 0.0, task.lower))
    refit = ascend(task.take(again), theta[again])
    refit = replace(refit, steps=refit.steps + state.steps[again])
    fair = refit.at.loglik > state.at.loglik[again] - UNBOUNDED
    state = state.put(again[fair], refit.take(fair))
    return _fits(task, state, _summit(task, state), zeroed)


def _may_be_negative(design: Design) -> Bools:
    return np.array([p.bound == "free" and p.term != "residual" for p in design.parameters])


def _best_of(task: Task, starts: Sequence[Floats]) -> State:
    """Start from several parameter vectors at once; go on from the highest of each data set."""
    count, times = len(task.lower), len(starts)
    again = np.tile(np.arange(count), times)
    many = replace(task, batch=task.batch.take(again), lower=task.lower[again])
    state = ascend(many, np.repeat(np.array(starts), count, axis=0), most=FIRST_STEPS)
    best = np.argsort(-_heights(many, state, times), axis=0)[:KEPT]
    index = (best * count + np.arange(count)).ravel()
    few = many.take(index)
    state = climb_on(few, state.take(index))
    return state.take(_heights(few, state, KEPT).argmax(axis=0) * count + np.arange(count))


def _heights(task: Task, state: State, times: int) -> Floats:
    """Height reached from each start, (times, data sets)."""
    return np.where(state.alive, task.height(state.at), -np.inf).reshape(times, -1)


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


@dataclass(frozen=True)
class _Summit:
    """The observed information where the climb ended.

    Attributes
    ----------
    information : (T, m, m) array
        In the maximiser's coordinates, the identity in the rows and columns of `pinned`.
    curved : (T,) bool array
        Whether it is positive definite.
    pinned : (T, m) bool array
    reached : (T,) bool array
        Whether it is a maximum.
    """

    information: Floats
    curved: Bools
    pinned: Bools
    reached: Bools


def _summit(task: Task, state: State) -> _Summit:
    u = np.where(state.alive[:, None], state.u, 1.0)
    score, information = task.slopes(state.at, u, observed=True)
    pinned = (state.u <= task.lower) & (score <= 0)
    pinned = pinned if task.fixed is None else pinned | task.fixed
    information = reduced(information, pinned)
    curved = positive_definite(information)
    reached = state.alive & curved & (state.decrement < max(task.tolerance, 1e-8))
    return _Summit(information, curved, pinned, reached)


def _fits(task: Task, state: State, summit: _Summit, held: Bools) -> Fits:
    """Collect what the optimum says."""
    at, batch, pinned, curved = state.at, task.batch, summit.pinned, summit.curved[:, None, None]
    free = np.linalg.inv(np.where(curved, summit.information, np.eye(pinned.shape[1])))
    free = free * (~pinned[:, :, None] & ~pinned[:, None, :])
    j = task.where.jacobian(np.where(state.alive[:, None], state.u, 1.0))
    log_r = np.log(np.abs(np.diagonal(task.design.r))).sum()
    unit = np.log(np.where(batch.scale > 0, batch.scale, 1.0))
    return Fits(
        evaluation=at,
        loglik=at.loglik - (batch.n - task.design.p) * unit - log_r,
        observed_covariance=np.where(curved, j @ free @ j.mT, np.nan),
        at_bound=pinned | _on_edge(at.theta, task.where),
        held=held,
        converged=summit.reached,
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
