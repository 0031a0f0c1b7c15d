"""What the residual supplies to the likelihood: the six things per base unit.

`Grouped` rows are independent, with one variance or a variance by group: stored
cross-products serve every parameter vector.  `Serial` rows are correlated within units:
one small Cholesky factor a unit.  Nothing above knows which.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any, TypeAlias

import numpy as np
import numpy.typing as npt
from scipy import sparse

from silagetrial.mixed.absorb import Carried, pairs
from silagetrial.mixed.covariance import Bools, Floats, Ints
from silagetrial.mixed.design import Design

__all__ = [
    "Grouped",
    "Serial",
    "Supply",
    "range_limits",
    "range_starts",
    "residual_whitener",
    "supply",
]

NEAREST, FARTHEST = 0.15, 50.0
"""A range must lie between this share of the smallest distance and this multiple of the
largest: outside, serial correlation is none at all (0.001 between the nearest rows, where the
likelihood is flat), or cannot be told from the unit itself."""
SINGULAR = 1e-12
"""Share of a row's variance that must be left given the rows before it in the unit."""


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

    def carried(self, theta: Floats) -> tuple[Carried, Bools]:
        """The six things at residual variances (T, g); whether they are above zero."""
        valid = np.asarray((theta > 0).all(axis=1))
        weight = 1.0 / np.where(theta > 0, theta, 1.0)
        count, wide = self.counts, weight[:, None, :, None, None]
        each = self.products * wide
        m = self.carried_parameters
        left, right = pairs(m)
        same = (left == right)[:, None, None]
        first = np.moveaxis((each * wide)[:, :, :m], 2, 0)
        t_i = np.moveaxis((count * weight[:, None])[:, :, :m], 2, 0)
        inner = weight.T[:m, :, None]
        return Carried(
            a=each.sum(axis=2) if m else each[:, :, 0],
            a_i=first,
            a_ij=(first * inner[..., None, None])[left] * same[..., None, None],
            a_second=np.zeros((0, *each[:, :, 0].shape)),
            log_det=-(count * np.log(weight)[:, None]).sum(axis=2),
            t_i=t_i,
            t_ij=(t_i * inner)[left] * same,
            t_second=np.zeros((0, *count.shape[:2])),
        ), valid


