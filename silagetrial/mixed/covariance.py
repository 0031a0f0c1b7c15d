"""Random terms and their (co)variance parameters: names, bounds, coordinates.

Every parameter is a variance or a covariance, in which the covariance matrix V of the
observations is linear.  What is free and what is bounded is a property of the parameter:
a random intercept's variance may be negative as long as V stays positive definite, a
random slope's may not.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Literal, TypeAlias

import numpy as np
import numpy.typing as npt

Floats: TypeAlias = npt.NDArray[np.float64]
Ints: TypeAlias = npt.NDArray[np.int64]
Bools: TypeAlias = npt.NDArray[np.bool_]

Bound: TypeAlias = Literal["free", "zero", "cone"]
"""``free``: only V must be positive definite; ``zero``: the variance is held at zero or
above; ``cone``: the term's covariance matrix is held positive semidefinite."""
Kind: TypeAlias = Literal["variance", "covariance", "range"]


@dataclass(frozen=True)
class Parameter:
    """One variance, covariance or range.

    Attributes
    ----------
    name : str
        Name in results, such as ``"pair"``, ``"bale: days"`` or ``"bale: 1, days"``.
    term : str
        Name of the random term it belongs to, or ``"residual"``.
    kind : {"variance", "covariance", "range"}
        A range is in the units of the serial term's coordinates, whatever the response's.
    bound : {"free", "zero", "cone"}
    """

    name: str
    term: str
    kind: Kind
    bound: Bound


@dataclass(frozen=True)
class Residual:
    """What is left within rows: one variance, a variance by group, serial correlation.

    Attributes
    ----------
    groups : (n,) int array
        Group of each row; one group when all rows share a variance.
    names : tuple of str
        Names of the groups' variances in results.
    unit : (n,) int array or None
        Units within which rows are serially correlated; None without.
    coordinates : (n, k) array
        Where each row lies within its unit: days, one column; k columns are taken as a point.
    measurement_error : bool
        Whether a variance without serial correlation is added to every row.

    Notes
    -----
    ``cov(r, s) = sqrt(s_g(r) s_g(s)) exp(-d(r, s) / range) + 1[r = s] s_e`` within a unit.
    """

    groups: Ints
    names: tuple[str, ...]
    unit: Ints | None
    coordinates: Floats
    measurement_error: bool

    def take(self, order: Ints) -> Residual:
        """Return the rows in another order."""
        unit = None if self.unit is None else self.unit[order]
        return replace(
            self,
            groups=self.groups[order],
            unit=unit,
            coordinates=self.coordinates[order],
        )

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """Variances of the groups, then the range and the measurement error."""
        found = [Parameter(name, "residual", "variance", "free") for name in self.names]
        if self.unit is not None:
            found.append(Parameter("serial range", "residual", "range", "free"))
        if self.measurement_error:
            found.append(Parameter("measurement error", "residual", "variance", "zero"))
        return tuple(found)


def one_variance(n: int) -> Residual:
    """Return the residual of n independent rows with one variance."""
    return Residual(np.zeros(n, dtype=np.int64), ("residual",), None, np.zeros((n, 0)), False)


@dataclass(frozen=True)
class RandomTerm:
    """A random intercept, slope, or set of correlated intercepts and slopes.

    Attributes
    ----------
    name : str
        Name of the term in results.
    grouping : str
        Column, or columns joined by ``:``, whose levels the effects belong to.
    codes : (n,) int array
        Level of each row, 0 .. number of levels - 1.
    levels : tuple of str
        Labels of the levels, in the order of the codes.
    z : (n, k) array
        Values the effects are multiplied by: ones for an intercept.
    columns : tuple of str
        Names of the k columns of ``z``.
    basis : (m, k, k) array
        Covariance matrix of one level's effects is ``sum_i theta_i basis_i``.
    parameters : tuple of Parameter
        The m parameters.
    """

    name: str
    grouping: str
    codes: Ints
    levels: tuple[str, ...]
    z: Floats
    columns: tuple[str, ...]
    basis: Floats
    parameters: tuple[Parameter, ...]


def random_term(
    name: str,
    grouping: str,
    codes: Ints,
    levels: tuple[str, ...],
    z: Floats,
    columns: tuple[str, ...],
    *,
    bound: Literal["free", "zero"],
) -> RandomTerm:
    """Make a term whose k effects are all correlated.

    Parameters
    ----------
    bound : {"free", "zero"}
        What holds for a lone intercept, of all rows or of some; a lone slope's variance is
        always held at zero or above, and correlated effects to a positive semidefinite matrix.
    """
    k = z.shape[1]
    pairs = [(a, b) for a in range(k) for b in range(a + 1)]
    basis = np.zeros((len(pairs), k, k))
    for i, (a, b) in enumerate(pairs):
        basis[i, a, b] = basis[i, b, a] = 1.0
    # An intercept that some rows do not have is an intercept still.
    intercept_only = k == 1 and bool(np.all((z == 1.0) | (z == 0.0)))
    kind: Bound = "cone" if k > 1 else bound if intercept_only else "zero"
    parameters = tuple(
        Parameter(_parameter_name(name, columns, a, b), name, _kind(a, b), kind) for a, b in pairs
    )
    return RandomTerm(name, grouping, codes, levels, z, columns, basis, parameters)


