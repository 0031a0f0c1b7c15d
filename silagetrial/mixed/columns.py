"""Columns of random terms local to the units of a level, and of terms crossed with the top.

Each term has as many columns in every unit as the unit with the most of its levels needs;
a unit with fewer has columns of zeros.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from silagetrial.mixed.covariance import Floats, Ints, RandomTerm

__all__ = ["border_columns", "local_columns"]


def local_columns(
    home: Sequence[RandomTerm], order: Ints, codes: Ints, starts: Ints
) -> tuple[Floats, Floats, list[int]]:
    """Z of a level, (n, k), its basis, and how many columns each term has in a unit."""
    unit = np.searchsorted(starts, np.arange(len(codes)), side="right") - 1
    z_parts, basis_parts = [np.zeros((len(codes), 0))], []
    for term in home:
        slot, width = _rank_within(unit, term.codes[order])
        z_parts.append(_spread(term.z[order], slot, width))
        basis_parts.append(np.stack([np.kron(np.eye(width), b) for b in term.basis]))
    widths = [part.shape[1] for part in basis_parts]
    return np.column_stack(z_parts), _block_basis(basis_parts), widths


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


def border_columns(
    crossed: Sequence[RandomTerm], order: Ints, starts: Ints
) -> tuple[Floats, Ints, Floats]:
    """Z of crossed terms, local to each top unit, their index in `Border`, and the basis."""
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
    index = np.column_stack(index_parts).astype(np.int64)
    return np.column_stack(z_parts), index, _block_basis(basis_parts)
