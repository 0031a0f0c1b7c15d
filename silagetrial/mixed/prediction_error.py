r"""How far predictions of effects that belong to units in the data may be off.

With the target ``t = x'b + z'u`` of units in the data, ``g = Cov(y, z'u)`` and ``c = z'Gz``, the
best linear unbiased predictor is ``a'y`` and its prediction error variance

.. math:: a = V^{-1} g + V^{-1} X \Phi k, \qquad k = x - X'V^{-1} g, \qquad
          v = c - g'V^{-1} g + k' \Phi k,

what Henderson's mixed-model equations give as ``(x, z)' C^{-1} (x, z)``.  Because a makes v
smallest, ``dv / dtheta_i`` is the same form of ``V_i`` with a as it is; what estimating theta adds
is ``d = sum_ij W_ij h_i' P h_j``, ``h_i = dg / dtheta_i - V_i a``, and v at the estimates falls
short by as much again: ``v + 2d`` is reported.  Without effects of units this is Kenward and
Roger's adjusted variance of ``x'b``.

References
----------
Henderson, C. R. (1975). Best linear unbiased estimation and prediction under a selection model.
Biometrics 31, 423-447.
Harville, D. A. & Jeske, D. R. (1992). Mean squared error of estimation or prediction under a
general linear model. JASA 87, 724-731: d, and twice d.
Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from restricted
maximum likelihood. Biometrics 53, 983-997.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy import sparse
from scipy.sparse import linalg as sparse_linalg

from silagetrial.mixed.covariance import Floats, Ints, RandomTerm, Residual
from silagetrial.mixed.fit import Fit

__all__ = ["ErrorVariance", "PredictionErrors", "UnitEffect"]


@dataclass(frozen=True)
class UnitEffect:
    """A unit of the data in a target: term by position, level by code, values z (k,)."""

    term: int
    level: int
    z: Floats


@dataclass(frozen=True)
class ErrorVariance:
    """Of one target, in squared units of the response.

    Attributes
    ----------
    prior : float
        Variance c of its effects themselves.
    plain : float
        Prediction error variance v at the estimates.
    adjusted : float
        ``v + 2d``, at most what leaving the units' own results out would give: close to a variance
        of zero the approximation d grows without bound.
    slopes : (m,) array
        ``dv / dtheta_i``.
    """

    prior: float
    plain: float
    adjusted: float
    slopes: Floats


@dataclass(frozen=True)
class PredictionErrors:
    """Prediction errors of a fit's effects; what all targets share is computed once."""

    fit: Fit

    def of(self, x: Floats, effects: Sequence[UnitEffect]) -> ErrorVariance:
        """Error of ``x'b`` plus effects of units.

        Parameters
        ----------
        x : (p,) array
            Weights on the orthonormal coefficients; zeros for effects alone.
        effects : sequence of UnitEffect
            At most one a term.
        """
        own = {effect.term: effect for effect in effects}
        g, prior = np.zeros(len(self.fit.frame.y)), 0.0
        for effect in effects:
            term, moved = self._terms[effect.term], self._g[effect.term] @ effect.z
            g += (term.codes == effect.level) * (term.z @ moved)
            prior += float(effect.z @ moved)
        solved = self._solve(g[:, None])[:, 0]
        k = x - self._q.T @ solved
        a = solved + self._vq @ (self._phi @ k)
        plain = prior - float(g @ solved) + float(k @ self._phi @ k)
        slopes, h = self._slopes(a, own)
        adjusted = plain + 2.0 * float((self._w * (h.T @ self._p(h))).sum())
        if effects:
            without = self.of(x, []).adjusted if x.any() else 0.0
            adjusted = min(adjusted, without + prior)
        return ErrorVariance(prior, plain, adjusted, slopes)

    def _slopes(self, a: Floats, own: dict[int, UnitEffect]) -> tuple[Floats, Floats]:
        """``dv / dtheta_i``, (m,), and h_i, (n, m)."""
        slopes, h = [], []
        for place, term in enumerate(self._terms):
            d = np.zeros((len(term.levels), term.z.shape[1]))
            np.subtract.at(d, term.codes, a[:, None] * term.z)
            if place in own:
                d[own[place].level] += own[place].z
            for basis in term.basis:
                moved = d @ basis
                slopes.append(float((moved * d).sum()))
                h.append((term.z * moved[term.codes]).sum(axis=1))
        for change in self._residual_slopes:
            moved_a = change @ a
            slopes.append(float(a @ moved_a))
            h.append(-moved_a)
        return np.array(slopes), np.column_stack(h)

    def _solve(self, b: Floats) -> Floats:
        """``V^-1 b`` for columns b (n, c), by Woodbury's identity."""
        whitened = self._whitening @ b
        if self._factor is not None:
            inner = self._factor.solve(self._wz.T @ whitened)
            whitened = whitened - self._wz @ (self.fit.sparse_g() @ inner)
        return np.asarray(self._whitening.T @ whitened)

    def _p(self, b: Floats) -> Floats:
        """``P b = V^-1 b - V^-1 X Phi X'V^-1 b``."""
        return np.asarray(self._solve(b) - self._vq @ (self._phi @ (self._vq.T @ b)))

    @property
    def _terms(self) -> Sequence[RandomTerm]:
        return self.fit.frame.terms

    @property
    def _whitening(self) -> sparse.csc_array:
        return self.fit.whitening

    @cached_property
    def _wz(self) -> sparse.csc_array:
        return sparse.csc_array(self._whitening @ self.fit.sparse_z())

    @cached_property
    def _factor(self) -> sparse_linalg.SuperLU | None:
        """Factor of ``I + Z'D^-1 Z G``; None without random terms."""
        if not self._terms:
            return None
        inner = (self._wz.T @ self._wz) @ self.fit.sparse_g()
        return sparse_linalg.splu(sparse.csc_array(sparse.eye_array(inner.shape[0]) + inner))

    @cached_property
    def _g(self) -> list[Floats]:
        """Covariance matrix of the effects of one level of each term."""
        found, at = [], 0
        for term in self._terms:
            after = at + len(term.parameters)
            found.append(np.einsum("m,mab->ab", self.fit.theta[at:after], term.basis))
            at = after
        return found

    @cached_property
    def _q(self) -> Floats:
        """Orthonormal columns of the fixed part, (n, p), rows as in the data."""
        return np.asarray(self.fit.frame.x @ self.fit.from_orthonormal)

    @cached_property
    def _vq(self) -> Floats:
        return self._solve(self._q)

    @cached_property
    def _phi(self) -> Floats:
        return np.asarray(self.fit.fits.evaluation.phi[0] * self.fit.scale**2)

    @cached_property
    def _w(self) -> Floats:
        return self.fit.theta_covariance

    @cached_property
    def _residual_slopes(self) -> list[sparse.csr_array]:
        residual = self.fit.frame.residual
        return _residual_slopes(residual, self.fit.theta[-len(residual.parameters) :])


