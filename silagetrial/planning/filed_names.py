"""How the filed analysis plan is called, and what it records of each bale.

Apart from what writes and reads the plan, so that its files can be copied without the models.
"""

from __future__ import annotations

from typing import Final

__all__ = ["DRAWN", "HASH_FILE", "PLAN_RECORD"]

PLAN_RECORD: Final = "analysis_plan.json"
HASH_FILE: Final = "analysis_plan.sha256"

DRAWN: Final = ("bale", "pair", "site", "order", "binding", "planned_opening")
"""Columns of the bales that the plan records, before those of further factors."""
