"""The fit from which effects of single units are predicted: no variance below zero.

A negative variance of one term (results of a pair less alike than chance) is matched by too large
a variance of the terms inside it.  For contrasts that is as it should be, the sums count; effects
predicted from such a pair of variances are spread too widely, and their reliability can exceed 1.
Effects exist only with variances of zero or above, so that they are predicted from the highest
likelihood among those.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from silagetrial.mixed.checks import no_maximum
from silagetrial.mixed.covariance import Bools
from silagetrial.mixed.design import make_design
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.likelihood import prepare
from silagetrial.mixed.maximise import maximise

__all__ = ["without_negative"]


def without_negative(fit: Fit) -> Fit:
    """Fit again with variances of random intercepts at zero or above, where any is below.

    Raises
    ------
    NoAnswer
        The likelihood has no maximum there.
    """
    if not _negative(fit).any():
        return fit
    terms = tuple(
        replace(
            term,
            parameters=tuple(
                replace(p, bound="zero" if p.bound == "free" else p.bound) for p in term.parameters
            ),
        )
        for term in fit.frame.terms
    )
    frame = replace(fit.frame, terms=terms)
    design = make_design(frame.x, terms, frame.residual)
    batch = prepare(design, frame.y[None])
    fits = maximise(design, batch)
    if not fits.converged[0]:
        # Once more from the free fit, what is below zero there starting at zero.
        near = np.where(_negative(fit), 0.0, fit.fits.evaluation.theta)
        fits = maximise(design, batch, start=near)
    if not fits.converged[0]:
        raise no_maximum(f"{frame.formula} with variances of zero or above", design, fits)
    return Fit(frame, design, batch, fits)


def _negative(fit: Fit) -> Bools:
    """Variances that may be negative and are."""
    free = np.array([parameter.bound == "free" for parameter in fit.parameters])
    return np.asarray(free & (fit.theta < 0))
