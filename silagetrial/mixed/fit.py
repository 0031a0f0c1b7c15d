"""One fitted mixed model: estimates, predicted effects and residuals in the data's units."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
import pandas as pd
from scipy import sparse
from scipy.sparse import linalg as sparse_linalg

from silagetrial.display.shown import ShownInParts
from silagetrial.display.table import Table
from silagetrial.mixed import smallsample
from silagetrial.mixed.covariance import Bools, Floats, Parameter
from silagetrial.mixed.design import Design
from silagetrial.mixed.frame import ModelFrame
from silagetrial.mixed.likelihood import Batch
from silagetrial.mixed.maximise import Fits
from silagetrial.mixed.residual import residual_whitener


@dataclass(frozen=True, repr=False)
class Fit(ShownInParts):
    """A mixed model fitted by REML.

    Attributes
    ----------
    frame : ModelFrame
        The data as arrays, with names.
    design : Design
    batch : Batch
        A batch of one data set.
    fits : Fits
        Its fit.

    Notes
    -----
    Derived: `loglik`, `beta`, `names`, `theta`, `parameters`, `covariance`,
    `covariance_kr`, `theta_covariance`, `at_bound`, `steps`, `decrement`, `fitted`,
    `residuals`, `coefficients`, `variances`.
    """

    frame: ModelFrame
    design: Design
    batch: Batch
    fits: Fits

    @property
    def loglik(self) -> float:
        """REML log-likelihood, ``-1/2 [(n - p) log 2 pi + log|V| + log|X'V^-1 X| + y'Py]``."""
        return float(self.fits.loglik[0])

    @property
    def names(self) -> tuple[str, ...]:
        """Names of the p coefficients estimated."""
        return tuple(self.frame.columns[j] for j in self.frame.kept)

    @property
    def parameters(self) -> tuple[Parameter, ...]:
        """The m variances and covariances, the residual variance last."""
        return self.design.parameters

    @property
    def theta(self) -> Floats:
        """Variances and covariances, (m,), in squared units of the response."""
        return np.asarray(self.fits.evaluation.theta[0] * self.units)

    @cached_property
    def units(self) -> Floats:
        """Square of the engine's unit of y for variances, one for ranges, (m,)."""
        kinds = np.array([p.kind for p in self.parameters])
        return np.asarray(np.where(kinds == "range", 1.0, self.scale**2))

    @property
    def theta_covariance(self) -> Floats:
        """Covariance of `theta` from the expected information, (m, m)."""
        inside = smallsample.theta_covariance(self.fits.evaluation)[0]
        return np.asarray(inside * np.outer(self.units, self.units))

    @property
    def at_bound(self) -> Bools:
        """Parameters held at zero or in a singular covariance matrix, (m,)."""
        return np.asarray(self.fits.at_bound[0])

    @property
    def steps(self) -> int:
        """Steps the maximiser took."""
        return int(self.fits.steps[0])

    @property
    def decrement(self) -> float:
        """Squared Newton decrement at the end: how far the optimum can still be, unit free."""
        return float(self.fits.decrement[0])

    @property
    def scale(self) -> float:
        """Residual standard deviation of ordinary least squares; the engine's unit of y."""
        return float(self.batch.scale[0])

    @cached_property
    def from_orthonormal(self) -> Floats:
        """Inverse of R in X = QR, (p, p): coefficients of X from those of Q."""
        return np.asarray(np.linalg.inv(self.design.r), dtype=np.float64)

    @cached_property
    def orthonormal_beta(self) -> Floats:
        """Coefficients of the orthonormal X, (p,), of the response less `level`."""
        return np.asarray(self.fits.evaluation.beta[0] * self.scale + self.batch.offset[0])

    @property
    def beta(self) -> Floats:
        """Coefficients, (p,)."""
        return self.linear(np.eye(self.design.p))

    def linear(self, rows: Floats) -> Floats:
        """Linear functions of the coefficients, (r,), without losing digits to a large mean."""
        small = rows @ self.from_orthonormal @ self.orthonormal_beta
        return np.asarray(small + self.batch.level[0] * (rows @ self.design.constant))

    @property
    def covariance(self) -> Floats:
        """Model-based covariance of `beta`, ``(X'V^-1 X)^-1``, (p, p)."""
        return self._outside(self.fits.evaluation.phi[0])

    @property
    def covariance_kr(self) -> Floats:
        """Kenward and Roger's adjusted covariance of `beta`, (p, p)."""
        return self._outside(self.adjusted_phi)

    @cached_property
    def adjusted_phi(self) -> Floats:
        """Adjusted covariance of the orthonormal coefficients in the engine's units, (p, p)."""
        return np.asarray(smallsample.kenward_roger_covariance(self.fits.evaluation)[0])

    def _outside(self, phi: Floats) -> Floats:
        return self.from_orthonormal @ phi @ self.from_orthonormal.T * self.scale**2

    @cached_property
    def effects(self) -> Floats:
        """Predicted random effects of all terms, one after another, levels within.

        ``G Z'V^-1 (y - Xb)`` by one sparse solve; G need not be invertible.
        """
        z, g = self.sparse_z(), self.sparse_g()
        if not z.shape[1]:
            return np.zeros(0)
        whitened = self.whitening @ z
        system = sparse.eye_array(z.shape[1]) + (whitened.T @ whitened) @ g
        right = whitened.T @ (self.whitening @ self._without_fixed)
        return np.asarray(g @ sparse_linalg.spsolve(sparse.csc_array(system), right))

    @cached_property
    def whitening(self) -> sparse.csc_array:
        """Block-diagonal W with W'W = D^-1 of the residual, (n, n) sparse, rows as in the data."""
        return residual_whitener(self.design, self.theta)

    @cached_property
    def _without_fixed(self) -> Floats:
        """Response minus the fixed part, (n,), without losing digits to a large mean."""
        constant, level = self.frame.x @ self.design.constant, self.batch.level[0]
        small = self.frame.x @ self.from_orthonormal @ self.orthonormal_beta
        return np.asarray((self.frame.y - level * constant) - small)

    def sparse_z(self) -> sparse.csc_array:
        """Z of all random terms, one after another, (n, effects)."""
        blocks = []
        for term in self.frame.terms:
            k, n = term.z.shape[1], len(term.codes)
            rows = np.repeat(np.arange(n), k)
            columns = (term.codes[:, None] * k + np.arange(k)).ravel()
            shape = (n, len(term.levels) * k)
            blocks.append(sparse.csc_array((term.z.ravel(), (rows, columns)), shape=shape))
        if not blocks:
            return sparse.csc_array((len(self.frame.y), 0))
        return sparse.csc_array(sparse.hstack(blocks))

    def sparse_g(self) -> sparse.csc_array:
        """Covariance matrix of all effects, block by block, (effects, effects)."""
        blocks, at = [], 0
        for term in self.frame.terms:
            values = self.theta[at : at + len(term.parameters)]
            at += len(term.parameters)
            g = np.einsum("m,mab->ab", values, term.basis)
            blocks.append(sparse.kron(sparse.eye_array(len(term.levels)), g))
        if not blocks:
            return sparse.csc_array((0, 0))
        return sparse.csc_array(sparse.block_diag(blocks))

    @property
    def fitted(self) -> Floats:
        """Fitted values with the random effects, (n,)."""
        return self.frame.y - self.residuals

    @property
    def residuals(self) -> Floats:
        """Response minus fixed part and random effects, (n,); see `detected_effects`."""
        return np.asarray(self._without_fixed - self.sparse_z() @ self.detected_effects)

    @cached_property
    def detected_effects(self) -> Floats:
        """`effects`, zero for terms whose variance is not above zero: none were detected."""
        shown, at = self.effects.copy(), 0
        for term, there in zip(self.frame.terms, self.detected, strict=True):
            after = at + len(term.levels) * term.z.shape[1]
            if not there:
                shown[at:after] = 0.0
            at = after
        return shown

    @cached_property
    def detected(self) -> tuple[bool, ...]:
        """Whether each random term has a variance above zero, or several correlated effects."""
        first = [p.term for p in self.parameters]
        return tuple(
            term.z.shape[1] > 1 or bool(self.theta[first.index(term.name)] > 0)
            for term in self.frame.terms
        )

    @property
    def variances(self) -> Table:
        """Variances and covariances with their standard errors."""
        theta, error = self.theta, np.sqrt(np.diag(self.theta_covariance))
        kinds = [parameter.kind for parameter in self.parameters]
        deviation = [
            float(np.sqrt(v)) if kind == "variance" and v >= 0 else np.nan
            for v, kind in zip(theta, kinds, strict=True)
        ]
        held, edge = self.fits.held[0], self.at_bound
        notes = [_remark(*each) for each in zip(theta, kinds, edge, held, strict=True)]
        frame = pd.DataFrame(
            {
                "term": [parameter.name for parameter in self.parameters],
                "kind": kinds,
                "estimate": theta,
                "std_error": error,
                "std_dev": deviation,
                "remark": notes,
            }
        )
        return Table(frame, title="Variances and covariances (REML)")

    def _parts(self) -> tuple[str, Table]:
        frame, n = self.frame, len(self.frame.y)
        random = [f"{term.name} ({len(term.levels)} levels)" for term in frame.terms]
        pairs = zip(self.parameters, self.fits.held[0], strict=True)
        held = [parameter.name for parameter, is_held in pairs if is_held]
        left_out = f", {len(frame.dropped)} left out" if frame.dropped else ""
        converged = "converged" if self.fits.converged[0] else "not converged"
        lines = (
            f"Mixed model by REML: {frame.formula}",
            f"Random terms: {', '.join(random) or 'none'}",
            f"Rows: {n}{left_out}; coefficients: {len(self.names)}",
            f"Restricted log-likelihood: {self.loglik:.4f}; {converged} after {self.steps} steps",
            f"Held at zero: {', '.join(held) or 'none'}",
        )
        return "\n".join(lines), self.variances


def _remark(value: float, kind: str, edge: bool, held: bool) -> str:
    """Say what an estimate at a bound or below zero means."""
    if held:
        return "none detected; held at zero (left free, no maximum is reached)"
    if kind == "variance" and (value < 0 or (edge and value == 0)):
        return "none detected"
    return "effects perfectly correlated or without spread" if edge else ""
