"""Linear mixed models the slow way: every matrix n by n, every formula as printed.

An oracle for the engine, sharing no code with it. ``V = sum_i s_i V_i + R``, R of `Rest`: one
variance, a variance by group, or serial correlation; ``P = V^-1 - V^-1 X (X'V^-1X)^-1 X'V^-1``.

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
class Rest:
    """What is left within rows.

    Without `unit`, ``[r = s] s_g(r)``; with it ``[same unit] sqrt(s_g s_h) exp(-d / range)``, and
    ``[r = s] s_e`` beside where there is measurement error.  Parameters in this order: the
    groups' variances, range, s_e.
    """

    groups: Ints
    unit: Ints | None = None
    places: Floats | None = None
    measurement_error: bool = False

    @property
    def count(self) -> int:
        return int(self.groups.max()) + 1 + (self.unit is not None) + self.measurement_error

    @property
    def distance(self) -> Floats:
        if self.places is None:
            return np.zeros((len(self.groups), len(self.groups)))
        return np.sqrt(((self.places[:, None] - self.places) ** 2).sum(axis=-1))

    def correlated(self, theta: Floats) -> Floats:
        """R without the measurement error."""
        g = self.groups.max() + 1
        if self.unit is None:
            return np.diag(theta[self.groups])
        sd = np.sqrt(theta[self.groups])
        same = self.unit[:, None] == self.unit
        return np.where(same, np.outer(sd, sd) * np.exp(-self.distance / theta[g]), 0.0)

    def value(self, theta: Floats) -> Floats:
        error = theta[-1] if self.measurement_error else 0.0
        return self.correlated(theta) + error * np.eye(len(self.groups))

    def log_slopes(self, theta: Floats) -> tuple[list[Floats], list[Floats]]:
        """First and (unmixed) second derivatives of the logarithm of each entry of R."""
        first, second = [], []
        for g in range(self.groups.max() + 1):
            times = (self.groups[:, None] == g).astype(int) + (self.groups == g)
            first.append(times / (2 * theta[g]))
            second.append(-times / (2 * theta[g] ** 2))
        if self.unit is not None:
            span = theta[len(first)]
            first.append(self.distance / span**2)
            second.append(-2 * self.distance / span**3)
        return first, second

    def first(self, theta: Floats) -> list[Floats]:
        k, (slopes, _) = self.correlated(theta), self.log_slopes(theta)
        error = [np.eye(len(k))] if self.measurement_error else []
        return [k * slope for slope in slopes] + error

    def second(self, theta: Floats) -> dict[tuple[int, int], Floats]:
        """Second derivatives that are not zero; ``K'' = K (L_i L_j + L_ij)`` with K = exp(L)."""
        k, (slopes, bends) = self.correlated(theta), self.log_slopes(theta)
        m = range(len(slopes))
        return {(i, j): k * (slopes[i] * slopes[j] + (i == j) * bends[i]) for i in m for j in m}


@dataclass(frozen=True)
class Dense:
    """Everything about one model at one vector `theta`, the residual's parameters last."""

    y: Floats
    x: Floats
    terms: Sequence[Term]
    theta: Floats
    residual: Rest | None = None

    @cached_property
    def rest(self) -> Rest:
        return self.residual or Rest(np.zeros(len(self.y), dtype=np.int64))

    @property
    def own(self) -> Floats:
        """The residual's parameters."""
        return self.theta[len(self.theta) - self.rest.count :]

    @cached_property
    def basis(self) -> list[Floats]:
        """First derivatives of V."""
        return [b for term in self.terms for b in term.basis] + self.rest.first(self.own)

    @cached_property
    def v(self) -> Floats:
        random = [b for term in self.terms for b in term.basis]
        parts = (s * b for s, b in zip(self.theta, random, strict=False))
        return sum(parts, self.rest.value(self.own))

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
        linear = moved @ self.p @ moved.T - self.expected
        start = len(self.theta) - self.rest.count
        for (i, j), v_ij in self.rest.second(self.own).items():
            linear[start + i, start + j] += 0.5 * (np.sum(self.p * v_ij) - py @ v_ij @ py)
        return linear

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
        """Kenward & Roger 1997, first order: without the second derivatives of V."""
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
