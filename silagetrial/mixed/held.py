"""Hold a parameter, or the ratio of two, while the likelihood is maximised over the others.

The maximiser holds a coordinate by never moving it, so the quantity held has to be a
coordinate.  A variance of correlated effects is one when it comes first in the Cholesky
factor L of its covariance matrix: ``G_00 = L_00^2``.  A covariance becomes one in place of
L_10, as ``G_10 = L_10 L_00``; a ratio ``s_j / s_i`` in place of s_j.  Matrices of correlated
effects stay positive semidefinite in all of them.
"""

from __future__ import annotations

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

__all__ = ["Held", "Tied", "held_coordinates"]


@dataclass(frozen=True)
class Held:
    """What is held.

    Attributes
    ----------
    index : int
        Position of the parameter held.
    over : int or None
        Position of a variance: the ratio of the parameter to it is held instead.
    also : tuple of int
        Further positions held: the covariances of an effect whose variance is held at zero.
    """

    index: int
    over: int | None = None
    also: tuple[int, ...] = ()

    def mask(self, m: int) -> Bools:
        """Coordinates that do not move, (m,)."""
        out = np.zeros(m, dtype=bool)
        out[[self.index, *self.also]] = True
        return out

    def value(self, theta: Floats) -> Floats:
        """What is held, (T,), at parameters (T, m)."""
        value: Floats = theta[:, self.index]
        return value if self.over is None else value / theta[:, self.over]


@dataclass(frozen=True)
class Tied(Coordinates):
    """Coordinates in which one, c, stands for ``c f^power``, f being another.

    Attributes
    ----------
    first, cross : int
        Positions of f and of c.
    power : int
        -1 makes a covariance a coordinate (f is L_00), 1 a ratio of variances.
    """

    first: int
    cross: int
    power: int

    @property
    def plain(self) -> bool:
        """Never: c is not a parameter."""
        return False

    def of(self, theta: Floats) -> Floats:
        """From (co)variances and ranges, (T, m), to coordinates."""
        u = super().of(theta)
        u[:, self.cross] = u[:, self.cross] * u[:, self.first] ** float(-self.power)
        return u

    def _untied(self, u: Floats) -> Floats:
        out = u.copy()
        out[:, self.cross] = u[:, self.cross] * u[:, self.first] ** float(self.power)
        return out

    def theta(self, u: Floats) -> Floats:
        """From coordinates, (T, m), to (co)variances and ranges."""
        return super().theta(self._untied(u))

    def _untying(self, u: Floats) -> Floats:
        """Derivatives of the untied coordinates by the tied ones, (T, m, m)."""
        f, c, e = u[:, self.first], u[:, self.cross], float(self.power)
        out = np.repeat(np.eye(u.shape[1])[None], len(u), axis=0)
        out[:, self.cross, self.cross] = f**e
        out[:, self.cross, self.first] = e * c * f ** (e - 1)
        return out

    def jacobian(self, u: Floats) -> Floats:
        """Return d theta / d u, (T, m, m), rows theta."""
        return np.asarray(super().jacobian(self._untied(u)) @ self._untying(u))

    def curvature(self, score: Floats, u: Floats) -> Floats:
        """Return - sum_i score_i d2 theta_i / du du', (T, m, m)."""
        untied, turn = self._untied(u), self._untying(u)
        out = turn.mT @ super().curvature(score, untied) @ turn
        pull = (super().jacobian(untied).mT @ score[..., None])[:, self.cross, 0]
        f, c, e = u[:, self.first], u[:, self.cross], float(self.power)
        out[:, self.first, self.first] -= pull * e * (e - 1) * c * f ** (e - 2)
        mixed = pull * e * f ** (e - 1)
        out[:, self.first, self.cross] -= mixed
        out[:, self.cross, self.first] -= mixed
        return np.asarray(out)


def held_coordinates(parameters: tuple[Parameter, ...], held: Held | None) -> Coordinates:
    """Coordinates of the maximiser, what is held among them."""
    where = coordinates(parameters)
    if held is None:
        return where
    if held.over is not None:
        return Tied(where.cones, where.logs, held.over, held.index, 1)
    at = [i for i, cone in enumerate(where.cones) if held.index in cone.index]
    if not at:
        return where
    cone = where.cones[at[0]]
    place = int(np.flatnonzero(cone.index == held.index)[0])
    row, column = int(cone.rows[place]), int(cone.columns[place])
    turned = _first(cone, (row,) if row == column else (column, row))
    cones = (*where.cones[: at[0]], turned, *where.cones[at[0] + 1 :])
    where = replace(where, cones=cones)
    if row == column:
        return where
    return Tied(where.cones, where.logs, int(turned.index[0]), int(turned.index[1]), -1)


def _first(cone: Cone, effects: tuple[int, ...]) -> Cone:
    """Put some effects of a cone before the others."""
    order = [*effects, *(i for i in range(cone.size) if i not in effects)]
    square = np.empty((cone.size, cone.size), dtype=np.int64)
    square[cone.rows, cone.columns] = square[cone.columns, cone.rows] = cone.index
    turned = square[np.ix_(order, order)]
    return Cone(turned[cone.rows, cone.columns], cone.size)
