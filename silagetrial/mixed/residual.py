"""What the residual supplies to the likelihood: the six things per base unit.

`Grouped` rows are independent, with one variance or a variance by group: stored
cross-products serve every parameter vector.  Rows correlated within units are in `serial`.
Nothing above knows which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy import sparse

from silagetrial.mixed.carried import Carried, pairs
from silagetrial.mixed.covariance import Bools, Floats, Ints
from silagetrial.mixed.design import Design
from silagetrial.mixed.serial import Serial, serial_supply, serial_whitener

__all__ = ["Grouped", "Supply", "residual_whitener", "supply"]


@dataclass(frozen=True)
class Grouped:
    """Independent rows.

    Attributes
    ----------
    products : (T, u, g, c + 1, c + 1) array
        ``F'F`` with F = [Z X y] of the rows of each base unit and group.
    counts : (T, u, g) array
        Rows of each base unit and group.
    """

    products: Floats
    counts: Floats

    def take(self, index: npt.NDArray[Any]) -> Grouped:
        """Return some of the data sets."""
        return Grouped(self.products[index], self.counts[index])

    @property
    def carried_parameters(self) -> int:
        """Residual parameters carried from here; the last variance comes by linearity."""
        return int(self.products.shape[2]) - 1

    def second_derivatives(self) -> list[tuple[int, int]]:
        """None: V is linear in variances."""
        return []

    def unit(self, theta: Floats) -> Floats:
        """The variance in whose units the others are given to `carried`, (T,): the last one."""
        return np.where(theta[:, -1] > 0, theta[:, -1], 1.0)

    def carried(self, theta: Floats) -> tuple[Carried, Bools]:
        """The six things at residual variances (T, g); whether they are above zero.

        The last variance, if above zero, is one.
        """
        valid = np.asarray((theta > 0).all(axis=1))
        m, count = self.carried_parameters, self.counts
        weight = 1.0 / np.where(theta[:, :m] > 0, theta[:, :m], 1.0)
        left, right = pairs(m)
        same = (left == right)[:, None, None]
        wide = weight.T[:, :, None]
        once = np.moveaxis(self.products[:, :, :m], 2, 0) * wide[..., None, None]
        first = once * wide[..., None, None]
        t_i = np.moveaxis(count[:, :, :m], 2, 0) * wide
        a = self.products[:, :, m]
        return Carried(
            a=a + once.sum(axis=0) if m else a,
            a_i=first,
            a_ij=(first * wide[..., None, None])[left] * same[..., None, None],
            a_second=np.zeros((0, *a.shape)),
            log_det=-(np.moveaxis(count[:, :, :m], 2, 0) * np.log(wide)).sum(axis=0),
            t_i=t_i,
            t_ij=(t_i * wide)[left] * same,
            t_second=np.zeros((0, *a.shape[:2])),
        ), valid


Supply: TypeAlias = Grouped | Serial


def supply(design: Design, y: Floats, mask: Floats | None) -> Supply:
    """Arrange responses for evaluation.

    Parameters
    ----------
    design : Design
    y : (T, n) array
        In sorted order; zero where missing.
    mask : (T, n) array or None
        One where a row is there.
    """
    if design.residual.unit is None:
        return _grouped(design, y, mask)
    return serial_supply(design, y, mask)


def _unit_sizes(design: Design) -> Ints:
    return np.asarray(np.diff(np.r_[design.base, design.n]), dtype=np.int64)


def _grouped(design: Design, y: Floats, mask: Floats | None) -> Grouped:
    """``F'F`` of each base unit and group; units of one size in one product."""
    f, groups = design.columns, design.residual.groups
    g, c, u = len(design.residual.names), design.columns.shape[1], len(design.base)
    sizes = _unit_sizes(design)
    products = np.empty((len(y), u, g, c + 1, c + 1))
    counts = np.empty((len(y), u, g))
    for size in np.unique(sizes):
        units = np.flatnonzero(sizes == size)
        rows = design.base[units][:, None] + np.arange(size)
        for group in range(g):
            own = (groups[rows] == group)[None].astype(float) if g > 1 else np.ones((1, 1, 1))
            weight = own if mask is None else own * mask[:, rows]
            fu, yu = f[rows], y[:, rows, None]
            weighted = fu.mT if weight.size == 1 else fu.mT * weight[:, :, None, :]
            products[:, units, group, :c, :c] = weighted @ fu
            cross = weighted @ yu
            products[:, units, group, :c, c:] = cross
            products[:, units, group, c:, :c] = cross.mT
            products[:, units, group, c:, c:] = (yu.mT * weight[:, :, None, :]) @ yu
            counts[:, units, group] = weight.sum(axis=-1) if weight.size > 1 else float(size)
    return Grouped(products, counts)


def residual_whitener(design: Design, theta: Floats) -> sparse.csc_array:
    """Return sparse W with ``W'W = D^-1``, rows and columns in the order of the data.

    Parameters
    ----------
    design : Design
    theta : (m,) array
        All parameters; the residual's are the last.
    """
    own = theta[len(design.parameters) - len(design.residual.parameters) :]
    order, n = design.order, design.n
    if design.residual.unit is None:
        values = 1.0 / np.sqrt(own[design.residual.groups])
        return sparse.csc_array((values, (order, order)), shape=(n, n))
    values, i, j = serial_whitener(design, own)
    return sparse.csc_array((values, (order[i], order[j])), shape=(n, n))