def _kind(a: int, b: int) -> Literal["variance", "covariance"]:
    return "variance" if a == b else "covariance"


def _parameter_name(name: str, columns: tuple[str, ...], a: int, b: int) -> str:
    if len(columns) == 1:
        return name
    return f"{name}: {columns[a]}" if a == b else f"{name}: {columns[b]}, {columns[a]}"


@dataclass(frozen=True)
class Cone:
    """Where a term with correlated effects lies in the parameter vector.

    Attributes
    ----------
    index : (m,) int array
        Positions of its parameters, ordered (0,0), (1,0), (1,1), (2,0) ...
    size : int
        Number k of correlated effects.
    """

    index: Ints
    size: int

    @property
    def rows(self) -> Ints:
        """Row of the lower triangle at which each parameter stands."""
        return np.tril_indices(self.size)[0].astype(np.int64)

    @property
    def columns(self) -> Ints:
        """Column of the lower triangle at which each parameter stands."""
        return np.tril_indices(self.size)[1].astype(np.int64)


@dataclass(frozen=True)
class Coordinates:
    """Where the maximiser moves: Cholesky factors of cones, logarithms of ranges, else as is.

    Attributes
    ----------
    cones : tuple of Cone
    logs : (k,) int array
        Positions of ranges in the parameter vector.
    """

    cones: tuple[Cone, ...]
    logs: Ints

    @property
    def plain(self) -> bool:
        """Whether the coordinates are the parameters themselves."""
        return not self.cones and not len(self.logs)

    def of(self, theta: Floats) -> Floats:
        """From (co)variances and ranges, (T, m), to coordinates."""
        u = theta.copy()
        u[:, self.logs] = np.log(theta[:, self.logs])
        for cone in self.cones:
            g = _square(cone, theta[:, cone.index], symmetric=True)
            value, vector = np.linalg.eigh(g)
            root = vector * np.sqrt(np.maximum(value, 0.0))[:, None, :]
            # The R factor of root' is a Cholesky factor of G even where G is singular.
            lower = np.asarray(np.linalg.qr(root.mT, mode="r")).mT
            sign = np.where(np.diagonal(lower, axis1=1, axis2=2) < 0, -1.0, 1.0)
            lower = lower * sign[:, None, :]
            u[:, cone.index] = lower[:, cone.rows, cone.columns]
        return u

    def theta(self, u: Floats) -> Floats:
        """From coordinates, (T, m), to (co)variances and ranges."""
        theta = u.copy()
        theta[:, self.logs] = np.exp(np.clip(u[:, self.logs], -700.0, 700.0))
        for cone in self.cones:
            lower = _square(cone, u[:, cone.index], symmetric=False)
            theta[:, cone.index] = (lower @ lower.mT)[:, cone.rows, cone.columns]
        return theta

    def jacobian(self, u: Floats) -> Floats:
        """Return d theta / d u, (T, m, m), rows theta."""
        out = np.repeat(np.eye(u.shape[1])[None], len(u), axis=0)
        out[:, self.logs, self.logs] = self.theta(u)[:, self.logs]
        for cone in self.cones:
            lower = _square(cone, u[:, cone.index], symmetric=False)
            for at, (a, b) in enumerate(zip(cone.rows, cone.columns, strict=True)):
                change = np.zeros_like(lower)
                change[:, a, b] = 1.0
                moved = change @ lower.mT
                moved = moved + moved.mT
                out[:, cone.index, cone.index[at]] = moved[:, cone.rows, cone.columns]
        return out

    def curvature(self, score: Floats, u: Floats) -> Floats:
        """Return - sum_i score_i d2 theta_i / du du', (T, m, m)."""
        out = np.zeros((*score.shape, score.shape[1]))
        out[:, self.logs, self.logs] = -(score * self.theta(u))[:, self.logs]
        for cone in self.cones:
            # d l = tr(S dG) with S symmetric: off-diagonal scores count both places once.
            s = _square(cone, score[:, cone.index], symmetric=True)
            s = np.where(np.eye(cone.size, dtype=bool), s, s / 2)
            for i, (a, b) in enumerate(zip(cone.rows, cone.columns, strict=True)):
                for j, (c, d) in enumerate(zip(cone.rows, cone.columns, strict=True)):
                    if b == d:
                        out[:, cone.index[i], cone.index[j]] = -2.0 * s[:, a, c]
        return out


def coordinates(parameters: tuple[Parameter, ...]) -> Coordinates:
    """Find the cones and ranges in a parameter vector."""
    found: dict[str, list[int]] = {}
    for i, parameter in enumerate(parameters):
        if parameter.bound == "cone":
            found.setdefault(parameter.term, []).append(i)
    cones = tuple(
        Cone(np.array(index), int((np.sqrt(8 * len(index) + 1) - 1) / 2))
        for index in found.values()
    )
    logs = np.array([i for i, p in enumerate(parameters) if p.kind == "range"], dtype=np.int64)
    return Coordinates(cones, logs)


def _square(cone: Cone, values: Floats, *, symmetric: bool) -> Floats:
    """Spread (T, m) values over (T, k, k) matrices."""
    out = np.zeros((len(values), cone.size, cone.size))
    out[:, cone.rows, cone.columns] = values
    if symmetric:
        out[:, cone.columns, cone.rows] = values
    return out
