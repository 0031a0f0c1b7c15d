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

from silagetrial.mixed.covariance import (
    Floats,
    Ints,
    Parameter,
    RandomTerm,
    Residual,
    one_variance,
)


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
    """

    width: int
    parameters: Ints
    basis: Floats
    parts: tuple[Part, ...]
    starts: Ints

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
    parameters = (*(p for term in terms for p in term.parameters), *left.parameters)
    offsets = np.cumsum([0, *(len(term.parameters) for term in terms)])
    at = {id(term): np.arange(offsets[i], offsets[i + 1]) for i, term in enumerate(terms)}
    groupings = [term.codes for term in terms]
    if left.unit is None:
        chain = _cheapest(_chain(groupings), terms, width=x.shape[1] + 1)
    else:
        around = [codes for codes in groupings if _nested(left.unit, codes)]
        chain = _cheapest(_chain([left.unit, *around]), terms, width=x.shape[1] + 1)
    homes, crossed = _homes(terms, chain)
    keys = chain if left.unit is None else [left.unit, *chain]
    order = np.lexsort(tuple(keys)) if keys else np.arange(len(x))
    sorted_chain = [codes[order] for codes in chain]
    base = _starts(keys[0][order]) if keys else np.zeros(1, dtype=np.int64)
    levels, blocks = [], []
    below = base
    for codes, home in zip(sorted_chain, homes, strict=True):
        starts = _starts(codes)
        z, basis = _local_columns(home, order, codes, starts)
        index = np.concatenate([np.zeros(0, dtype=np.int64), *(at[id(t)] for t in home)])
        first = np.searchsorted(below, starts)
        levels.append(Level(z.shape[1], index, basis, _parts(basis), first))
        blocks.append(z)
        below = starts
    border = None
    if crossed:
        z, border, basis = _border_columns(crossed, order, below)
        index = np.concatenate([at[id(t)] for t in crossed])
        one = np.zeros(1, dtype=np.int64)
        levels.append(Level(border.width, index, basis, _parts(basis), one))
        blocks.append(z)
    return Design(
        order=order.astype(np.int64),
        columns=np.column_stack([*blocks, q[order]]),
        r=r,
        constant=_constant(x, q, r),
        residual=left.take(order),
        base=base,
        levels=tuple(levels),
        border=border,
        parameters=parameters,
        size=np.concatenate([*(_sizes(t) for t in terms), np.ones(len(left.parameters))]),
    )


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


def _nested(inner: Ints, outer: Ints) -> bool:
    """Whether every level of ``inner`` lies in one level of ``outer``."""
    return len(_pairs_of(inner, outer)) == len(np.unique(inner))


def _pairs_of(first: Ints, second: Ints) -> Ints:
    """Return the distinct pairs of two groupings, each as one number, in order of the first."""
    pairs: Ints = np.unique(first * (second.max() + 1) + second)
    return pairs


def _chain(groupings: Sequence[Ints]) -> list[Ints]:
    """Return the longest chain of nested groupings, finest first; ties to the finer."""
    distinct: list[Ints] = []
    for codes in sorted(groupings, key=lambda c: -len(np.unique(c))):
        if not any(_nested(codes, d) and _nested(d, codes) for d in distinct):
            distinct.append(codes)
    best: list[list[int]] = []
    for i, codes in enumerate(distinct):
        below = [best[j] for j in range(i) if _nested(distinct[j], codes)]
        best.append([*max(below, key=len, default=[]), i])
    return [distinct[i] for i in max(best, key=len, default=[])]


PASS, TOUCH = 20_000, 20
"""Cost of one more level, and of touching an entry, in multiplications: set so that small blocks
take all their levels at once, where the calls would cost more than the products."""


def _cheapest(chain: list[Ints], terms: Sequence[RandomTerm], *, width: int) -> list[Ints]:
    """Drop fine levels whose columns are absorbed sooner together with a coarser one's."""

    def cost(cut: int) -> float:
        homes, crossed = _homes(terms, chain[cut:])
        widths = [
            sum(_most_within(codes, term.codes) * term.z.shape[1] for term in home)
            for codes, home in zip(chain[cut:], homes, strict=True)
        ]
        tail = width + sum(len(term.levels) for term in crossed)
        total = 0.0
        for i, codes in enumerate(chain[cut:]):
            columns = sum(widths[i:]) + tail
            total += PASS + len(np.unique(codes)) * columns**2 * (widths[i] + TOUCH)
        return total

    return chain[min(range(len(chain)), key=cost, default=0) :]


