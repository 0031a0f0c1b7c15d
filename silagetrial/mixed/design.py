"""The design of a mixed model without its responses: rows in order, nested levels, border.

Rows are sorted so that each level's units are contiguous within the next level's.  The
columns of every row are ``[Z of the finest level | ... | Z of the top level | border | X]``,
each level's Z being local to its unit: a random intercept is one column of ones however
many levels its factor has.  Terms crossed with the top level have their columns in the
border, which is local to each top unit until it is scattered over all its levels.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from silagetrial.mixed.columns import border_columns, local_columns
from silagetrial.mixed.covariance import (
    Floats,
    Ints,
    Parameter,
    RandomTerm,
    Residual,
    one_variance,
)
from silagetrial.mixed.nesting import cheapest, homes, longest_chain, nested


@dataclass(frozen=True)
class Part:
    """Where one basis matrix is not zero, and what stands there.

    Attributes
    ----------
    rows : slice or int array
        A slice where the rows are next to each other.
    values : (r, r) array or None
        None for the identity, the basis of a lone intercept or slope.
    """

    rows: slice | Ints
    values: Floats | None


@dataclass(frozen=True)
class Level:
    """One step of absorption: the units of one grouping and the columns absorbed there.

    Attributes
    ----------
    width : int
        Number k of random-effect columns absorbed at this level, local to a unit.
    parameters : (m,) int array
        Positions in the parameter vector of the parameters that enter here.
    basis : (m, k, k) array
        A unit's covariance matrix of effects is ``sum_i theta_i basis_i``.
    parts : tuple of Part
        The basis without its zeros.
    starts : (u,) int array
        First unit of the level below (or first base unit) of each unit.
    disjoint : tuple of slice
        First or last columns that can be eliminated as if each were alone: no two of them
        share an observation, or anything absorbed before.  The next slice is of the columns
        that the ones before leave.
    """

    width: int
    parameters: Ints
    basis: Floats
    parts: tuple[Part, ...]
    starts: Ints
    disjoint: tuple[slice, ...]

    @property
    def is_diagonal(self) -> bool:
        """Whether no two effects of a unit are correlated."""
        return all(part.values is None for part in self.parts)

    @cached_property
    def diagonal(self) -> Floats:
        """Diagonals of the basis, (m, k)."""
        return np.asarray(np.diagonal(self.basis, axis1=1, axis2=2))


@dataclass(frozen=True)
class Border:
    """Terms crossed with the top level.

    Attributes
    ----------
    index : (u, r) int array
        For each top unit and each of its local border columns, the global column; the
        padding points at the extra column ``width``, which is thrown away.
    width : int
        Number of global columns.
    """

    index: Ints
    width: int


@dataclass(frozen=True)
class Design:
    """Everything the likelihood needs but the responses.

    Attributes
    ----------
    order : (n,) int array
        Sorted position -> row of the data.
    columns : (n, c) array
        ``[Z ... | border | Q]`` in sorted order; Q is X made orthonormal.
    r : (p, p) array
        Upper triangle with X = Q R.
    constant : (p,) array
        Coefficients of X that make a column of ones; zeros where there are none.
    residual : Residual
        In sorted order.
    base : (u,) int array
        First row of each base unit: units of serial correlation, or of the finest level.
    levels : tuple of Level
        From the finest to the top, then the border's.
    border : Border or None
    parameters : tuple of Parameter
        Random parameters, then the residual's.
    size : (m,) array
        What one unit of each variance adds to a row's variance on average; for a
        covariance the geometric mean of its two variances'.
    """

    order: Ints
    columns: Floats
    r: Floats
    constant: Floats
    residual: Residual
    base: Ints
    levels: tuple[Level, ...]
    border: Border | None
    parameters: tuple[Parameter, ...]
    size: Floats

    @property
    def n(self) -> int:
        """Number of rows."""
        return len(self.order)

    @property
    def p(self) -> int:
        """Number of columns of X."""
        return len(self.r)

    @property
    def q(self) -> Floats:
        """X made orthonormal, (n, p), rows sorted."""
        return self.columns[:, self.columns.shape[1] - self.p :]


def make_design(x: Floats, terms: Sequence[RandomTerm], residual: Residual | None = None) -> Design:
    """Lay out a design for evaluation.

    Parameters
    ----------
    x : (n, p) array of full column rank
    terms : sequence of RandomTerm
    residual : Residual, optional
        Independent rows with one variance, when left out.

    Returns
    -------
    Design
    """
    q, r = np.linalg.qr(x)
    left = one_variance(len(x)) if residual is None else residual
    chain = _chain(terms, left, width=x.shape[1] + 1)
    keys = chain if left.unit is None else [left.unit, *chain]
    order = np.lexsort(tuple(keys)) if keys else np.arange(len(x))
    base = _starts(keys[0][order]) if keys else np.zeros(1, dtype=np.int64)
    levels, blocks, border = _levels(terms, keys, order, base, first=len(keys) - len(chain))
    return Design(
        order=order.astype(np.int64),
        columns=np.column_stack([*blocks, q[order]]),
        r=r,
        constant=_constant(x, q, r),
        residual=left.take(order),
        base=base,
        levels=levels,
        border=border,
        parameters=(*(p for term in terms for p in term.parameters), *left.parameters),
        size=np.concatenate([*(_sizes(t) for t in terms), np.ones(len(left.parameters))]),
    )


def _chain(terms: Sequence[RandomTerm], residual: Residual, *, width: int) -> list[Ints]:
    """Groupings whose units are absorbed one after another, finest first.

    Where rows are correlated within units, no level may cut through a unit.
    """
    groupings = [term.codes for term in terms]
    if residual.unit is None:
        return cheapest(longest_chain(groupings), terms, width=width)
    around = [codes for codes in groupings if nested(residual.unit, codes)]
    return cheapest(longest_chain([residual.unit, *around]), terms, width=width)


def _levels(
    terms: Sequence[RandomTerm], keys: Sequence[Ints], order: Ints, base: Ints, *, first: int
) -> tuple[tuple[Level, ...], list[Floats], Border | None]:
    """Levels, their columns and the border; levels begin with the key `first`."""
    offsets = np.cumsum([0, *(len(term.parameters) for term in terms)])
    own = {id(term): np.arange(offsets[i], offsets[i + 1]) for i, term in enumerate(terms)}
    nothing = np.zeros(0, dtype=np.int64)
    at_home, crossed = homes(terms, keys[first:])
    levels, blocks, below = [], [], base
    for at, home in enumerate(at_home, start=first):
        codes = keys[at][order]
        starts = _starts(codes)
        z, basis, widths = local_columns(home, order, codes, starts)
        index = np.concatenate([nothing, *(own[id(t)] for t in home)])
        onto = np.searchsorted(below, starts)
        alone = _disjoint(home, keys[:at], widths)
        levels.append(Level(z.shape[1], index, basis, _parts(basis), onto, alone))
        blocks.append(z)
        below = starts
    if not crossed:
        return tuple(levels), blocks, None
    z, border_index, basis = border_columns(crossed, order, below)
    index = np.concatenate([own[id(t)] for t in crossed])
    whole, width = np.zeros(1, dtype=np.int64), basis.shape[1]
    levels.append(Level(width, index, basis, _parts(basis), whole, ()))
    return tuple(levels), [*blocks, z], Border(border_index, width)


def _disjoint(
    home: Sequence[RandomTerm], finer: Sequence[Ints], widths: Sequence[int]
) -> tuple[slice, ...]:
    """`Level.disjoint`: terms of single columns, from either end of the columns.

    What lies below, correlated rows or effects absorbed before, must not join two of a term's
    levels.
    """
    left, sizes, below, found = list(home), list(widths), list(finer), []
    while left:
        k = sum(sizes)
        ends = [(0, slice(0, sizes[0])), (len(left) - 1, slice(k - sizes[-1], k))]
        fit = [
            (run.stop - run.start, at, run)
            for at, run in ends
            if left[at].z.shape[1] == 1 and all(nested(f, left[at].codes) for f in below)
        ]
        most, at, run = max(fit, default=(0, 0, slice(0)), key=lambda end: end[0])
        if most < 2:
            break
        found.append(run)
        below.append(left.pop(at).codes)
        sizes.pop(at)
    return tuple(found)


def _starts(codes: Ints) -> Ints:
    """Return where each run of equal codes begins."""
    return np.flatnonzero(np.r_[True, codes[1:] != codes[:-1]]).astype(np.int64)


def _parts(basis: Floats) -> tuple[Part, ...]:
    """Cut zeros off basis matrices."""
    found = []
    for matrix in basis:
        rows = np.flatnonzero(matrix.any(axis=1))
        values = matrix[np.ix_(rows, rows)]
        where: slice | Ints = rows
        if len(rows) == rows[-1] - rows[0] + 1:
            where = slice(int(rows[0]), int(rows[-1]) + 1)
        found.append(Part(where, None if (values == np.eye(len(rows))).all() else values))
    return tuple(found)


def _constant(x: Floats, q: Floats, r: Floats) -> Floats:
    """Coefficients of X that make a column of ones; whole numbers where those do it exactly."""
    found: Floats = np.asarray(np.linalg.solve(r, q.T @ np.ones(len(x))), dtype=np.float64)
    whole: Floats = np.round(found)
    if (x @ whole == 1.0).all():
        return whole
    return found if np.abs(x @ found - 1.0).max() < 1e-10 else np.zeros_like(found)


def _sizes(term: RandomTerm) -> Floats:
    square = (term.z**2).mean(axis=0)
    total = np.einsum("a,mab,b->m", square, term.basis, square)
    sizes: Floats = np.sqrt(total / term.basis.sum(axis=(1, 2)))
    return sizes
