"""Profile-likelihood intervals of variances, covariances, correlations and ranges.

`profile_search` finds their ends.
"""

from __future__ import annotations

from collections.abc import Iterator

import numpy as np
import pandas as pd

from silagetrial.display.table import Table
from silagetrial.mixed.covariance import coordinates
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import check_level
from silagetrial.mixed.held import Held
from silagetrial.mixed.profile_search import profile_end

__all__ = ["profile_intervals"]

ROUNDING = 1e-12
"""Share of the variance of the observations that an effect without any can seem to have."""


def profile_intervals(fit: Fit, *, level: float = 0.95) -> Table:
    """REML profile-likelihood intervals of every variance, covariance, correlation and range.

    Standard deviations follow from the variances, the half-life of serial correlation (the
    distance at which it is one half) from its range; a correlation of random effects is profiled
    as such.  How residual variances of groups compare is told by `sd_ratios`.

    Parameters
    ----------
    fit : Fit
    level : float
        Confidence level.

    Returns
    -------
    Table
        ``term kind estimate conf_low conf_high remark``: squared units of the response for
        (co)variances, units of the times for ranges and half-lives.  An end that does not exist
        is missing and the remark says why; the end of a free variance may be negative.
    """
    check_level(level)
    rows = [row for target in _targets(fit) for row in _rows(fit, target, level)]
    columns = ["term", "kind", "estimate", "conf_low", "conf_high", "remark"]
    return Table(
        pd.DataFrame(rows, columns=columns),
        title=f"Profile-likelihood intervals ({100 * level:.3g} %, REML)",
        notes=("Coverage is approximate with few pairs; for fixed effects see the t intervals.",),
    )


Row = tuple[str, str, float, float, float, str]


def _targets(fit: Fit) -> Iterator[Held]:
    for index in range(len(fit.parameters)):
        yield Held(index)
    for cone in coordinates(fit.parameters).cones:
        own = {(int(a), int(b)): int(i) for a, b, i in zip(
            cone.rows, cone.columns, cone.index, strict=True
        )}  # fmt: skip
        for (a, b), index in own.items():
            if a != b:
                yield Held(index, between=(own[b, b], own[a, a]))


def _rows(fit: Fit, target: Held, level: float) -> Iterator[Row]:
    """The interval of one target, and of what follows from it: an SD, a half-life."""
    parameter = fit.parameters[target.index]
    if target.between is not None and _lacks_variance(fit, target.between):
        why = "an effect without variance has no correlation"
        yield parameter.name, "correlation", np.nan, np.nan, np.nan, why
        return
    low, high = (profile_end(fit, target, side, level) for side in (-1, 1))
    remark = "; ".join(dict.fromkeys(end.why for end in (low, high) if end.why))
    inside = float(target.value(fit.fits.evaluation.theta)[0])
    name, kind = parameter.name, str(parameter.kind)
    if target.between is not None:
        yield name, "correlation", inside, low.value, high.value, remark
        return
    unit = float(fit.units[target.index])
    estimate, bottom, top = (unit * x for x in (inside, low.value, high.value))
    yield name, kind, estimate, bottom, top, remark
    if kind == "variance" and estimate >= 0:
        bottom = max(bottom, 0.0) if np.isfinite(bottom) else 0.0
        yield name, "SD", estimate**0.5, bottom**0.5, top**0.5, ""
    if kind == "range":
        half = float(np.log(2.0))
        yield name, "half-life", half * estimate, half * bottom, half * top, ""


def _lacks_variance(fit: Fit, between: tuple[int, int]) -> bool:
    """Whether one of two effects adds nothing to the observations' variance but rounding."""
    name = fit.parameters[between[0]].term
    term = next(term for term in fit.frame.terms if term.name == name)
    first = [p.term for p in fit.parameters].index(name)
    for index in between:
        effect = int(np.flatnonzero(np.diag(term.basis[index - first]))[0])
        added = fit.theta[index] * float((term.z[:, effect] ** 2).mean())
        if added <= ROUNDING * fit.scale**2:
            return True
    return False
