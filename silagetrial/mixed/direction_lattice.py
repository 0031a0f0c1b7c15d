"""Directions of a family of correlated statistics, spread evenly and counted by size.

A family with correlation ``R = A A'`` of rank r is a set of axes ``a_i`` (rows of A) through the
unit sphere of dimension r. For directions ``theta`` spread evenly over the sphere the rule keeps
how often the ordered ``|a_i' theta|`` fall in each of many small bins: nothing else is needed to
integrate any function of the largest statistic whose radius is integrated in closed form.

References
----------
Genz A, Bretz F (2009). Computation of Multivariate Normal and t Probabilities. Lecture Notes in
Statistics 195, Springer (spherical-radial form, singular cases, shifted lattice rules).
Fang K-T, Wang Y (1994). Number-theoretic Methods in Statistics. Chapman & Hall (sphere in pairs).
Nuyens D, Cools R (2006). Fast algorithms for component-by-component construction of rank-1 lattice
rules. Mathematics of Computation 75, 903-920 (the criterion of the generating vector).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache
from itertools import combinations

import numpy as np
from numpy.typing import NDArray

from silagetrial.errors import UsageError

__all__ = ["SHIFTS", "DirectionRule", "bin_projections", "direction_rule"]

Floats = NDArray[np.float64]

POINTS = 8009
"""Points of the lattice, a prime."""
TRIPLE_POINTS = 1597
"""Points of the lattice of each three statistics, a Fibonacci number."""
SHIFTS = 16
"""Random shifts, fixed once, of either lattice: their spread is the error."""
BINS = 2048
LEAST_RANK_FOR_TRIPLES = 6
"""Below it the lattice of the whole family is better than that of the sets of three."""
MOST_FOR_TRIPLES = 16
"""Above so many statistics the sets of three are left out: there are 560 among 16."""
ALIKE_DECIMALS = 10
"""Sets of three whose correlations agree to so many decimals are computed once."""
THINNING = 32
"""One direction in so many is kept in `DirectionRule.thinned`."""
RANK_TOLERANCE = 1e-9
"""Eigenvalues below this share of the largest one are zero, or closer than this the same."""
ALIKE = 1e-6
"""Entries of a vector that differ by less are equal but for rounding: the first one counts."""

# Component by component, squared worst-case error with product weights 1/j, for POINTS points.
GENERATOR = (
    *(
        1,
        2430,
        3553,
        3932,
        332,
        3377,
        2731,
        986,
        504,
        879,
        957,
        3733,
        3657,
        1813,
        2840,
        2895,
    ),
    *(
        236,
        397,
        2397,
        2783,
        3818,
        1053,
        1465,
        1071,
        3592,
        2233,
        49,
        1271,
        249,
        2456,
        1188,
    ),
)
TRIPLE_GENERATOR = (1, 987)
MOST_RANK = len(GENERATOR) + 1


@dataclass(frozen=True)
class DirectionRule:
    """What the lattice leaves of one correlation matrix.

    Parameters
    ----------
    count, rank : int
        k statistics of rank r.
    sums : ndarray (k, m)
        Weight of the ordered projections (smallest first) in the Bonferroni sums S_1..S_m that
        serve as control variates; S_j counts the sets of j statistics.
    measured : ndarray (SHIFTS, 1 + m, BINS)
        Share of the lattice's directions by bin: of the largest projection, then of S_1..S_m.
    known : tuple of ndarray (SHIFTS, BINS)
        Better measures, over the sphere of dimension 2 and 3: S_2 exactly, S_3 by shift.
    thinned : ndarray (points, k)
        Bins of the ordered projections of a part of the directions.
    """

    count: int
    rank: int
    sums: Floats
    measured: Floats
    known: tuple[Floats, ...]
    thinned: NDArray[np.intp]


def direction_rule(correlation: Floats) -> DirectionRule:
    """Count the directions of a correlation matrix; the same object while it is remembered.

    Parameters
    ----------
    correlation : ndarray (k, k)
        A correlation matrix, which may be singular; not checked here.

    Returns
    -------
    DirectionRule

    Raises
    ------
    UsageError
        When more statistics are linearly independent than the lattice has dimensions for.
    """
    # An array is no key of a dictionary; its bytes are.
    return _rule(np.ascontiguousarray(correlation).tobytes(), len(correlation))


def bin_projections() -> Floats:
    """Give the size of projection each bin stands for, between 0 and 1, shape (BINS,)."""
    return _projection((np.arange(BINS) + 0.5) / BINS)


@lru_cache(maxsize=8)
def _rule(correlation: bytes, count: int) -> DirectionRule:
    """One pass over the lattice; for rank 1 there are no directions to spread."""
    matrix = np.frombuffer(correlation).reshape(count, count)
    factor = _factor(matrix)
    rank = factor.shape[1]
    if rank > MOST_RANK:
        raise UsageError(
            found=f"{rank} linearly independent statistics in one family",
            expected=f"at most {MOST_RANK}",
            remedy="split the family by response or by opening",
        )
    above = np.arange(count - 1.0, -1.0, -1.0)
    triples = rank >= LEAST_RANK_FOR_TRIPLES and count <= MOST_FOR_TRIPLES
    sums = [np.ones(count), above, above * (above - 1.0) / 2.0][: 1 + (rank > 2) + triples]
    weights = np.array([np.eye(count)[-1], *sums])
    offsets = np.arange(count) * BINS
    measured, thinned = [], [np.empty((0, count), dtype=np.intp)]
    for directions in _directions(rank, POINTS) if rank > 1 else ():
        bins = _bins(np.sort(np.abs(directions @ factor.T), axis=1))
        shares = np.bincount((bins + offsets).ravel(), minlength=count * BINS) / POINTS
        measured.append(weights @ shares.reshape(count, BINS))
        thinned.append(bins[::THINNING])
    known = (_pair_measure(matrix),) if rank > 2 else ()
    return DirectionRule(
        count=count,
        rank=rank,
        sums=np.array(sums).T,
        measured=np.array(measured),
        known=(*known, _triple_measure(matrix)) if triples else known,
        thinned=np.concatenate(thinned),
    )


def _factor(matrix: Floats) -> Floats:
    """Factor R = A A', one row a statistic, the largest principal axis first, shape (k, r)."""
    values, vectors = np.linalg.eigh(matrix)
    kept = values > RANK_TOLERANCE * values[-1]
    values, vectors = values[kept][::-1], vectors[:, kept][:, ::-1]
    alike = np.flatnonzero(-np.diff(values) > RANK_TOLERANCE * values[0]) + 1
    axes = np.hstack([_own_axes(part) for part in np.split(vectors, alike, axis=1)])
    factor = axes * np.sqrt(values)
    return np.asarray(factor / np.sqrt((factor**2).sum(axis=1, keepdims=True)))


