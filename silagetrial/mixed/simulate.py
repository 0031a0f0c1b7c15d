"""Draw responses of a design from its model, and spread simulations over processes.

A variance that may be negative has no effects to draw: where a term's covariance matrix is
not positive semidefinite, the rows of one unit are drawn together from the covariance
matrix that the model implies for them.  Terms above it are drawn as effects.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import TypeVar

import joblib
import numpy as np
from threadpoolctl import threadpool_limits

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed.covariance import Floats, Ints
from silagetrial.mixed.design import Border, Design

__all__ = ["CHUNK", "draw", "over_chunks"]

CHUNK = 128
"""Data sets simulated from one seed: fixed, so that the same bits come from any number of
processes."""
LARGEST_BLOCK = 2000
"""Rows that are drawn together through their covariance matrix at most."""
SEMIDEFINITE = 1e-12
"""Negative eigenvalues of a covariance matrix, relative to the largest, that rounding makes."""


def draw(
    design: Design, beta: Floats, theta: Floats, rng: np.random.Generator, count: int
) -> Floats:
    """Draw data sets from ``y ~ N(X b, V(theta))``.

    Parameters
    ----------
    design : Design
    beta : (p,) array
        Coefficients of X.
    theta : (m,) array
        Variances, covariances and ranges, in the order of ``design.parameters``.
    rng : numpy.random.Generator
    count : int
        Data sets to draw.

    Returns
    -------
    (count, n) array
        Rows in the order of the data.

    Raises
    ------
    NoAnswer
        A negative variance of a unit of more than 2,000 rows.
    """
    layers = list(_layers(design, theta))
    y = np.tile(design.q @ (design.r @ beta), (count, 1))
    cut, blocks = _dense_blocks(design, theta, layers)
    for block in blocks:
        noise = rng.standard_normal((count, *block.rows.shape))
        y[:, block.rows] += (block.root @ noise[..., None])[..., 0]
    for layer in layers[cut:]:
        effects = rng.standard_normal((count, layer.units, len(layer.g))) @ _root(layer.g).T
        y += (effects[:, layer.unit] * layer.z).sum(axis=-1)
    out = np.empty_like(y)
    out[:, design.order] = y
    return out


@dataclass(frozen=True)
class _Layer:
    """Effects of one level: values z (n, k), the unit of each row, covariance g (k, k)."""

    z: Floats
    unit: Ints
    g: Floats

    @property
    def units(self) -> int:
        """Number of units."""
        return int(self.unit[-1]) + 1

    @property
    def starts(self) -> Ints:
        """First row of each unit."""
        return np.asarray(np.flatnonzero(np.diff(self.unit, prepend=-1)), dtype=np.int64)

    @property
    def semidefinite(self) -> bool:
        """Whether effects can be drawn from G."""
        value = np.linalg.eigvalsh(self.g)
        return bool((value >= -SEMIDEFINITE * np.abs(value).max(initial=0.0)).all())


@dataclass(frozen=True)
class _Block:
    """Units of one size: rows (u, s) and Cholesky factors (u, s, s)."""

    rows: Ints
    root: Floats


def _root(g: Floats) -> Floats:
    """R with ``R R' = G`` of a positive semidefinite G."""
    value, vector = np.linalg.eigh(g)
    return np.asarray(vector * np.sqrt(np.maximum(value, 0.0)))


def _layers(design: Design, theta: Floats) -> Iterator[_Layer]:
    """Levels from the finest to the top, then the border as one unit of the whole."""
    starts, at = design.base, 0
    for level in design.levels:
        g = np.einsum("i,iab->ab", theta[level.parameters], level.basis)
        below, starts = starts, starts[level.starts]
        unit = np.repeat(np.arange(len(starts)), np.diff([*starts, design.n]))
        if level is design.levels[-1] and design.border is not None:
            tops = np.repeat(np.arange(len(below)), np.diff([*below, design.n]))
            local = design.columns[:, at : at + design.border.index.shape[1]]
            z = _border_z(design.border, local, tops)
            yield _Layer(z, np.zeros(design.n, dtype=np.int64), g)
            return
        if level.width:
            yield _Layer(design.columns[:, at : at + level.width], unit, g)
        at += level.width


def _border_z(border: Border, local: Floats, top: Ints) -> Floats:
    """Columns of all border levels, (n, width), from those local to each row's top unit."""
    out = np.zeros((len(local), border.width + 1))
    np.add.at(out, (np.arange(len(local))[:, None], border.index[top]), local)
    return out[:, : border.width]


