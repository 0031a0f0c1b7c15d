"""What a design or its data cannot tell, found before or after a fit and said in words."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from silagetrial.errors import NoAnswer
from silagetrial.mixed.covariance import Floats
from silagetrial.mixed.design import Design, make_design
from silagetrial.mixed.frame import ModelFrame
from silagetrial.mixed.likelihood import blank, evaluate
from silagetrial.mixed.maximise import Fits, initial_thetas
from silagetrial.mixed.serial import range_limits

__all__ = ["Inseparable", "NoMaximum", "check_groups", "inseparable", "no_maximum"]

INSEPARABLE = 1e-8
"""Smallest eigenvalue of the scaled information below which terms cannot be told apart."""
FEWEST_GROUP_DF = 6.0
"""Residual degrees of freedom below which a group gets no variance of its own."""


NEGLIGIBLE = 1e-3
"""Share of the measurement error below which a serial variance is on its way to zero."""
VAST, ROUNDING = 1e7, 1e-4
"""Variance of random effects, in residual variances, that leaves them as good as fixed, and what
that and rounding may take off degrees of freedom."""


@dataclass(frozen=True)
class Inseparable:
    """Parameters that a design cannot tell apart, and why; nothing of it depends on y."""

    names: tuple[str, ...]
    why: str


def inseparable(design: Design) -> Inseparable | None:
    """Find variances that a design gives no information to tell apart.

    Returns
    -------
    Inseparable or None
        None when every variance can be estimated.
    """
    starts = initial_thetas(design)
    start = starts[len(starts) // 2]
    information = evaluate(design, start[None], blank(design)).expected[0]
    diagonal = np.diagonal(information)
    ranges = np.array([p.kind == "range" for p in design.parameters])
    unit = np.where(ranges, start, 1.0 / design.size)  # whatever the units of times and slopes
    touched = diagonal * unit**2 > 1e-12 * design.n
    if not touched.all():
        names = [p.name for p, ok in zip(design.parameters, touched, strict=True) if not ok]
        return Inseparable(tuple(names), "the fixed part takes up all that the term could explain")
    root = np.sqrt(diagonal)
    value, vector = np.linalg.eigh(information / np.outer(root, root))
    if value[0] < INSEPARABLE:
        involved = np.abs(vector[:, 0]) > 0.05
        names = [p.name for p, i in zip(design.parameters, involved, strict=True) if i]
        return Inseparable(tuple(names), "only the sum of their variances can be estimated")
    return None


def check_groups(frame: ModelFrame) -> None:
    """Refuse residual variances by group where a group has too few degrees of freedom.

    A row leaves ``1 - h`` of a degree, h its leverage on fixed and random effects together.
    """
    names = frame.residual.names
    if len(names) == 1:
        return
    sizes = np.bincount(frame.residual.groups)
    used = frame.x.shape[1] + sum(len(t.levels) * t.z.shape[1] for t in frame.terms)
    if sizes.min() - used >= FEWEST_GROUP_DF:
        return
    df = _group_df(frame)
    if df.min() < FEWEST_GROUP_DF - ROUNDING:
        # The first of those alike: which of them is smallest is a matter of rounding.
        worst = int(np.flatnonzero(df <= df.min() + ROUNDING)[0])
        raise NoAnswer(
            found=f"{df[worst]:.1f} residual degrees of freedom for {names[worst]}",
            expected=f"at least {FEWEST_GROUP_DF:.0f} for each variance",
            remedy="use one residual variance, or fewer groups; the paired t of each contrast "
            "needs no common variance",
        )


def _group_df(frame: ModelFrame) -> Floats:
    """Residual degrees of freedom of each group, (g,).

    ``tr(P D_g)`` of independent rows with variance one, as the random effects' variances grow
    beyond all bounds; the score of a data set without responses holds it.
    """
    rest = replace(frame.residual, unit=None, measurement_error=False)
    design = make_design(frame.x, frame.terms, rest)
    variance = np.array([p.kind == "variance" for p in design.parameters])
    theta = np.where(variance, VAST / design.size, 0.0)
    theta[-len(rest.names) :] = 1.0
    score = evaluate(design, theta[None], blank(design)).score[0]
    return np.asarray(-2.0 * score[-len(rest.names) :])


class NoMaximum(NoAnswer):
    """The likelihood rises without reaching a maximum, for no reason that can be named."""


def no_maximum(formula: str, design: Design, fits: Fits) -> NoAnswer:
    """Say why a fit did not reach a maximum."""
    if design.residual.unit is not None:
        refusal = _no_serial(design, fits.evaluation.theta[0])
        if refusal is not None:
            return refusal
    return NoMaximum(
        found=f"the restricted likelihood of {formula!r} has no maximum that can be reached "
        f"(squared Newton decrement {fits.decrement[0]:.1e} after {fits.steps[0]:.0f} steps)",
        expected="a maximum inside the region where the covariance matrix is positive definite",
        remedy="try bound='zero', or leave out the random term with the fewest levels",
    )


def _no_serial(design: Design, theta: Floats) -> NoAnswer | None:
    """Say what is the matter with the serial term, if that is why a fit went astray."""
    own = theta[-len(design.residual.parameters) :]
    count = len(design.residual.names)
    span, (shortest, longest) = float(own[count]), range_limits(design)
    if span > longest / 2:
        return NoAnswer(
            found=f"a serial range beyond {span:.3g}: over the times sampled the correlation "
            "hardly falls, so that it cannot be told from the unit's own variation",
            expected="times far enough apart for the correlation to fall",
            remedy="leave out the serial term, or the random intercept of the same unit",
        )
    if span < shortest * 2:
        return NoAnswer(
            found="no serial correlation: it falls to nothing between the nearest two times",
            expected="times close enough for neighbours to be alike",
            remedy="leave out the serial term",
        )
    if design.residual.measurement_error and own[:count].max() < NEGLIGIBLE * own[-1]:
        return NoAnswer(
            found="no serial correlation: all that is left within rows is measurement error",
            expected="neighbours in time that are alike",
            remedy="leave out the serial term and measurement_error",
        )
    return None
