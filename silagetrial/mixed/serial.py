"""Residuals that are correlated over time or place within units, and the ranges they allow.

Units with rows at the same distances and of the same groups share one covariance matrix, such as
bales cored on the same days: it is factored once for all of them.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from silagetrial.mixed.carried import Carried, pairs
from silagetrial.mixed.covariance import Bools, Floats, Ints
from silagetrial.mixed.design import Design

__all__ = ["Serial", "range_limits", "range_starts", "serial_supply", "serial_whitener"]

NEAREST, FARTHEST = 0.15, 50.0
"""A range must lie between this share of the smallest distance and this multiple of the
largest: outside, serial correlation is none at all (0.001 between the nearest rows, where the
likelihood is flat), or cannot be told from the unit itself."""
SINGULAR = 1e-12
"""Share of a row's variance that must be left given the rows before it in the unit."""
STARTS = 5
"""Ranges from which the maximiser starts: the likelihood can have several maxima in it."""


@dataclass(frozen=True)
class Serial:
    """Rows correlated within base units, padded to the largest of u units.

    Attributes
    ----------
    f : (T, u, r, c + 1) array
        Columns [Z X y]; zeros in padded and missing rows.
    pattern : (u,) int array
        Which of q patterns of rows each unit has.
    present : (T, q, r) array
        One where a row is there.
    distance : (q, r, r) array
    groups : (q, r) int array
        Group of each row's variance.
    group_count : int
    measurement_error : bool
    limits : (2,) array
        Smallest and largest range.
    """

    f: Floats
    pattern: Ints
    present: Floats
    distance: Floats
    groups: Ints
    group_count: int
    measurement_error: bool
    limits: Floats

    def take(self, index: npt.NDArray[Any]) -> Serial:
        """Return some of the data sets."""
        return replace(self, f=self.f[index], present=self.present[index])

    @property
    def carried_parameters(self) -> int:
        """Residual parameters carried from here: all, for V is not linear in them."""
        return self.group_count + 1 + self.measurement_error

    def unit(self, theta: Floats) -> Floats:
        """One: a range has a unit of its own."""
        return np.ones(len(theta))

    def carried(self, theta: Floats) -> tuple[Carried, Bools]:
        """The six things at variances, range and measurement error; whether they are possible."""
        theta, valid = self._possible(theta)
        d, d_i, second = self.covariance(theta)
        back, log_det, definite = _whitening(d)
        b = back @ d_i @ back.mT
        left, right = pairs(len(d_i))
        b_ij = b[left] @ b[right]
        b_second = back @ second @ back.mT
        f = back[:, self.pattern] @ self.f
        middle = np.concatenate([b, (b_ij + b_ij.mT) / 2, b_second])
        forms = _forms(f, middle[:, :, self.pattern])
        m, both = len(b), len(b) + len(b_ij)
        traces = np.trace(middle, axis1=-2, axis2=-1)[:, :, self.pattern]
        return Carried(
            a=f.mT @ f,
            a_i=forms[:m],
            a_ij=forms[m:both],
            a_second=forms[both:],
            log_det=log_det[:, self.pattern],
            t_i=traces[:m],
            t_ij=traces[m:both],
            t_second=traces[both:],
        ), valid & definite.all(axis=1)

    def _possible(self, theta: Floats) -> tuple[Floats, Bools]:
        """Parameters, others in the place of those that are not possible, and which are."""
        g = self.group_count
        span = theta[:, g]
        valid = (theta[:, :g] > 0).all(axis=1) & (span >= self.limits[0])
        valid = valid & (span <= self.limits[1])
        if self.measurement_error:
            valid = valid & (theta[:, -1] >= 0)
        safe = np.where(valid[:, None], theta, 1.0)
        safe[:, g] = np.where(valid, span, self.limits.mean())
        return safe, valid

    def second_derivatives(self) -> list[tuple[int, int]]:
        """Pairs of residual parameters whose second derivative of V is not zero."""
        left, right = pairs(self.group_count + 1)
        return [(int(i), int(j)) for i, j in zip(left, right, strict=True)]

    def covariance(self, theta: Floats) -> tuple[Floats, Floats, Floats]:
        """D of each pattern, its first and second derivatives; the identity for rows not there.

        ``D = K + s_e I``, ``K_rs = sqrt(s_g s_h) exp(-d / range)``.
        """
        g = self.group_count
        s, span = theta[:, :g], theta[:, g, None, None, None]
        root = np.sqrt(s[:, self.groups])
        both = self.present[..., :, None] * self.present[..., None, :]
        k = root[..., :, None] * root[..., None, :] * np.exp(-self.distance / span) * both
        own = (self.groups == np.arange(g)[:, None, None]).astype(float)
        touch = (own[..., :, None] + own[..., None, :])[:, None]  # (g, 1, q, r, r)
        h = touch / (2.0 * s.T[:, :, None, None, None])
        slope = self.distance / span**2
        rates = [*h, slope]
        first = [k * rate for rate in rates]
        second = []
        for i, j in self.second_derivatives():
            change = first[i] * rates[j]
            if i == j and i < g:
                change = change - first[i] / s[:, i, None, None, None]
            elif i == j:
                change = change - 2.0 * first[i] / span
            second.append(change)
        eye = np.eye(k.shape[-1])
        d = k + eye * (1.0 - self.present)[..., None]
        if self.measurement_error:
            only = eye * self.present[..., None]
            d = d + theta[:, -1, None, None, None] * only
            first.append(np.broadcast_to(only, k.shape))
        return d, np.stack(first), np.stack(second)


