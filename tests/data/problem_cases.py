"""The catalogue of what can be wrong with a trial."""

from __future__ import annotations

from cases_blind import BLIND, DUE, SHEETS
from cases_design import DESIGN, NAMES
from cases_files import CELLS, FILES, STEPS
from cases_noticed import NOTICED
from cases_opened import OPENED_BALES
from cases_plan import PLAN
from cases_settings import SETTINGS
from cases_tricks import TRICKS
from cases_values import TIMES, VALUES

__all__ = ["CASES"]

CASES = (
    *SETTINGS,
    *PLAN,
    *FILES,
    *CELLS,
    *STEPS,
    *NAMES,
    *DESIGN,
    *TIMES,
    *VALUES,
    *NOTICED,
    *OPENED_BALES,
    *BLIND,
    *DUE,
    *SHEETS,
    *TRICKS,
)
