"""Linear mixed models the slow way: every matrix n by n, every formula as printed.

An oracle for the engine, sharing no code with it. ``V = sum_i s_i V_i`` with the last ``V_i`` the
identity; ``P = V^-1 - V^-1 X (X'V^-1X)^-1 X'V^-1``.

References
----------
Searle, S. R., Casella, G. & McCulloch, C. E. (1992). Variance Components. Wiley:
log-likelihood, score and information.
Kenward, M. G. & Roger, J. H. (1997). Small sample inference for fixed effects from restricted
maximum likelihood. Biometrics 53, 983-997: adjusted covariance, F test.
Fai, A. H. & Cornelius, P. L. (1996). Approximate F-tests of multiple degree of freedom hypotheses.
J. Statist. Comput. Simul. 54, 363-378: Satterthwaite degrees of freedom of several rows.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Term:
    """Effects of the levels `codes` (n,), multiplied by the columns `z` (n, k), all correlated."""

    codes: Ints
    z: Floats

    @property
    def incidence(self) -> Floats:
        """Z as (k, n, number of levels)."""
        levels = np.arange(self.codes.max() + 1)
        return np.stack([column[:, None] * (self.codes[:, None] == levels) for column in self.z.T])

    @property
    def basis(self) -> list[Floats]:
        """dV / d(co)variance, in the order (0,0), (1,0), (1,1), (2,0) ..."""
        z = self.incidence
        out = []
        for a in range(len(z)):
            for b in range(a + 1):
                cross = z[a] @ z[b].T
                out.append(cross if a == b else cross + cross.T)
        return out

    def covariance(self, theta: Floats) -> Floats:
        """Covariance matrix (k, k) of one level's effects."""
        k = self.z.shape[1]
        out = np.zeros((k, k))
        row, column = np.tril_indices(k)
        out[row, column] = out[column, row] = theta
        return out


