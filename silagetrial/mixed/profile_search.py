"""Where a profile likelihood has fallen far enough: the ends of its intervals.

The profile of a parameter x is ``l(x) = max l_R`` over all other parameters with x held.
With ``z(x) = sqrt(2 (l_R(max) - l(x)))`` an interval ends where z reaches the normal
quantile of the level.  ``dl/dx`` is the score of x alone (the others are at their maximum), so
that Newton's method on z, kept inside what is known to bracket the end, needs few fits.

References
----------
Venzon, D. J. & Moolgavkar, S. H. (1988). A method for computing profile-likelihood-based
confidence intervals. Applied Statistics 37, 87-94.
Bates, D. M. & Watts, D. G. (1988). Nonlinear Regression Analysis and Its Applications.
Wiley, chapter 6: the signed root z.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from scipy import special

from silagetrial.mixed.covariance import Coordinates, Floats
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.held import Held, held_coordinates
from silagetrial.mixed.likelihood import evaluate
from silagetrial.mixed.maximise import maximise
from silagetrial.mixed.serial import range_limits

__all__ = ["End", "profile_end"]

PRECISION = 1e-8
"""How near z must come to its quantile."""
MOST_FITS = 80
"""Fits spent on one end before it is given up."""
NARROWEST = 1e-9
"""Share of the first step at which a gap that no fit can enter counts as the edge."""
WIDEST = 0.5
"""Largest standard error, in radians, of the angle whose sine is a correlation, to step by."""
LESS_CORRELATED = 0.99
"""Correlations of effects are multiplied by this in starts: from exactly 1 no step leads away."""


@dataclass(frozen=True)
class End:
    """One end, in the engine's units; missing with its reason."""

    value: float
    why: str = ""


@dataclass(frozen=True)
class _Point:
    """A point of the profile: the held coordinate, z, dz/du and all parameters, (m,)."""

    u: float
    z: float
    slope: float
    theta: Floats


@dataclass(frozen=True)
class _Profile:
    """The profile of one target in the coordinate in which it is held."""

    fit: Fit
    target: Held
    where: Coordinates

    @property
    def peak(self) -> _Point:
        """The fit itself."""
        theta = self.fits_theta
        u = float(self.where.of(theta[None])[0, self.target.index])
        return _Point(u, 0.0, np.nan, theta)

    @property
    def fits_theta(self) -> Floats:
        """Estimates in the engine's units, (m,)."""
        return np.asarray(self.fit.fits.evaluation.theta[0])

    def step(self) -> float:
        """Standard error of the held coordinate from the expected information."""
        u = self.where.of(self.fits_theta[None])
        j = self.where.jacobian(u)[0]
        information = j.T @ self.fit.fits.evaluation.expected[0] @ j
        d = np.sqrt(np.maximum(np.diag(information), 1e-300))
        spread = np.linalg.pinv(information / np.outer(d, d), hermitian=True) / np.outer(d, d)
        error = float(np.sqrt(spread[self.target.index, self.target.index]))
        # At a correlation of 1 the information about its angle is zero.
        return error if self.target.between is None else min(error, WIDEST)

    def at(self, u: float, near: Floats) -> _Point | None:
        """Hold the coordinate at u, starting near other parameters; None where no fit is found."""
        start = self._start(u, near)
        if start is None:
            return None
        target = self._with_covariances(u)
        fits = maximise(self.fit.design, self.fit.batch, start=start[None], held=target)
        if not fits.converged[0]:
            return None
        theta = fits.evaluation.theta
        if self.target.between is not None and not self._kept(u, theta):
            return None
        turn = self.where.jacobian(self.where.of(theta))
        score = float((turn.mT @ fits.evaluation.score[..., None])[0, self.target.index, 0])
        z = float(np.sqrt(max(2.0 * (self.fit.loglik - fits.loglik[0]), 0.0)))
        return _Point(u, z, -score / z if z > 0 else np.nan, theta[0])

    def _kept(self, u: float, theta: Floats) -> bool:
        """Whether a correlation kept its sign: s may have gone through zero."""
        return bool(np.isclose(self.target.value(theta)[0], np.sin(u), atol=1e-6))

    def _with_covariances(self, u: float) -> Held:
        """At zero the covariances of a correlated effect are zero too and stay so."""
        if u != 0.0 or not self._is_cone_variance:
            return self.target
        return Held(self.target.index, also=tuple(self._covariances))

    @property
    def _is_cone_variance(self) -> bool:
        parameter = self.fit.parameters[self.target.index]
        return parameter.bound == "cone" and parameter.kind == "variance"

    @property
    def _covariances(self) -> list[int]:
        """Positions of the covariances with the effect held first in its cone."""
        cone = next(c for c in self.where.cones if self.target.index in c.index)
        own = (cone.columns == 0) & (cone.rows > 0)
        return [int(i) for i in cone.index[own]]

    def _start(self, u: float, near: Floats) -> Floats | None:
        """Parameters near others with the coordinate at u, where the likelihood is finite."""
        coordinates = np.concatenate([self.where.of(x[None]) for x in self._tries(u, near)])
        coordinates[:, self.target.index] = u
        tries = self.where.theta(coordinates)
        at = evaluate(self.fit.design, tries, self.fit.batch.take(np.zeros(len(tries), dtype=int)))
        information = np.diagonal(at.expected, axis1=1, axis2=2)
        height = np.where((information > 0).all(axis=1), at.loglik, -np.inf)
        best = int(height.argmax())
        return np.asarray(tries[best]) if np.isfinite(height[best]) else None

    def _tries(self, u: float, near: Floats) -> Iterator[Floats]:
        """The others as they are; all variances scaled alike; more residual variance."""
        near = near.copy()
        for cone in self.where.cones:
            near[cone.index[cone.rows != cone.columns]] *= LESS_CORRELATED
        yield near
        if self.fit.parameters[self.target.index].kind != "variance":
            return
        scaled = np.array([p.kind != "range" for p in self.fit.parameters])
        before, after = float(self.target.value(near[None])[0]), self.value_at(u, near)
        if before > 0 and after > 0:
            yield near * np.where(scaled, after / before, 1.0)
        residual = np.array([p.term == "residual" for p in self.fit.parameters])
        for factor in (2.0, 4.0, 16.0):
            yield near * np.where(scaled & residual, factor, 1.0)

    def value_at(self, u: float, near: Floats) -> float:
        """What is held, when its coordinate is u."""
        coordinates = self.where.of(near[None])
        coordinates[0, self.target.index] = u
        return float(self.target.value(self.where.theta(coordinates))[0])

    @property
    def limits(self) -> tuple[float, float]:
        """Smallest and largest value of the coordinate that the model allows."""
        parameter = self.fit.parameters[self.target.index]
        if parameter.kind == "range":
            low, high = np.log(range_limits(self.fit.design))
            return float(low), float(high)
        if self.target.between is not None:
            return -np.pi / 2.0, np.pi / 2.0
        bounded = parameter.bound == "zero" or self._is_cone_variance
        return 0.0 if bounded else -np.inf, np.inf


