"""Paired-bale trials of silage: records, mixed models, honest intervals, a report to rerun.

>>> import silagetrial as st                                   # doctest: +SKIP
>>> trial = st.read_trial("data_demo/three_farms")             # doctest: +SKIP
>>> analysis = st.analyse(trial)                               # doctest: +SKIP
>>> print(analysis["butyric_acid"].differences)                # doctest: +SKIP
>>> st.write_report("data_demo/three_farms", "report")         # doctest: +SKIP
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from silagetrial.analysis import Analysis, analyse
    from silagetrial.data import (
        Trial,
        describe_columns,
        list_problems,
        read_trial,
        write_entry_sheets,
    )
    from silagetrial.data.grid import pair_grid_text, understood
    from silagetrial.data.nearest import did_you_mean as did_you_mean
    from silagetrial.data.status import status, status_text
    from silagetrial.mixed import Fit, adjusted_means, bootstrap, contrasts, fit_mixed
    from silagetrial.planning.ask import size_of_trial
    from silagetrial.planning.budget import budget
    from silagetrial.planning.deviations import deviations
    from silagetrial.planning.folder import PlanFolder, write_plan
    from silagetrial.planning.layout import Layout, plan_trial
    from silagetrial.planning.lowers import what_lowers
    from silagetrial.planning.plan import Plan
    from silagetrial.planning.plan_listing import describe_plan
    from silagetrial.planning.power import detectable_difference, pairs_needed, power
    from silagetrial.planning.read_plan import read_plan
    from silagetrial.planning.simulate import simulate_power
    from silagetrial.planning.simulated_folder import (
        check_simulated_place as check_simulated_place,
    )
    from silagetrial.planning.simulated_folder import simulated_page, write_simulated
    from silagetrial.planning.start import start_demo, start_trial
    from silagetrial.planning.worth import worth
    from silagetrial.planning.worth_folder import check_worth_place as check_worth_place
    from silagetrial.planning.worth_folder import write_worth
    from silagetrial.report import Report, write_report
    from silagetrial.report.reproduction import Reproduction
    from silagetrial.report.rerun import reproduce

__version__ = "0.1.0"

__all__ = [
    "Analysis",
    "Fit",
    "Layout",
    "Plan",
    "PlanFolder",
    "Report",
    "Reproduction",
    "Trial",
    "__version__",
    "adjusted_means",
    "analyse",
    "bootstrap",
    "budget",
    "contrasts",
    "describe_columns",
    "describe_plan",
    "detectable_difference",
    "deviations",
    "fit_mixed",
    "list_problems",
    "pair_grid_text",
    "pairs_needed",
    "plan_trial",
    "power",
    "read_plan",
    "read_trial",
    "reproduce",
    "simulate_power",
    "simulated_page",
    "size_of_trial",
    "start_demo",
    "start_trial",
    "status",
    "status_text",
    "understood",
    "what_lowers",
    "worth",
    "write_entry_sheets",
    "write_plan",
    "write_report",
    "write_simulated",
    "write_worth",
]

_ROOMS = {
    "Analysis": "analysis",
    "Fit": "mixed",
    "Layout": "planning.layout",
    "Plan": "planning.plan",
    "PlanFolder": "planning.folder",
    "Report": "report",
    "Reproduction": "report.reproduction",
    "Trial": "data",
    "adjusted_means": "mixed",
    "analyse": "analysis",
    "bootstrap": "mixed",
    "budget": "planning.budget",
    "check_simulated_place": "planning.simulated_folder",
    "check_worth_place": "planning.worth_folder",
    "contrasts": "mixed",
    "describe_columns": "data",
    "describe_plan": "planning.plan_listing",
    "detectable_difference": "planning.power",
    "did_you_mean": "data.nearest",
    "deviations": "planning.deviations",
    "fit_mixed": "mixed",
    "list_problems": "data",
    "pair_grid_text": "data.grid",
    "pairs_needed": "planning.power",
    "plan_trial": "planning.layout",
    "power": "planning.power",
    "read_plan": "planning.read_plan",
    "read_trial": "data",
    "reproduce": "report.rerun",
    "simulate_power": "planning.simulate",
    "simulated_page": "planning.simulated_folder",
    "size_of_trial": "planning.ask",
    "start_demo": "planning.start",
    "start_trial": "planning.start",
    "status": "data.status",
    "status_text": "data.status",
    "understood": "data.grid",
    "what_lowers": "planning.lowers",
    "worth": "planning.worth",
    "write_entry_sheets": "data",
    "write_plan": "planning.folder",
    "write_report": "report",
    "write_simulated": "planning.simulated_folder",
    "write_worth": "planning.worth_folder",
}


def __getattr__(name: str) -> Any:
    """Load a public name's room when it is first asked for (PEP 562): imports stay fast."""
    if name not in _ROOMS:
        raise AttributeError(f"module 'silagetrial' has no attribute {name!r}")
    return getattr(import_module(f"silagetrial.{_ROOMS[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
