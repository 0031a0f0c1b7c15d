"""What a check of a layout sees, and how it says what would spoil the comparison."""

from __future__ import annotations

from dataclasses import dataclass

import pandas as pd

from silagetrial.analysis.model import ModelChoice
from silagetrial.errors import Problem, Severity
from silagetrial.planning.plan import Plan
from silagetrial.planning.plan_keys import PLAN_FILE

__all__ = ["Case", "spoiler"]


@dataclass(frozen=True)
class Case:
    """A plan, the rows it will give, and the model they support."""

    plan: Plan
    rows: pd.DataFrame
    model: ModelChoice


def spoiler(
    key: str, found: str, expected: str, remedy: str, *, severity: Severity = "warning"
) -> Problem:
    """Return one thing that would spoil the comparison, under the key of the plan that decides."""
    return Problem(severity, PLAN_FILE, None, key, found, expected, remedy)