def _own_axes(vectors: Floats) -> Floats:
    """Orthonormal axes of the space that vectors span, whichever of its axes they are, (k, m).

    Eigenvectors have no sign of their own, and those of equal eigenvalues are any axes of their
    space: which, is left to the processor. The space's projector is unique. Its longest column
    comes first, then that of what is left: a Cholesky factor with pivots.
    """
    left = vectors @ vectors.T
    axes = np.empty_like(vectors)
    for axis in range(vectors.shape[1]):
        lengths = np.diag(left)
        pivot = int(np.flatnonzero(lengths >= lengths.max() - ALIKE)[0])
        axes[:, axis] = left[:, pivot] / np.sqrt(left[pivot, pivot])
        left = left - np.outer(axes[:, axis], axes[:, axis])
    return axes


def _bins(projection: Floats) -> NDArray[np.intp]:
    """Bins equal in v = 1 - sqrt(1 - sqrt q), where every density is finite at both ends."""
    v = 1.0 - np.sqrt(np.maximum(1.0 - projection, 0.0))
    return np.minimum((v * BINS).astype(np.intp), BINS - 1)


def _projection(v: Floats) -> Floats:
    return np.asarray(v * (2.0 - v))


def _pair_measure(matrix: Floats) -> Floats:
    """Bin masses of min(q_i, q_j), added over pairs, the same for each shift.

    On the circle, with s = arcsin(sqrt q) and angle a = arccos |r_ij| between the two axes,
    P(min <= q) = (2/pi) {min((pi - a)/2, s) + min(a/2, s)}.
    """
    upper = np.triu_indices(len(matrix), 1)
    half = np.arccos(np.minimum(np.abs(matrix[upper]), 1.0))[:, None] / 2.0
    s = np.arcsin(_projection(np.linspace(0.0, 1.0, BINS + 1)))
    below = (2.0 / np.pi) * (np.minimum(np.pi / 2.0 - half, s) + np.minimum(half, s))
    return np.tile(np.diff(below.sum(axis=0)), (SHIFTS, 1))