def _forms(f: Floats, middle: Floats) -> Floats:
    """``F'M F`` of s symmetric matrices a unit, (s, T, u, c, c), in two products a unit.

    Parameters
    ----------
    f : (T, u, r, c) array
    middle : (s, T, u, r, r) array
    """
    t, u, r, c = f.shape
    s = len(middle)
    beside = np.moveaxis(middle, 0, 3).reshape(t, u, r, s * r)
    left = (f.mT @ beside).reshape(t, u, c * s, r)
    return np.asarray(np.moveaxis((left @ f).reshape(t, u, c, s, c), 3, 0))


def serial_whitener(design: Design, theta: Floats) -> tuple[Floats, Ints, Ints]:
    """Entries of the block-diagonal W with ``W'W = D^-1``, and their sorted rows and columns.

    Parameters
    ----------
    design : Design
    theta : array
        The residual's parameters.
    """
    supply, (rows, filled) = serial_supply(design, np.zeros((1, design.n)), None), _padded(design)
    back = _whitening(supply.covariance(theta[None])[0])[0][0, supply.pattern]
    unit, i, j = np.nonzero(back * filled[:, :, None] * filled[:, None])
    return back[unit, i, j], rows[unit, i], rows[unit, j]


def _whitening(d: Floats) -> tuple[Floats, Floats, Bools]:
    """Inverse Cholesky factors of stacked matrices, log determinants, and which are definite."""
    lower, definite = _cholesky(d)
    log_det = 2.0 * np.log(np.diagonal(lower, axis1=-2, axis2=-1)).sum(axis=-1)
    return np.asarray(np.linalg.inv(lower)), log_det, definite


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


def serial_supply(design: Design, y: Floats, mask: Floats | None) -> Serial:
    """Pad the units of serial correlation to the largest; y and mask as in `residual.supply`."""
    rows, filled = _padded(design)
    distance, groups = _distances(design, rows), design.residual.groups[rows]
    pattern = first = np.arange(len(rows))
    if mask is None:
        own = filled[:, :, None] & filled[:, None]
        told = np.concatenate([filled, groups * filled, (distance * own).reshape(len(rows), -1)], 1)
        _, first, pattern = np.unique(told, axis=0, return_index=True, return_inverse=True)
    there = np.repeat(filled[None].astype(np.float64), len(y), axis=0)
    there = there if mask is None else there * mask[:, rows]
    f = np.broadcast_to(design.columns[rows], (len(y), *rows.shape, design.columns.shape[1]))
    return Serial(
        f=np.concatenate([f, y[:, rows, None]], axis=-1) * there[..., None],
        pattern=pattern,
        present=there[:, first],
        distance=distance[first],
        groups=groups[first],
        group_count=len(design.residual.names),
        measurement_error=design.residual.measurement_error,
        limits=np.array(range_limits(design)),
    )


def _padded(design: Design) -> tuple[Ints, Bools]:
    """Sorted positions of each unit's rows, padded, and where there is one.

    By group and place within units, so that units of one pattern look alike.
    """
    sizes = np.diff(np.r_[design.base, design.n])
    unit, residual = np.repeat(np.arange(len(sizes)), sizes), design.residual
    order = np.lexsort((*residual.coordinates.T, residual.groups, unit))
    slots = np.arange(sizes.max())
    filled = slots < sizes[:, None]
    return order[np.where(filled, design.base[:, None] + slots, 0)], filled


def _distances(design: Design, rows: Ints) -> Floats:
    """Distances between the rows of each unit, (u, r, r)."""
    at = design.residual.coordinates[rows]
    return np.asarray(np.sqrt(((at[:, :, None] - at[:, None]) ** 2).sum(axis=-1)))


def range_limits(design: Design) -> tuple[float, float]:
    """Smallest and largest range that a design allows."""
    rows, filled = _padded(design)
    distance = _distances(design, rows)
    apart = distance[(filled[:, :, None] & filled[:, None]) & (distance > 0)]
    return float(NEAREST * apart.min()), float(FARTHEST * apart.max())


def range_starts(design: Design) -> Floats:
    """Ranges to start from, log-spaced over the distances within units; none if not serial."""
    if design.residual.unit is None:
        return np.zeros(0)
    low, high = range_limits(design)
    shortest, longest = low / NEAREST, high / FARTHEST
    starts: Floats = np.geomspace(shortest / 2, longest, STARTS)
    return starts