def profile_end(fit: Fit, target: Held, side: int, level: float) -> End:
    """One end of an interval: below (side -1) or above (side 1) the estimate."""
    profile = _Profile(fit, target, held_coordinates(fit.parameters, target))
    limit = profile.limits[0 if side < 0 else 1]
    quantile = float(special.ndtri((1.0 + level) / 2.0))
    if _may_be_missing(fit, target, quantile):
        return End(float(side), "compatible with any correlation: an effect may have no variance")
    found = _search(profile, side, limit, quantile)
    if found is None:
        return End(np.nan, _missing(fit, target, side))
    value = profile.value_at(found.u, found.theta)
    if found.u != limit:
        return End(value)
    if fit.parameters[target.index].kind == "range":
        return End(np.nan, _missing(fit, target, side))
    edge = "zero" if target.between is None else f"a correlation of {side}"
    return End(value, f"compatible with {edge}")


def _may_be_missing(fit: Fit, target: Held, quantile: float) -> bool:
    """Whether one of two correlated effects may be without variance, which fits any correlation."""
    for index in target.between or ():
        held = Held(index)
        at_zero = _Profile(fit, held, held_coordinates(fit.parameters, held))
        point = at_zero.at(0.0, at_zero.fits_theta)
        if point is not None and point.z < quantile:
            return True
    return False


def _missing(fit: Fit, target: Held, side: int) -> str:
    """Why an end does not exist."""
    end = "lower" if side < 0 else "upper"
    if fit.parameters[target.index].kind == "range":
        how = "no correlation at all" if side < 0 else "correlation that hardly falls"
        return f"no {end} bound: {how} over the times sampled fits as well"
    if side < 0:
        return (
            "no lower bound: the likelihood stays high up to where the covariance matrix of the "
            "observations stops being positive definite"
        )
    return "no upper bound: the likelihood stays high as far as a fit is found"


def _search(profile: _Profile, side: int, limit: float, quantile: float) -> _Point | None:
    """Find where z reaches the quantile, or the limit when it does not before."""
    inner, outer = profile.peak, side * np.inf
    beyond: _Point | None = None  # a fit at `outer`; none where V is not positive definite there
    first = quantile * profile.step()
    if side * (limit - inner.u) <= 0:
        return inner if inner.u == limit else None
    u, stride = inner.u + side * first, first
    for _ in range(MOST_FITS):
        if side * (u - limit) >= 0:
            u = limit
        point = profile.at(u, inner.theta)
        if point is not None and abs(point.z - quantile) <= PRECISION:
            return point
        if point is not None and point.z < quantile:
            if u == limit:
                return point
            inner, stride = point, 2.0 * stride
        else:
            outer, beyond = u, point
        if abs(outer - inner.u) <= NARROWEST * first:
            return beyond
        u = _next(inner, outer, point, quantile, side * stride)
    return None


def _next(
    inner: _Point, outer: float, point: _Point | None, quantile: float, stride: float
) -> float:
    """Newton's step on z where it falls between the inner and the outer point."""
    if point is not None and np.isfinite(point.slope) and point.slope != 0:
        u = point.u + (quantile - point.z) / point.slope
        if min(inner.u, outer) < u < max(inner.u, outer) and abs(u - inner.u) <= 4 * abs(stride):
            return u
    return (inner.u + outer) / 2.0 if np.isfinite(outer) else inner.u + stride
