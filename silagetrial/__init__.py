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
    from silagetrial.data import Trial, describe_columns, list_problems, read_trial
    from silagetrial.mixed import Fit, adjusted_means, contrasts, fit_mixed
    from silagetrial.report import Report, write_report

__version__ = "0.1.0"

__all__ = [
    "Analysis",
    "Fit",
    "Report",
    "Trial",
    "__version__",
    "adjusted_means",
    "analyse",
    "contrasts",
    "describe_columns",
    "fit_mixed",
    "list_problems",
    "read_trial",
    "write_report",
]

_ROOMS = {
    "Analysis": "analysis",
    "Fit": "mixed",
    "Report": "report",
    "Trial": "data",
    "adjusted_means": "mixed",
    "analyse": "analysis",
    "contrasts": "mixed",
    "describe_columns": "data",
    "fit_mixed": "mixed",
    "list_problems": "data",
    "read_trial": "data",
    "write_report": "report",
}


def __getattr__(name: str) -> Any:
    """Load a public name's room when it is first asked for (PEP 562): imports stay fast."""
    if name not in _ROOMS:
        raise AttributeError(f"module 'silagetrial' has no attribute {name!r}")
    return getattr(import_module(f"silagetrial.{_ROOMS[name]}"), name)


def __dir__() -> list[str]:
    return sorted(__all__)
