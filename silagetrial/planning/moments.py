"""Standard errors and degrees of freedom of contrasts in many layouts at once, without data.

For each layout and set of variances the engine is evaluated at the assumed variances: the model's
covariance of the coefficients, Kenward and Roger's adjusted one, and their degrees of freedom from
the expected information.  The variance of an estimate whose weights are estimated lies half-way
between the first two (Kackar & Harville 1984); in balanced layouts they are the same.

References
----------
Kackar, R. N. & Harville, D. A. (1984). Approximations for standard errors of estimators of fixed
and random effects in mixed linear models. JASA 79, 853-862.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from silagetrial.mixed import smallsample
from silagetrial.mixed.covariance import Bools, Floats
from silagetrial.mixed.likelihood import Evaluation, blank, evaluate
from silagetrial.planning.structure import Sized

__all__ = ["Moments", "moments"]

BLURRED = 1e-10
"""Smallest eigenvalue of the scaled information below which terms cannot be told apart."""
SAME = 1e-7
"""Relative difference that rounding makes."""
CHUNK = 64
"""Layouts evaluated at once: what fits a processor's cache."""


@dataclass(frozen=True)
class Moments:
    """Contrasts of T layouts.

    Attributes
    ----------
    covariance : (T, r, r) array
        Of the estimates; NaN where a layout gives no answer.
    df : (T, r) array
    adjusted : (T,) bool array
        Whether the layout is unbalanced enough for estimated weights to matter.
    gradient : (T, r, m) array
        Derivatives of the estimates' variances by the model's parameters.
    """

    covariance: Floats
    df: Floats
    adjusted: Bools
    gradient: Floats

    @property
    def std_error(self) -> Floats:
        """Standard errors, (T, r)."""
        return np.sqrt(np.diagonal(self.covariance, axis1=1, axis2=2))


def moments(sized: Sized, rows: Floats, theta: Floats, present: Bools | None) -> Moments:
    """Evaluate contrasts in layouts.

    Parameters
    ----------
    sized : Sized
    rows : (r, p) array
        Contrasts of the orthonormal coefficients.
    theta : (T, m) array
        Variances.
    present : (T, n) bool array or None
        Rows that each layout has; None: all.
    """
    count, r, m = len(theta), len(rows), theta.shape[1]
    out = Moments(
        np.full((count, r, r), np.nan), np.full((count, r), np.nan), np.ones(count, dtype=bool),
        np.full((count, r, m), np.nan),
    )  # fmt: skip
    for start in range(0, count, CHUNK):
        part = slice(start, start + CHUNK)
        _fill(out, part, sized, rows, theta[part], None if present is None else present[part])
    return out


def _fill(
    out: Moments, part: slice, sized: Sized, rows: Floats, theta: Floats, present: Bools | None
) -> None:
    batch = blank(sized.design, present)
    full = np.broadcast_to(batch.full_rank & (batch.n > sized.design.p), (len(theta),))
    at = np.flatnonzero(full)
    if not len(at):
        return
    kept = batch if present is None else batch.take(at)
    found = evaluate(sized.design, theta[at], kept)
    good = np.isfinite(found.loglik) & _told_apart(found)
    where = part.start + at[good]
    found = found.take(np.flatnonzero(good))
    phi = rows @ found.phi @ rows.T
    adjusted = rows @ smallsample.kenward_roger_covariance(found) @ rows.T
    out.covariance[where] = (phi + adjusted) / 2.0
    out.df[where] = smallsample.contrast_df(found, rows, smallsample.theta_covariance(found))
    change = np.abs(adjusted - phi).max(axis=(1, 2))
    out.adjusted[where] = change > SAME * np.abs(phi).max(axis=(1, 2))
    lp = rows @ found.phi
    out.gradient[where] = -np.einsum("tra,tiab,trb->tri", lp, found.p, lp)


def _told_apart(at: Evaluation) -> Bools:
    """Whether each layout can tell the model's variances apart."""
    diagonal = np.diagonal(at.expected, axis1=1, axis2=2)
    safe = np.where(diagonal > 0, diagonal, 1.0)
    root = np.sqrt(safe)
    scaled = at.expected / (root[:, :, None] * root[:, None, :])
    smallest = np.linalg.eigvalsh(np.where(np.isfinite(scaled), scaled, 0.0))[:, 0]
    found: Bools = (diagonal > 0).all(axis=1) & (smallest > BLURRED)
    return found