def _residual_slopes(residual: Residual, own: Floats) -> list[sparse.csr_array]:
    """Derivatives of the residual's covariance matrix by its parameters, (n, n) sparse."""
    n, groups = len(residual.groups), range(len(residual.names))
    if residual.unit is None:
        return [sparse.diags_array((residual.groups == g).astype(float)).tocsr() for g in groups]
    row, column = _pairs_within(residual.unit)
    one, other = residual.groups[row], residual.groups[column]
    apart = residual.coordinates[row] - residual.coordinates[column]
    distance, span = np.sqrt((apart**2).sum(axis=1)), own[len(groups)]
    k = np.sqrt(own[one] * own[other]) * np.exp(-distance / span)
    changes = [k * ((one == g).astype(float) + (other == g)) / (2.0 * own[g]) for g in groups]
    changes.append(k * distance / span**2)
    found = [sparse.csr_array((change, (row, column)), shape=(n, n)) for change in changes]
    if residual.measurement_error:
        found.append(sparse.eye_array(n).tocsr())
    return found


def _pairs_within(unit: Ints) -> tuple[Ints, Ints]:
    """All pairs of rows of one unit of serial correlation."""
    order = np.argsort(unit, kind="stable").astype(np.int64)
    units = np.split(order, np.flatnonzero(np.diff(unit[order])) + 1)
    rows = np.concatenate([np.repeat(own, len(own)) for own in units])
    return rows, np.concatenate([np.tile(own, len(own)) for own in units])