@dataclass(frozen=True)
class Serial:
    """Rows correlated within base units, padded to the largest of u units.

    Attributes
    ----------
    f : (1, u, r, c) array
        Columns [Z X]; zeros in padded rows.
    y : (T, u, r) array
        Zeros in padded and missing rows.
    present : (T, u, r) array
        One where a row is there.
    distance : (u, r, r) array
    groups : (u, r) int array
        Group of each row's variance.
    group_count : int
    measurement_error : bool
    limits : (2,) array
        Smallest and largest range.
    """

    f: Floats
    y: Floats
    present: Floats
    distance: Floats
    groups: Ints
    group_count: int
    measurement_error: bool
    limits: Floats

    def take(self, index: npt.NDArray[Any]) -> Serial:
        """Return some of the data sets."""
        return Serial(
            self.f, self.y[index], self.present[index], self.distance, self.groups,
            self.group_count, self.measurement_error, self.limits,
        )  # fmt: skip

    @property
    def carried_parameters(self) -> int:
        """Residual parameters carried from here: all, for V is not linear in them."""
        return self.group_count + 1 + self.measurement_error

    def carried(self, theta: Floats) -> tuple[Carried, Bools]:
        """The six things at variances, range and measurement error; whether they are possible."""
        g = self.group_count
        span = theta[:, g]
        valid = (theta[:, :g] > 0).all(axis=1) & (span >= self.limits[0])
        valid = valid & (span <= self.limits[1])
        if self.measurement_error:
            valid = valid & (theta[:, -1] >= 0)
        safe = np.where(valid[:, None], theta, 1.0)
        safe[:, g] = np.where(valid, span, self.limits.mean())
        d, d_i, second = self.covariance(safe)
        lower, definite = _cholesky(d)
        valid = valid & definite.all(axis=1)
        back = np.asarray(np.linalg.inv(lower))
        present = self.present[..., None]
        f = np.broadcast_to(self.f, (len(theta), *self.f.shape[1:])) * present
        f = back @ np.concatenate([f, self.y[..., None]], axis=-1)
        b = back @ d_i @ back.mT
        left, right = pairs(len(d_i))
        bf = b @ f
        a_ij = bf[left].mT @ bf[right] / 2
        b_second = back @ second @ back.mT
        return Carried(
            a=f.mT @ f,
            a_i=f.mT @ bf,
            a_ij=a_ij + a_ij.mT,
            a_second=f.mT @ b_second @ f,
            log_det=2.0 * np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(axis=-1),
            t_i=np.trace(b, axis1=-2, axis2=-1),
            t_ij=(b[left] * b[right]).sum(axis=(-1, -2)),
            t_second=np.trace(b_second, axis1=-2, axis2=-1),
        ), valid

    def second_derivatives(self) -> list[tuple[int, int]]:
        """Pairs of residual parameters whose second derivative of V is not zero."""
        left, right = pairs(self.group_count + 1)
        return [(int(i), int(j)) for i, j in zip(left, right, strict=True)]

    def covariance(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """D, its first and its second derivatives, with the identity for rows not there.

        ``D = K + s_e I``, ``K_rs = sqrt(s_g s_h) exp(-d / range)``.
        """
        g = self.group_count
        s, span = theta[:, :g], theta[:, g, None, None, None]
        root = np.sqrt(s[:, self.groups])
        both = self.present[..., :, None] * self.present[..., None, :]
        k = root[..., :, None] * root[..., None, :] * np.exp(-self.distance / span) * both
        own = (self.groups == np.arange(g)[:, None, None]).astype(float)
        touch = (own[..., :, None] + own[..., None, :])[:, None]  # (g, 1, u, r, r)
        h = touch / (2.0 * s.T[:, :, None, None, None])
        slope = self.distance / span**2
        rates = [*h, slope]
        first = [k * rate for rate in rates]
        second = []
        for i, j in self.second_derivatives():
            change = k * rates[i] * rates[j]
            if i == j and i < g:
                change = change - k * h[i] / s[:, i, None, None, None]
            elif i == j:
                change = change - 2.0 * k * slope / span
            second.append(change)
        eye = np.eye(k.shape[-1])
        d = k + eye * (1.0 - self.present)[..., None]
        if self.measurement_error:
            only = eye * self.present[..., None]
            d = d + theta[:, -1, None, None, None] * only
            first.append(np.broadcast_to(only, k.shape))
        return d, np.stack(first), np.stack(second)


def _cholesky(d: Floats) -> tuple[Floats, Bools]:
    """Cholesky factors of stacked matrices and which are definite; the identity for the others.

    Two rows at one time without measurement error are singular, and numpy refuses a whole
    stack for the sake of one matrix.
    """
    good = np.ones(d.shape[:-2], dtype=bool)
    try:
        lower = np.linalg.cholesky(d)
    except np.linalg.LinAlgError:
        value = np.linalg.eigvalsh(d)
        good = np.asarray(value[..., 0] > SINGULAR * value[..., -1])
        lower = np.linalg.cholesky(np.where(good[..., None, None], d, np.eye(d.shape[-1])))
    left = np.diagonal(lower, axis1=-2, axis2=-1) ** 2
    whole = np.diagonal(d, axis1=-2, axis2=-1)
    definite = np.asarray(good & (left > SINGULAR * whole).all(axis=-1))
    return np.where(definite[..., None, None], lower, np.eye(d.shape[-1])), definite


Supply: TypeAlias = Grouped | Serial

STARTS = 5
"""Ranges from which the maximiser starts: the likelihood can have several maxima in it."""


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
    return _serial(design, y, mask)


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


def _serial(design: Design, y: Floats, mask: Floats | None) -> Serial:
    """Pad the units of serial correlation to the largest."""
    sizes = _unit_sizes(design)
    slots = np.arange(sizes.max())
    filled = slots < sizes[:, None]
    rows = np.where(filled, design.base[:, None] + slots, 0)
    present = filled[None].astype(float)
    present = np.repeat(present, len(y), axis=0) if mask is None else present * mask[:, rows]
    at = design.residual.coordinates[rows]
    distance = np.sqrt(((at[:, :, None] - at[:, None]) ** 2).sum(axis=-1))
    apart = distance[(filled[:, :, None] & filled[:, None]) & (distance > 0)]
    limits = np.array([NEAREST * apart.min(), FARTHEST * apart.max()])
    return Serial(
        f=(design.columns[rows] * filled[..., None])[None],
        y=y[:, rows] * present,
        present=present,
        distance=distance,
        groups=design.residual.groups[rows],
        group_count=len(design.residual.names),
        measurement_error=design.residual.measurement_error,
        limits=limits,
    )


def range_limits(design: Design) -> tuple[float, float]:
    """Smallest and largest range that a design allows."""
    low, high = _serial(design, np.zeros((1, design.n)), None).limits
    return float(low), float(high)


def range_starts(design: Design) -> Floats:
    """Ranges to start from, log-spaced over the distances within units; none if not serial."""
    if design.residual.unit is None:
        return np.zeros(0)
    low, high = range_limits(design)
    shortest, longest = low / NEAREST, high / FARTHEST
    starts: Floats = np.geomspace(shortest / 2, longest, STARTS)
    return starts


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
    rows = _serial(design, np.zeros((1, n)), None)
    d, _, _ = rows.covariance(own[None])
    back = np.asarray(np.linalg.inv(np.linalg.cholesky(d)))[0]
    unit, i, j = np.nonzero(back * rows.present[0][:, :, None] * rows.present[0][:, None, :])
    where = order[design.base[unit] + i], order[design.base[unit] + j]
    return sparse.csc_array((back[unit, i, j], where), shape=(n, n))
