"""From what the public functions are given to cases ready for evaluation."""

from __future__ import annotations

from pathlib import Path
from typing import TypeAlias

import numpy as np
import pandas as pd

from silagetrial.errors import NoAnswer, UsageError
from silagetrial.mixed.covariance import Floats
from silagetrial.planning.assumed_checks import check_ratios, check_spread
from silagetrial.planning.assumptions import response_planned
from silagetrial.planning.finished import Finished
from silagetrial.planning.many import Asked, Case, Known
from silagetrial.planning.plan import Plan, Spread
from silagetrial.planning.planned_test import Effect, Kind
from silagetrial.planning.read_plan import read_plan

__all__ = ["Source", "case_of", "check_target", "nothing_with", "report_of", "variance_df"]

Source: TypeAlias = Spread | Finished | Floats | None
"""Where variances come from: the user's terms, a finished report, variances, or the plan."""


def case_of(
    plan: Plan | str | Path,
    response: str | None,
    pairs: int | tuple[int, ...] | None,
    effect: Effect,
    spread: Source,
    kind: Kind | None,
    rows: pd.DataFrame | None = None,
) -> Case:
    """Make a case of what a public function was given: a plan or its path, spreads or a report."""
    plan = plan if isinstance(plan, Plan) else read_plan(plan)
    if isinstance(spread, Finished):
        response = spread.response if response is None else response
        if response != spread.response:
            raise UsageError(
                found=f"variances of {spread.response} for a question about {response}",
                expected="variances of the same response",
                remedy=f"read the report with response={response!r}",
            )
        spread = spread.to_components(plan)[0]
    name = response_planned(plan, response).name
    if isinstance(spread, Spread):
        check_spread(name, spread)
    if effect is not None and effect != "observed":
        check_ratios(name, effect if isinstance(effect, tuple) else (effect,))
    return Case(plan, response, pairs, effect, spread, kind, rows)


def report_of(spread: Source) -> Finished | None:
    """Return the finished report that variances come from, if they do."""
    return spread if isinstance(spread, Finished) else None


def nothing_with(ready: Asked) -> NoAnswer:
    """Say that a layout leaves the contrast without a standard error."""
    count = " + ".join(map(str, ready.pairs))
    return NoAnswer(
        found=f"no standard error of {ready.question.name} with {count} pairs",
        expected="pairs enough for every term of the model",
        remedy="plan more pairs on each site",
    )


def variance_df(ready: Asked, known: Known, finished: Finished) -> Floats:
    """Degrees of freedom of the contrast's variance as the finished trial estimates it, (K,)."""
    return np.array(
        [
            finished.df(float(error) ** 2, gradient, ready.plan) if np.isfinite(error) else 1.0
            for error, gradient in zip(known.std_error, known.gradient, strict=True)
        ]
    )


def check_target(
    plan: Plan, target: float, half_width: float | None, response: str | None = None
) -> None:
    """Refuse a power or a half-width that cannot be aimed at."""
    if not plan.settings.analysis.alpha < target < 1:
        raise UsageError(
            found=f"a power of {target}",
            expected="a share above the size of the test and below 1",
            remedy="0.8 and 0.9 are usual",
        )
    least = 1.0 if response_planned(plan, response).effect == "ratio" else 0.0
    if half_width is not None and not half_width > least:
        raise UsageError(
            found=f"a half-width of {half_width}",
            expected="a ratio above 1, or a difference above 0",
            remedy="correct half_width",
        )