def _dense_blocks(design: Design, theta: Floats, layers: list[_Layer]) -> tuple[int, list[_Block]]:
    """Layers below the cut with the residual, as Cholesky factors of the units' rows.

    The cut is the lowest at which all layers above it have effects to draw and what lies
    below it is positive definite by itself.
    """
    for cut in range(len(layers) + 1):
        if not all(layer.semidefinite for layer in layers[cut:]):
            continue
        starts = layers[cut - 1].starts if cut else _residual_starts(design)
        largest = int(np.diff([*starts, design.n]).max())
        if largest > LARGEST_BLOCK:
            raise NoAnswer(
                found=f"a negative variance within units of {largest} rows",
                expected=f"units of at most {LARGEST_BLOCK} rows, whose rows are drawn together",
                remedy="fit with bound='zero', which makes every term one of effects",
            )
        try:
            return cut, list(_blocks(design, theta, layers[:cut], starts))
        except np.linalg.LinAlgError:
            continue
    raise NoAnswer(
        found="variances at which the covariance matrix of the observations is not positive "
        "definite",
        expected="variances of a model from which data can come",
        remedy="take them from a fit",
    )


def _residual_starts(design: Design) -> Ints:
    """First row of each run of rows whose residuals are correlated."""
    return np.arange(design.n) if design.residual.unit is None else design.base


def _blocks(design: Design, theta: Floats, layers: list[_Layer], starts: Ints) -> Iterator[_Block]:
    sizes = np.diff([*starts, design.n])
    for size in np.unique(sizes):
        rows = starts[sizes == size][:, None] + np.arange(size)
        v = _residual_covariance(design, theta, rows)
        for layer in layers:
            unit, z = layer.unit[rows], layer.z[rows]
            v += (z @ layer.g @ z.mT) * (unit[:, :, None] == unit[:, None])
        yield _Block(rows, np.asarray(np.linalg.cholesky(v), dtype=np.float64))


def _residual_covariance(design: Design, theta: Floats, rows: Ints) -> Floats:
    """Covariance of the residuals of some rows, (u, s, s)."""
    residual = design.residual
    own = theta[len(theta) - len(residual.parameters) :]
    deviation = np.sqrt(own[residual.groups[rows]])
    eye = np.eye(rows.shape[1])
    if residual.unit is None:
        return np.asarray(deviation[:, :, None] ** 2 * eye)
    place, unit = residual.coordinates[rows], residual.unit[rows]
    distance = np.sqrt(((place[:, :, None] - place[:, None]) ** 2).sum(axis=-1))
    alike = np.exp(-distance / own[len(residual.names)])
    v = deviation[:, :, None] * deviation[:, None] * alike
    v = v * (unit[:, :, None] == unit[:, None])
    return np.asarray(v + own[-1] * eye if residual.measurement_error else v)


Found = TypeVar("Found")
Work = Callable[[np.random.Generator, int], Found]


def over_chunks(work: Work[Found], *, draws: int, seed: int, workers: int) -> list[Found]:
    """Do simulations in chunks of fixed size, each with a seed of its own.

    Parameters
    ----------
    work : callable
        Of a generator and a number of data sets; it and what it returns must pickle.
    draws, seed : int
    workers : int
        Processes, with one thread of linear algebra each.

    Returns
    -------
    list
        What each chunk gave, in order: the same whatever the number of workers.
    """
    for name, value, least in (("draws", draws, 1), ("seed", seed, 0), ("workers", workers, 1)):
        if isinstance(value, bool) or not isinstance(value, int) or value < least:
            raise UsageError(
                found=f"{name}={value!r}",
                expected=f"a whole number of at least {least}",
                remedy=f"correct {name}",
            )
    sizes = [min(CHUNK, draws - done) for done in range(0, draws, CHUNK)]
    if workers == 1:
        return [_chunk(work, seed, k, size) for k, size in enumerate(sizes)]
    with joblib.parallel_config(backend="loky", inner_max_num_threads=1):
        jobs = (joblib.delayed(_chunk)(work, seed, k, size) for k, size in enumerate(sizes))
        return list(joblib.Parallel(n_jobs=workers)(jobs))


def _chunk(work: Work[Found], seed: int, chunk: int, size: int) -> Found:
    seeds = np.random.SeedSequence(entropy=seed, spawn_key=(chunk,))
    with threadpool_limits(limits=1):
        return work(np.random.default_rng(seeds), size)