def _triple_measure(matrix: Floats) -> Floats:
    """Bin masses of min(q_i, q_j, q_k), added over sets of three, by shift, (SHIFTS, BINS).

    Signs and order within a set do not matter: sets alike in that are computed once.
    """
    sets = np.array(list(combinations(range(len(matrix)), 3)))
    sides = matrix[sets[:, [0, 0, 1]], sets[:, [1, 2, 2]]]
    alike = np.sort(np.abs(sides), axis=1)
    alike[:, 0] *= np.where(np.prod(sides, axis=1) < 0.0, -1.0, 1.0)
    alike, times = np.unique(alike.round(ALIKE_DECIMALS), axis=0, return_counts=True)
    alike = np.column_stack([alike, np.ones(len(alike))])
    values, vectors = np.linalg.eigh(alike[:, [[3, 0, 1], [0, 3, 2], [1, 2, 3]]])
    factors = (vectors * np.sqrt(np.maximum(values, 0.0))[:, None, :]).reshape(-1, 3)
    masses = []
    for directions in _directions(3, TRIPLE_POINTS):
        projections = np.abs(factors @ directions.T)
        smallest = np.minimum(np.minimum(projections[0::3], projections[1::3]), projections[2::3])
        shares = np.repeat(times / TRIPLE_POINTS, TRIPLE_POINTS)
        masses.append(np.bincount(_bins(smallest).ravel(), weights=shares, minlength=BINS))
    return np.array(masses)


@lru_cache(maxsize=4)
def _directions(rank: int, points: int) -> Floats:
    """Place unit vectors at the points of each shifted lattice, (SHIFTS, points, rank)."""
    dimensions = rank - 1
    generator = TRIPLE_GENERATOR if points == TRIPLE_POINTS else GENERATOR
    steps = np.outer(np.arange(points), generator[:dimensions]) % points / points
    # The bit generator's own numbers: they never change between versions of numpy.
    raw = np.random.PCG64(20090101).random_raw(SHIFTS * dimensions)
    shifts = (raw >> np.uint64(11)).reshape(SHIFTS, 1, dimensions) * 2.0**-53
    return _sphere((steps + shifts) % 1.0, rank)


def _sphere(u: Floats, rank: int) -> Floats:
    """Uniform points of the cube (..., rank - 1) to uniform points of the sphere (..., rank).

    Fang & Wang (1994): a pair of coordinates takes a share 1 - u^(2/(left - 2)) of the squared
    length and turns by the next u; three are left as height and turn, or two as a turn. Lengths
    are folded (the baker's transformation), turns are periodic by nature.
    """
    theta = np.empty((*u.shape[:-1], rank))
    squared, used = np.ones(u.shape[:-1]), 0
    while rank - used > 1:
        left = rank - used
        turn = 2.0 * np.pi * u[..., min(used + 1, rank - 2)]
        folded = 1.0 - np.abs(2.0 * u[..., used] - 1.0)
        kept = folded ** (2.0 / (left - 2)) if left > 3 else np.zeros_like(squared)
        if left == 3:
            height = 2.0 * u[..., used] - 1.0
            theta[..., used + 2] = np.sqrt(squared) * height
            kept = height**2
        length = np.sqrt(squared * (1.0 - kept))
        theta[..., used] = length * np.cos(turn)
        theta[..., used + 1] = length * np.sin(turn)
        squared = squared * kept
        used += 2 if left != 3 else 3
    return theta
