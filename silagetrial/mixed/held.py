"""Hold a parameter, or a correlation, while the likelihood is maximised over the others.

The maximiser holds a coordinate by never moving it, so the quantity held has to be a
coordinate.  A variance of correlated effects is one when it comes first in the Cholesky
factor L of its covariance matrix: ``G_00 = L_00^2``.  A covariance becomes one in place of
L_10, as ``G_10 = L_10 L_00``.  A correlation becomes one as the sine of an angle in place of
L_10: ``L_10 = s sin(a)``, ``L_11 = s cos(a)``, so that ``G_11 = s^2`` and the correlation is
``sin(a)``, its limits -1 and 1 included.  Matrices of correlated effects stay positive
semidefinite in all of them.
"""

from __future__ import annotations

from abc import abstractmethod
from dataclasses import dataclass, replace

import numpy as np

from silagetrial.mixed.covariance import (
    Bools,
    Cone,
    Coordinates,
    Floats,
    Parameter,
    coordinates,
)

__all__ = ["Angle", "Held", "Product", "held_coordinates"]


@dataclass(frozen=True)
class Held:
    """What is held.

    Attributes
    ----------
    index : int
        Position of the parameter held.
    between : tuple of int or None
        Positions of two variances: the correlation is held whose covariance is the parameter.
    also : tuple of int
        Further positions held: the covariances of an effect whose variance is held at zero.
    """

    index: int
    between: tuple[int, int] | None = None
    also: tuple[int, ...] = ()

    def mask(self, m: int) -> Bools:
        """Coordinates that do not move, (m,)."""
        out = np.zeros(m, dtype=bool)
        out[[self.index, *self.also]] = True
        return out

    def value(self, theta: Floats) -> Floats:
        """What is held, (T,), at parameters (T, m)."""
        value: Floats = theta[:, self.index]
        if self.between is None:
            return value
        one, other = (theta[:, i] for i in self.between)
        return np.asarray(np.clip(value / np.sqrt(one * other), -1.0, 1.0))


@dataclass(frozen=True)
class _Turned(Coordinates):
    """Coordinates in which two entries of a Cholesky factor are told by two other numbers.

    Attributes
    ----------
    cross : int
        Position of L_10, in whose place the quantity held stands.
    other : int
        Position of the entry that changes its meaning with it.
    """

    cross: int
    other: int

    @property
    def plain(self) -> bool:
        """Never: what is held is no parameter."""
        return False

    @abstractmethod
    def _untied(self, u: Floats) -> Floats:
        """Entries of the Cholesky factor, (T, m)."""

    @abstractmethod
    def _untying(self, u: Floats) -> Floats:
        """Derivatives of `_untied`, (T, m, m)."""

    @abstractmethod
    def _bends(self, u: Floats, pull: Floats) -> tuple[Floats, Floats, Floats]:
        """``sum_k pull_k d2 untied_k``: twice by `cross`, by both, twice by `other`."""

    def theta(self, u: Floats) -> Floats:
        """From coordinates, (T, m), to (co)variances and ranges."""
        return super().theta(self._untied(u))

    def jacobian(self, u: Floats) -> Floats:
        """Return d theta / d u, (T, m, m), rows theta."""
        return np.asarray(super().jacobian(self._untied(u)) @ self._untying(u))

    def curvature(self, score: Floats, u: Floats) -> Floats:
        """Return - sum_i score_i d2 theta_i / du du', (T, m, m)."""
        untied, turn = self._untied(u), self._untying(u)
        out = turn.mT @ super().curvature(score, untied) @ turn
        pull = (super().jacobian(untied).mT @ score[..., None])[..., 0]
        cross, both, other = self._bends(u, pull)
        out[:, self.cross, self.cross] -= cross
        out[:, self.cross, self.other] -= both
        out[:, self.other, self.cross] -= both
        out[:, self.other, self.other] -= other
        return np.asarray(out)


