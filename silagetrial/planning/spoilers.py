"""What would spoil the comparison, named while it can still be changed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from typing import Final

import pandas as pd

from silagetrial.analysis.model import ModelChoice
from silagetrial.data.checks import in_order
from silagetrial.errors import Problem
from silagetrial.planning import spoilers_alike, spoilers_size
from silagetrial.planning.plan import Plan
from silagetrial.planning.spoiler_case import Case

__all__ = ["spoilers"]

_CHECKS: Final[tuple[Callable[[Case], Iterator[Problem]], ...]] = (
    spoilers_alike.confounded,
    spoilers_alike.refused,
    spoilers_alike.order,
    spoilers_alike.unlike_pairs,
    spoilers_alike.runs,
    spoilers_alike.film_layers,
    spoilers_alike.baler,
    spoilers_alike.recored,
    spoilers_alike.controls,
    spoilers_size.few_df,
    spoilers_size.attainable,
    spoilers_size.thin_openings,
    spoilers_size.few_sites,
    spoilers_size.factors,
    spoilers_size.dates,
    spoilers_size.losses,
    spoilers_size.stacks,
    spoilers_size.contrast,
)


def spoilers(plan: Plan, rows: pd.DataFrame, model: ModelChoice) -> tuple[Problem, ...]:
    """Name what would spoil the comparison.

    Parameters
    ----------
    plan : Plan
    rows : pandas.DataFrame
        One row a value to come, as `Layout.rows`.
    model : ModelChoice
        What the rows support.

    Returns
    -------
    tuple of Problem
        Errors first: with one of them the question has no answer. A warning narrows the answer.
    """
    case = Case(plan, rows, model)
    return in_order(problem for check in _CHECKS for problem in check(case))