@dataclass(frozen=True)
class Dense:
    """Everything about one model at one vector `theta` of (co)variances, the residual's last."""

    y: Floats
    x: Floats
    terms: Sequence[Term]
    theta: Floats

    @cached_property
    def basis(self) -> list[Floats]:
        return [b for term in self.terms for b in term.basis] + [np.eye(len(self.y))]

    @cached_property
    def v(self) -> Floats:
        return sum((s * b for s, b in zip(self.theta, self.basis, strict=True)), np.zeros(()))

    @cached_property
    def v_inverse(self) -> Floats:
        return np.linalg.inv(self.v)

    @property
    def definite(self) -> bool:
        return bool(np.linalg.eigvalsh(self.v)[0] > 0)

    @cached_property
    def phi(self) -> Floats:
        return np.linalg.inv(self.x.T @ self.v_inverse @ self.x)

    @cached_property
    def beta(self) -> Floats:
        return self.phi @ self.x.T @ self.v_inverse @ self.y

    @cached_property
    def p(self) -> Floats:
        vix = self.v_inverse @ self.x
        return self.v_inverse - vix @ self.phi @ vix.T

    @cached_property
    def loglik(self) -> float:
        n, p = self.x.shape
        log_v = np.linalg.slogdet(self.v)[1]
        log_x = -np.linalg.slogdet(self.phi)[1]
        return float(
            -0.5 * ((n - p) * np.log(2 * np.pi) + log_v + log_x + self.y @ self.p @ self.y)
        )

    @cached_property
    def score(self) -> Floats:
        py = self.p @ self.y
        return np.array([-0.5 * np.sum(self.p * b) + 0.5 * py @ b @ py for b in self.basis])

    @cached_property
    def expected(self) -> Floats:
        pv = [self.p @ b for b in self.basis]
        return np.array([[0.5 * np.sum(a * b.T) for b in pv] for a in pv])

    @cached_property
    def observed(self) -> Floats:
        py = self.p @ self.y
        moved = np.array([b @ py for b in self.basis])
        return moved @ self.p @ moved.T - self.expected

    @cached_property
    def p_i(self) -> Floats:
        """``-X'V^-1 V_i V^-1 X``, (m, p, p)."""
        vix = self.v_inverse @ self.x
        return np.array([-vix.T @ b @ vix for b in self.basis])

    @cached_property
    def q_ij(self) -> Floats:
        """``X'V^-1 V_i V^-1 V_j V^-1 X``, (m, m, p, p), as printed: not symmetrised."""
        vix = self.v_inverse @ self.x
        return np.array(
            [[vix.T @ a @ self.v_inverse @ b @ vix for b in self.basis] for a in self.basis]
        )

    @cached_property
    def w(self) -> Floats:
        """Covariance of theta from the expected information."""
        return np.linalg.inv(self.expected)

    @cached_property
    def phi_adjusted(self) -> Floats:
        """Kenward & Roger 1997 for V linear in theta: no second derivatives."""
        phi, m = self.phi, len(self.basis)
        inner = sum(
            self.w[i, j] * (self.q_ij[i, j] - self.p_i[i] @ phi @ self.p_i[j])
            for i in range(m)
            for j in range(m)
        )
        return phi + 2 * phi @ inner @ phi

    def kenward_roger(self, rows: Floats) -> dict[str, float]:
        """F, scale lambda, df, A1 and A2 of ``rows @ beta = 0``, rows independent, (q, p)."""
        q, phi, m = len(rows), self.phi, len(self.basis)
        middle = rows.T @ np.linalg.inv(rows @ phi @ rows.T) @ rows
        u = [middle @ phi @ p @ phi for p in self.p_i]
        pairs = [(i, j) for i in range(m) for j in range(m)]
        a1 = sum(self.w[i, j] * np.trace(u[i]) * np.trace(u[j]) for i, j in pairs)
        a2 = sum(self.w[i, j] * np.trace(u[i] @ u[j]) for i, j in pairs)
        b = (a1 + 6 * a2) / (2 * q)
        g = ((q + 1) * a1 - (q + 4) * a2) / ((q + 2) * a2)
        d = 3 * q + 2 * (1 - g)
        c1, c2, c3 = g / d, (q - g) / d, (q + 2 - g) / d
        e_star = 1 / (1 - a2 / q)
        v_star = (2 / q) * (1 + c1 * b) / ((1 - c2 * b) ** 2 * (1 - c3 * b))
        rho = v_star / (2 * e_star**2)
        den_df = 4 + (q + 2) / (q * rho - 1)
        scaling = den_df / (e_star * (den_df - 2))
        estimate = rows @ self.beta
        f = estimate @ np.linalg.solve(rows @ self.phi_adjusted @ rows.T, estimate) / q
        return {"den_df": den_df, "scaling": scaling, "statistic": scaling * f, "a1": a1, "a2": a2}

    def satterthwaite(self, rows: Floats) -> dict[str, float]:
        """F and df of ``rows @ beta = 0`` with the observed information, as lmerTest has it."""
        w = np.linalg.inv(self.observed)
        value, vector = np.linalg.eigh(rows @ self.phi @ rows.T)
        df = []
        for lam, direction in zip(value, vector.T @ rows, strict=True):
            slope = np.array([-direction @ self.phi @ p @ self.phi @ direction for p in self.p_i])
            df.append(2 * lam**2 / (slope @ w @ slope))
        t2 = (vector.T @ rows @ self.beta) ** 2 / value
        if len(df) == 1:
            return {"den_df": df[0], "statistic": float(t2[0])}
        e = sum(nu / (nu - 2) for nu in df)
        return {"den_df": 2 * e / (e - len(df)), "statistic": float(t2.mean())}

    @cached_property
    def blups(self) -> list[Floats]:
        """``G Z' V^-1 (y - X beta)`` of each term, (levels, k)."""
        weighted = self.v_inverse @ (self.y - self.x @ self.beta)
        out, at = [], 0
        for term in self.terms:
            m = len(term.basis)
            g = term.covariance(self.theta[at : at + m])
            out.append((g @ np.array([z.T @ weighted for z in term.incidence])).T)
            at += m
        return out