@dataclass(frozen=True)
class Product(_Turned):
    """``c = L_10 L_00`` in place of L_10, `other` being the position of L_00: a covariance."""

    def of(self, theta: Floats) -> Floats:
        """From (co)variances and ranges, (T, m), to coordinates."""
        u = super().of(theta)
        u[:, self.cross] = u[:, self.cross] * u[:, self.other]
        return u

    def _untied(self, u: Floats) -> Floats:
        out = u.copy()
        out[:, self.cross] = u[:, self.cross] / u[:, self.other]
        return out

    def _untying(self, u: Floats) -> Floats:
        c, f = u[:, self.cross], u[:, self.other]
        out = np.repeat(np.eye(u.shape[1])[None], len(u), axis=0)
        out[:, self.cross, self.cross] = 1.0 / f
        out[:, self.cross, self.other] = -c / f**2
        return out

    def _bends(self, u: Floats, pull: Floats) -> tuple[Floats, Floats, Floats]:
        c, f, own = u[:, self.cross], u[:, self.other], pull[:, self.cross]
        return np.zeros_like(c), -own / f**2, 2.0 * own * c / f**3


@dataclass(frozen=True)
class Angle(_Turned):
    """The angle whose sine is a correlation, and s, in place of L_10 and L_11 (`other`)."""

    def of(self, theta: Floats) -> Floats:
        """From (co)variances and ranges, (T, m), to coordinates."""
        u = super().of(theta)
        low, down = u[:, self.cross].copy(), u[:, self.other].copy()
        u[:, self.cross], u[:, self.other] = np.arctan2(low, down), np.hypot(low, down)
        return u

    def _untied(self, u: Floats) -> Floats:
        out, a, s = u.copy(), u[:, self.cross], u[:, self.other]
        out[:, self.cross], out[:, self.other] = s * np.sin(a), s * np.cos(a)
        return out

    def _untying(self, u: Floats) -> Floats:
        a, s = u[:, self.cross], u[:, self.other]
        out = np.repeat(np.eye(u.shape[1])[None], len(u), axis=0)
        out[:, self.cross, self.cross] = s * np.cos(a)
        out[:, self.cross, self.other] = np.sin(a)
        out[:, self.other, self.cross] = -s * np.sin(a)
        out[:, self.other, self.other] = np.cos(a)
        return out

    def _bends(self, u: Floats, pull: Floats) -> tuple[Floats, Floats, Floats]:
        a, s = u[:, self.cross], u[:, self.other]
        low, down = pull[:, self.cross], pull[:, self.other]
        twice = -s * (low * np.sin(a) + down * np.cos(a))
        return twice, low * np.cos(a) - down * np.sin(a), np.zeros_like(a)


def held_coordinates(parameters: tuple[Parameter, ...], held: Held | None) -> Coordinates:
    """Coordinates of the maximiser, what is held among them."""
    where = coordinates(parameters)
    if held is None:
        return where
    at = [i for i, cone in enumerate(where.cones) if held.index in cone.index]
    if not at:
        return where
    cone = where.cones[at[0]]
    place = int(np.flatnonzero(cone.index == held.index)[0])
    row, column = int(cone.rows[place]), int(cone.columns[place])
    turned = _first(cone, (row,) if row == column else (column, row))
    cones = (*where.cones[: at[0]], turned, *where.cones[at[0] + 1 :])
    if row == column:
        return replace(where, cones=cones)
    zero, cross, down = (int(i) for i in turned.index[:3])
    if held.between is None:
        return Product(cones, where.logs, cross, zero)
    return Angle(cones, where.logs, cross, down)


def _first(cone: Cone, effects: tuple[int, ...]) -> Cone:
    """Put some effects of a cone before the others."""
    order = [*effects, *(i for i in range(cone.size) if i not in effects)]
    square = np.empty((cone.size, cone.size), dtype=np.int64)
    square[cone.rows, cone.columns] = square[cone.columns, cone.rows] = cone.index
    turned = square[np.ix_(order, order)]
    return Cone(turned[cone.rows, cone.columns], cone.size)
