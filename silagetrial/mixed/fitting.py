"""Fit one mixed model to a data frame."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Literal

import numpy as np
import pandas as pd

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed.checks import check_groups, inseparable, no_maximum
from silagetrial.mixed.design import make_design
from silagetrial.mixed.fit import Fit
from silagetrial.mixed.formulas import Random, Serial, check_choice
from silagetrial.mixed.frame import ModelFrame, model_frame
from silagetrial.mixed.likelihood import Batch, prepare
from silagetrial.mixed.maximise import TOLERANCE, maximise

__all__ = ["fit_mixed"]


def fit_mixed(
    data: pd.DataFrame,
    formula: str,
    *,
    random: Random = (),
    bound: Literal["free", "zero"] = "free",
    residual_by: str | None = None,
    serial: Serial | None = None,
    measurement_error: bool = False,
    levels: Mapping[str, Sequence[str]] | None = None,
    tolerance: float = TOLERANCE,
) -> Fit:
    """Fit a linear mixed model by restricted maximum likelihood.

    Parameters
    ----------
    data : pandas.DataFrame
    formula : str
        Response and fixed part, such as ``"dm_loss ~ binding * opening"``.
    random : sequence
        Names of grouping columns, nested or crossed in any order; ``"site:binding"`` for a
        grouping by two columns, ``{"bale": "1 + days"}`` for correlated intercepts and
        slopes, ``{"bale": "0 + days"}`` for a slope of its own.
    bound : {"free", "zero"}
        ``"free"`` (default): the variance of a random intercept may be negative as long as
        the observations' covariance matrix is positive definite, which keeps the paired t
        and analysis-of-variance identities; ``"zero"`` holds it at zero or above.
    residual_by : str, optional
        Column (or columns joined by ``:``) whose levels have residual variances of their own;
        refused below 6 residual degrees of freedom a level.
    serial : mapping, optional
        Serial correlation ``exp(-distance / range)`` between the rows of a unit, over uneven
        times: ``{"bale": "days"}``.
    measurement_error : bool
        Beside serial correlation, a variance without it.
    levels : mapping, optional
        Order of levels of factors, the reference first.
    tolerance : float
        Squared Newton decrement at which to stop.

    Returns
    -------
    Fit

    Raises
    ------
    UsageError
        A formula or column that cannot be used, or a random term that the data cannot tell
        from the others.
    NoAnswer
        No residual degrees of freedom, a response without variation, or no maximum.

    Examples
    --------
    >>> import pandas as pd
    >>> data = pd.DataFrame({
    ...     "pair": ["1", "1", "2", "2", "3", "3"],
    ...     "binding": ["film", "net"] * 3,
    ...     "loss": [3.1, 4.0, 5.2, 5.9, 2.2, 3.4],
    ... })
    >>> fit = fit_mixed(data, "loss ~ binding", random=["pair"])
    >>> fit.names
    ('Intercept', 'binding[net]')
    >>> round(float(fit.beta[1]), 3)
    0.933
    """
    check_choice("bound", bound, ("free", "zero"))
    frame = model_frame(
        data,
        formula,
        random=random,
        bound=bound,
        residual_by=residual_by,
        serial=serial,
        measurement_error=measurement_error,
        levels=levels,
    )
    _check_rows(frame)
    design = make_design(frame.x, frame.terms, frame.residual)
    batch = prepare(design, frame.y[None])
    _check_variation(frame, batch)
    mixed_up = inseparable(design)
    if mixed_up is not None:
        raise UsageError(
            found=f"the data cannot estimate {' and '.join(mixed_up.names)} ({mixed_up.why})",
            expected="random terms whose levels repeat, and which differ from each other",
            remedy="leave one of them out",
        )
    check_groups(frame)
    fits = maximise(design, batch, tolerance=tolerance)
    if not fits.converged[0]:
        raise no_maximum(formula, design, fits)
    return Fit(frame, design, batch, fits)


def _check_rows(frame: ModelFrame) -> None:
    n, p = frame.x.shape
    if n <= p:
        raise NoAnswer(
            found=f"{n} rows for {p} coefficients of {frame.formula!r}",
            expected="more rows than coefficients",
            remedy="leave out terms, or add data: without residual degrees of freedom there is "
            "no standard error",
        )


def _check_variation(frame: ModelFrame, batch: Batch) -> None:
    size = np.abs(frame.y).max()
    if batch.scale[0] <= 8 * np.finfo(float).eps * size or size == 0:
        raise NoAnswer(
            found=f"the fixed part of {frame.formula!r} explains the response exactly",
            expected="a response that varies",
            remedy="look for a response computed from the factors, or a constant column",
        )