def _most_within(outer: Ints, inner: Ints) -> int:
    """Return the largest number of levels of ``inner`` within a level of ``outer``."""
    outer_of, _ = np.divmod(_pairs_of(outer, inner), inner.max() + 1)
    return int(np.bincount(outer_of).max())


def _homes(
    terms: Sequence[RandomTerm], chain: Sequence[Ints]
) -> tuple[list[list[RandomTerm]], list[RandomTerm]]:
    """Give each term the finest level of the chain it is nested in; the rest are crossed."""
    homes: list[list[RandomTerm]] = [[] for _ in chain]
    crossed: list[RandomTerm] = []
    for term in terms:
        level = next((i for i, codes in enumerate(chain) if _nested(term.codes, codes)), None)
        (crossed if level is None else homes[level]).append(term)
    return homes, crossed


def _local_columns(
    home: Sequence[RandomTerm], order: Ints, codes: Ints, starts: Ints
) -> tuple[Floats, Floats]:
    """Z of a level, (n, k), and its basis: each term's columns for the unit's own levels."""
    unit = np.searchsorted(starts, np.arange(len(codes)), side="right") - 1
    z_parts, basis_parts = [np.zeros((len(codes), 0))], []
    for term in home:
        slot, width = _rank_within(unit, term.codes[order])
        z_parts.append(_spread(term.z[order], slot, width))
        basis_parts.append(np.stack([np.kron(np.eye(width), b) for b in term.basis]))
    return np.column_stack(z_parts), _block_basis(basis_parts)


def _rank_within(unit: Ints, codes: Ints) -> tuple[Ints, int]:
    """Return the number of each row's level within its unit, 0, 1, ..., and the largest count."""
    pairs, inverse = np.unique(unit * (codes.max() + 1) + codes, return_inverse=True)
    owner = pairs // (codes.max() + 1)
    rank = np.arange(len(pairs)) - np.searchsorted(owner, owner)
    return rank[inverse], int(rank.max()) + 1


def _spread(z: Floats, slot: Ints, width: int) -> Floats:
    """Put each row's k values into the columns of its slot: (n, width * k)."""
    n, k = z.shape
    out = np.zeros((n, width, k))
    out[np.arange(n), slot] = z
    return out.reshape(n, width * k)


def _block_basis(parts: Sequence[Floats]) -> Floats:
    """Stack the bases of several terms along the diagonal: (sum m, sum k, sum k)."""
    size = sum(part.shape[1] for part in parts)
    out = np.zeros((sum(len(part) for part in parts), size, size))
    row = column = 0
    for part in parts:
        width = part.shape[1]
        out[row : row + len(part), column : column + width, column : column + width] = part
        row, column = row + len(part), column + width
    return out


def _border_columns(
    crossed: Sequence[RandomTerm], order: Ints, starts: Ints
) -> tuple[Floats, Border, Floats]:
    """Columns of the crossed terms, local to each top unit, and where they belong."""
    n = len(order)
    unit = np.searchsorted(starts, np.arange(n), side="right") - 1
    width = sum(len(term.levels) * term.z.shape[1] for term in crossed)
    z_parts, index_parts, basis_parts = [], [], []
    offset = 0
    for term in crossed:
        k, codes = term.z.shape[1], term.codes[order]
        slot, size = _rank_within(unit, codes)
        z_parts.append(_spread(term.z[order], slot, size))
        index = np.full((len(starts), size, k), width)
        index[unit, slot] = offset + codes[:, None] * k + np.arange(k)
        index_parts.append(index.reshape(len(starts), size * k))
        eye = np.eye(len(term.levels))
        basis_parts.append(np.stack([np.kron(eye, b) for b in term.basis]))
        offset += len(term.levels) * k
    border = Border(np.column_stack(index_parts).astype(np.int64), width)
    return np.column_stack(z_parts), border, _block_basis(basis_parts)
